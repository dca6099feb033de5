"""Which boxes to count: a weight with its reasons in words, and a draw that anybody can redo.

Promises: the same facts give the same weight; the same candidates, number and seed give the same boxes,
with nothing but SHA-256 (`printf 'SEED:BOX' | sha256sum`). The weights are common practice, no source;
that a whole store is counted once a year and at least 5 % of its boxes a month is the rule of thumb behind
`A_YEAR` and `a_month`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256

A_YEAR = 365
NEVER, AGE, CHANGED, VALUE, DISPUTE, MISS = 40, 30, 25, 20, 40, 30  # the most that each reason weighs


@dataclass(frozen=True)
class Box:
    """What is known about a box before anybody opens it.

    days       whole days since its last count; None: never counted
    moved      it was moved itself since then; changed: something was done to its tubes since then
    gone       how many tubes fewer it holds than after the last count (below 0: more)
    reserved   tubes kept back; last: tubes that are the last aliquot of their parent
    disputes   open differences about its tubes, contested slots among them; misses: those of its last count
    """

    unit: str
    tubes: int = 0
    days: int | None = None
    moved: bool = False
    changed: bool = False
    gone: int = 0
    reserved: int = 0
    last: int = 0
    disputes: int = 0
    misses: int = 0


@dataclass(frozen=True)
class Weighed:
    """A box, how much there is to say for counting it, and what."""

    unit: str
    weight: int
    reasons: tuple[str, ...]

    @property
    def words(self) -> str:
        return "; ".join(self.reasons) or "nothing speaks for it"


@dataclass(frozen=True)
class Pick:
    """A box that was chosen and how: "risk" or "chance"."""

    unit: str
    how: str
    weight: int
    reasons: tuple[str, ...]


def weigh(box: Box) -> Weighed:
    """The weight (0 or more) of a box with its reasons, heaviest first; 0 for an empty box."""
    said = [*_age(box), *_changes(box), *_value(box), *_doubt(box)]
    told = sorted((one for one in said if one[0] > 0), key=lambda one: -one[0])
    return Weighed(box.unit, sum(points for points, _ in told), tuple(words for _, words in told))


def _age(box: Box) -> list[tuple[int, str]]:
    if box.days is None:
        return [(NEVER, "never counted")] if box.tubes else []
    return [(min(AGE, AGE * box.days // A_YEAR), f"{many(box.days, 'day')} since the last count")]


def _changes(box: Box) -> list[tuple[int, str]]:
    if box.days is None:
        return []
    said = [(CHANGED, "the box was moved since the last count")] if box.moved else []
    if box.gone:
        more = "fewer" if box.gone > 0 else "more"
        return [*said, (CHANGED, f"{many(abs(box.gone), 'tube')} {more} than at the last count")]
    return (
        [*said, (CHANGED // 2, "tubes were moved or handled since the last count")] if box.changed else said
    )


def _value(box: Box) -> list[tuple[int, str]]:
    return [
        (min(VALUE, 2 * box.reserved), f"{many(box.reserved, 'tube')} in reserve"),
        (min(VALUE, 2 * box.last), f"{many(box.last, 'last aliquot')} of a parent"),
    ]


def _doubt(box: Box) -> list[tuple[int, str]]:
    return [
        (min(DISPUTE, 10 * box.disputes), f"{many(box.disputes, 'open difference')}"),
        (min(MISS, 10 * box.misses), f"{many(box.misses, 'miss', 'misses')} at the last count"),
    ]


def many(number: int, one: str, more: str = "") -> str:
    return f"{number} {one if number == 1 else more or one + 's'}"


def lot(seed: str, unit: str) -> str:
    """The number that a box draws, 64 hex digits: SHA-256 of `seed:unit`. The lowest are taken."""
    return sha256(f"{seed}:{unit}".encode()).hexdigest()


def choose(boxes: Iterable[Weighed], wanted: int, seed: str) -> list[Pick]:
    """`wanted` boxes, or all when there are fewer: half of them (rounded up) the heaviest, ties by code;
    the rest by lot from the others, whatever they weigh, so that no box is safe from being counted."""
    ranked = sorted(boxes, key=lambda one: (-one.weight, one.unit))
    heavy = ranked[: -(-min(wanted, len(ranked)) // 2)] if wanted > 0 else []
    others = sorted(ranked[len(heavy) :], key=lambda one: lot(seed, one.unit))
    drawn = others[: max(0, wanted - len(heavy))]
    return [_pick(one, "risk") for one in heavy] + [_pick(one, "chance") for one in drawn]


def _pick(one: Weighed, how: str) -> Pick:
    return Pick(one.unit, how, one.weight, one.reasons)


def a_month(boxes: int) -> int:
    """How many boxes to count in a month: one in twenty, rounded up."""
    return -(-boxes // 20)


def neighbours(unit: str, parent_of: Mapping[str, str | None], boxes: Iterable[str]) -> list[str]:
    """The boxes just before and after this one, by code, in what it stands in; none for a box in nothing."""
    above = parent_of.get(unit)
    if not above:
        return []
    row = sorted({one for one in boxes if parent_of.get(one) == above} | {unit})
    at = row.index(unit)
    return row[max(0, at - 1) : at] + row[at + 1 : at + 2]


def trend(rates: Sequence[float]) -> str:
    """What a row of accuracies (0 to 1, oldest first) says, in a sentence."""
    if len(rates) < 2:
        return "One month alone says nothing about a trend."
    before, now = sum(rates[:-1]) / (len(rates) - 1), rates[-1]
    if abs(now - before) < 0.005:
        return "The newest month is as good as those before it, within half a percent."
    word = "better" if now > before else "worse"
    return f"The newest month is {word} than the mean of those before it: {share(now)} after {share(before)}."


def share(rate: float) -> str:
    """0.9634 as 96.3 %; never rounded up to 100 %."""
    text = f"{100 * rate:.1f}"
    return f"{'99.9' if text == '100.0' and rate < 1 else text} %"
