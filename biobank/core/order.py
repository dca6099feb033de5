"""Order of draw: what published lists say of the order in which tubes are filled from one needle.

Promises: advice only, never a refusal, because the lists disagree and a review found the order to matter
little where the system is closed (abstract of Giusti 2021, Int J Environ Res Public Health 18:1568). Each
advice names the lists that say so and those that do it as it is here. Caps are not looked at: colours differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

# additive code (HL7 v2 table 0371, some ours) -> what the lists call it
GROUPS = {
    "BCB": "blood culture",
    "C32": "citrate",
    "NONE": "serum",
    "CLOT": "serum",
    "SST": "serum",
    "TRCN": "trace-element serum",
    "TRCE": "trace-element EDTA",
    "HEPL": "heparin",
    "HEPN": "heparin",
    "EDTK": "EDTA",
    "NAF": "fluoride",
    "ACDA": "other additives",
    "RNA": "other additives",
}
TRACE = {"trace-element serum", "trace-element EDTA"}


@dataclass(frozen=True)
class Tube:
    """One tube as it is drawn: its place is its place in the sequence that is given."""

    label: str
    additive: str
    primes: bool = True  # some blood runs through the tubing into it; false for cards and cartridges


@dataclass(frozen=True)
class Source:
    """A published list: groups in the order of `ranks`; what it does not name it says nothing of."""

    name: str
    read: str
    ranks: tuple[frozenset[str], ...]

    def rank(self, group: str) -> int | None:
        return next((n for n, names in enumerate(self.ranks) if group in names), None)

    def says(self, before: str, after: str) -> bool | None:
        """True when it draws `before` ahead of `after`, False for the contrary, None when it says nothing."""
        first, second = self.rank(before), self.rank(after)
        return None if first is None or second is None or first == second else first < second


def _source(name: str, read: str, *ranks: str) -> Source:
    return Source(name, read, tuple(frozenset(rank.split(" / ")) for rank in ranks))


HOSPITAL = _source(
    "a university hospital's blood specimen page (Chicago)", "read in full",
    "blood culture", "citrate", "serum / trace-element serum", "heparin", "EDTA / trace-element EDTA",
    "fluoride", "other additives",
)  # fmt: skip
REFERENCE = _source(
    "a reference laboratory's order of draw", "read in full",
    "blood culture", "trace-element serum / trace-element EDTA", "citrate", "serum", "heparin", "EDTA",
)  # fmt: skip
STANDARD = _source(
    "CLSI GP41, and WHO Best Practices in Phlebotomy 2010, table 2.3", "as quoted by two courses",
    "blood culture", "citrate", "serum", "heparin", "EDTA", "fluoride",
)  # fmt: skip
FLUSHED = "a paediatric trace-element protocol"
SOURCES = (STANDARD, HOSPITAL, REFERENCE)


@dataclass(frozen=True)
class Advice:
    """Something that a list (`sources`) would do in another order; lists in `against` do it as it is here."""

    code: str
    sentence: str
    sources: tuple[str, ...]
    against: tuple[str, ...] = ()

    @property
    def disputed(self) -> bool:
        return bool(self.against)


def advice(tubes: Iterable[Tube], winged: bool = True) -> list[Advice]:
    """What the lists would do otherwise; empty when nothing. Tubes in the order in which they are drawn.

    winged  the needle has tubing full of air, which is the usual case on a flipper or a fluke
    """
    drawn = [tube for tube in tubes if tube.additive in GROUPS and tube.primes]
    found = [*_first_citrate(drawn, winged), *_first_trace(drawn), *_pairs(drawn)]
    return list(dict.fromkeys(found))


def _first_citrate(drawn: Sequence[Tube], winged: bool) -> Iterator[Advice]:
    if winged and drawn and drawn[0].additive == "C32":
        yield Advice(
            "discard_before_citrate",
            f"{drawn[0].label} is the first tube: with a winged needle the air of its tubing goes into it, "
            "and citrate that is not full is rejected. Draw a discard tube without additive before it.",
            (HOSPITAL.name,),
        )


def _first_trace(drawn: Sequence[Tube]) -> Iterator[Advice]:
    """Only where nothing ran through the needle: that another list draws these tubes first is said here."""
    if drawn and GROUPS[drawn[0].additive] in TRACE:
        yield Advice(
            "flush_before_trace",
            f"{drawn[0].label} is the first tube: others drawn before it flush the needle of its metal.",
            (FLUSHED,),
            (REFERENCE.name,),
        )


def _pairs(drawn: Sequence[Tube]) -> Iterator[Advice]:
    """Groups that stand the other way round in some list; one advice for all that stand before a group."""
    found: dict[tuple[str, tuple[str, ...], tuple[str, ...]], list[str]] = {}
    for first, second in combinations(drawn, 2):
        before, after = GROUPS[first.additive], GROUPS[second.additive]
        asking = () if _may_prime(first, second) else tuple(s.name for s in SOURCES if s.says(after, before))
        if asking:
            found.setdefault((after, asking, _content(before, after)), []).append(before)
    for (after, asking, content), befores in found.items():
        said = f"{after} after {_and(list(dict.fromkeys(befores)))}"
        yield Advice("order_of_draw", said[0].upper() + said[1:], asking, content)


def _and(words: Sequence[str]) -> str:
    return " and ".join([*([", ".join(words[:-1])] if words[1:] else []), words[-1]])


def _may_prime(first: Tube, second: Tube) -> bool:
    """A tube without activator may stand before citrate (CLSI GP41, as quoted); that is the discard tube."""
    return second.additive == "C32" and first.additive == "NONE"


def _content(before: str, after: str) -> tuple[str, ...]:
    """The lists that are content with this order: they ask for it, or name both in one breath."""
    found = [one for one in SOURCES if one.says(before, after) or _together(one, before, after)]
    flushed = (FLUSHED,) if after in TRACE else ()
    return (*(one.name for one in found), *flushed)


def _together(source: Source, one: str, other: str) -> bool:
    rank = source.rank(one)
    return rank is not None and rank == source.rank(other)
