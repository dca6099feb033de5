"""One assay and a selection of tubes: found by kept answers, shown with answers worked out anew.

Promises: a fixed number of queries however many tubes there are; a kept answer only finds and sorts, the
word that is shown is always that of now; who sees the catalogue alone finds tubes of the own programme
only.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from django.core.paginator import Paginator
from django.db.models import Count, Exists, F, Max, OuterRef, QuerySet

from biobank.checks import fit_words as words
from biobank.checks import overrides
from biobank.checks.fit_access import known, whole
from biobank.checks.fit_due import stale
from biobank.checks.passport_veil import Veil
from biobank.checks.verdicts import in_force, judged
from biobank.evacuation.tree import below
from biobank.models import Assay, Judgement, Person, Tube, Unit
from biobank.temperature.life_words import Share, shares
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.rules import Verdict
from custody.core.state import TubeState

PAGE = 25
MOST_IN_UNIT = 20_000
ORDERS = {
    "rank": "rank",
    "drawn": "drawn_ms",
    "volume": "volume_ul",
    "measured": "measured_bp",
    "tube": "tube",
}
HEADINGS = [
    ("tube", "Tube"), ("rank", "Answer"), ("volume", "Volume"), ("drawn", "Drawn"), ("measured", "Measured"),
]  # fmt: skip
ENDS = {
    "tube": ("tube code, upwards", "tube code, downwards"), "rank": ("not fit first", "fit first"),
    "volume": ("least volume first", "most volume first"), "drawn": ("drawn first", "drawn last"),
    "measured": ("least measured first", "most measured first"),
}  # fmt: skip
BARE = {"drawn"}  # orders that would tell days apart


@dataclass(frozen=True)
class Row:
    """One tube as it is judged now. `kept`: the row that found it; `before`: its word, when that differs."""

    kept: Judgement
    tube: Tube | None
    verdict: Verdict | None
    coverage: list[Share]
    by: list[Any]
    allowed: bool
    sentence: str
    volume_ul: int | None
    drawn_ms: int | None
    veil: Veil
    state: TubeState | None = None

    @property
    def gone(self) -> bool:
        """It was discarded: the answer is that of then, and there is nothing to pull any more."""
        return self.state is not None and self.state.status == "discarded"

    @property
    def status(self) -> str:
        """What became of it, in a word that names no place."""
        return self.state.status.replace("_", " ") if self.state else ""

    @property
    def word(self) -> str:
        return self.verdict.word if self.verdict else ""

    @property
    def year(self) -> int | None:
        """Of the draw, in UTC."""
        return None if self.drawn_ms is None else datetime.fromtimestamp(self.drawn_ms / 1000, UTC).year

    @property
    def before(self) -> str:
        return self.kept.word if self.verdict and self.kept.word != self.verdict.word else ""

    @property
    def failed(self) -> list[str]:
        """Every finding that did not pass, what decided first: its sentence with its rule's code."""
        found = [one for one in self.verdict.ranked if one.answer != "pass"] if self.verdict else []
        return [f"{words.said(one, self.veil)} [{one.rule.code}]" for one in found]


# --- which ---------------------------------------------------------------------------------------------


def selection(assay: Assay, said: Mapping[str, Any], who: Person) -> QuerySet[Judgement]:
    """Kept answers for the assay that this person may read and that meet the cleaned form. Refused:
    unit_too_large."""
    rows = known(Judgement.objects.filter(assay=assay), who)
    for name, column in PLAIN.items():
        if said.get(name) not in (None, ""):
            rows = rows.filter(**{column: said[name]})
    if said.get("plan"):
        rows = rows.filter(_of(tube_set__plan__code=said["plan"], tube_set__plan__programme=who.programme_id))
    if said.get("tube_set"):
        rows = rows.filter(_of(tube_set__code=said["tube_set"]))
    if said.get("unit"):
        rows = rows.filter(tube__in=_inside(said["unit"]))
    if said.get("tubes"):
        rows = rows.filter(tube__in=said["tubes"])
    return rows


PLAIN = {
    "word": "word", "matrix": "matrix", "taxon": "taxon", "from_ms": "drawn_ms__gte", "to_ms": "drawn_ms__lt",
    "least_ul": "volume_ul__gte", "measured_bp": "measured_bp__gte",
}  # fmt: skip


def _of(**wanted: Any) -> Exists:
    return Exists(Tube.objects.filter(code=OuterRef("tube"), **wanted))


def _inside(unit: Unit) -> list[str]:
    units = [unit.code, *below(unit.code, ledger.units())]
    if sum(ledger.contents(units).values()) > MOST_IN_UNIT:
        raise Refused(
            "unit_too_large", f"More than {MOST_IN_UNIT:,} tubes stand in {unit}. Choose a part of it."
        )
    return [one.tube for one in ledger.find(unit__in=units)]


def ordered(rows: QuerySet[Judgement], by: str, full: bool) -> QuerySet[Judgement]:
    """By one of ORDERS, `-` before it for the other way round; unknown values last, then by tube."""
    name, down = by.lstrip("-"), by.startswith("-")
    if name not in ORDERS or (name in BARE and not full):
        name, down = "rank", False
    column = F(ORDERS[name])
    first = column.desc(nulls_last=True) if down else column.asc(nulls_last=True)
    return rows.order_by(first, "tube")


def columns(by: str, full: bool) -> list[tuple[str, str, str, str]]:
    """The heads of the table: (name, words, order that a press asks for, `ascending`, `descending` or "")."""
    found = []
    for name, heading in HEADINGS:
        if name in BARE and not full:
            found.append((name, heading, "", ""))
            continue
        state = "ascending" if by == name else "descending" if by == f"-{name}" else ""
        found.append((name, heading, f"-{name}" if by == name else name, state))
    return found


def orders(by: str, full: bool) -> list[tuple[str, str, bool]]:
    """The same orders for a field, because a phone shows no heads: (value, words, is it this one)."""
    there = [one for one in HEADINGS if full or one[0] not in BARE]
    both = [(f"{way}{name}", ENDS[name][way == "-"]) for name, _ in there for way in ("", "-")]
    return [(value, words, value == by) for value, words in both]


# --- as they are now -----------------------------------------------------------------------------------


def page_of(rows: QuerySet[Judgement], number: Any, size: int = PAGE) -> Any:
    return Paginator(rows, size).get_page(number)


def anew(kept: Iterable[Judgement], assay: Assay, who: Person, now_ms: int) -> list[Row]:
    """Each with its answer of this moment, in their order. Verdicts and facts by one call."""
    rows = list(kept)
    codes = [one.tube for one in rows]
    law, veil = in_force(), Veil(whole(who), who.programme.tz)
    found = judged(codes, now_ms, law, [assay.code]) if codes else {}
    tubes = Tube.objects.select_related("tube_set__plan").in_bulk(codes)
    given, states = (overrides.of(codes), ledger.states(codes)) if codes else ({}, {})
    made = [
        _row(one, tubes.get(one.tube), found.get(one.tube), given.get(one.tube, []), assay, veil)
        for one in rows
    ]
    return [replace(one, state=states.get(one.kept.tube)) for one in made]


def _row(kept: Judgement, tube: Tube | None, found: Any, given: list[Any], assay: Assay, veil: Veil) -> Row:
    verdict = next((one for one in found.verdicts), None) if found else None
    if verdict is None:
        return Row(kept, tube, None, [], [], False, "This assay does not take it any more.", None, None, veil)
    drawn = found.facts.acts.get("drawn")
    return Row(
        kept, tube, verdict, shares(words.life(found.facts)),
        [one for one in given if one.assay == assay.code], overrides.allowed(verdict, given),
        words.decided(verdict, veil), found.facts.volume_ul, drawn.at_ms if drawn else None, veil,
    )  # fmt: skip


def pieces(
    rows: QuerySet[Judgement], assay: Assay, who: Person, now_ms: int, size: int = 500
) -> Iterator[Row]:
    """All of a selection as they are now, in bounded pieces."""
    some: list[Judgement] = []
    for one in rows.iterator(chunk_size=size):
        some.append(one)
        if len(some) == size:
            yield from anew(some, assay, who, now_ms)
            some = []
    yield from anew(some, assay, who, now_ms)


# --- how old what is kept is ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Kept:
    """What is kept for one assay: how many of each word, and when one was worked out last (UTC ms)."""

    assay: Assay
    counts: Mapping[str, int]
    last_ms: int | None = None
    stale: int = 0

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def cells(self) -> list[tuple[str, int]]:
        return [(word, self.counts.get(word, 0)) for word in reversed(words.WORD_ORDER)]


@dataclass(frozen=True)
class Branch:
    """A family and its members; one that stands alone has none."""

    kept: Kept
    members: list[Kept]


def tree(who: Person, now_ms: int) -> list[Branch]:
    """All assays that are run, families with members. 5 queries."""
    assays = list(Assay.objects.filter(retired=False).select_related("family"))
    rows = known(Judgement.objects.order_by(), who)
    words_: dict[int, dict[str, int]] = {}
    for pk, word, many in rows.values_list("assay", "word").annotate(many=Count("pk")):
        words_.setdefault(pk, {})[word] = many
    times = {
        row["assay"]: row
        for row in rows.values("assay").annotate(last=Max("asof_ms"), stale=Count("pk", filter=stale(now_ms)))
    }
    every = [_kept(one, words_.get(one.pk, {}), times.get(one.pk)) for one in assays]
    heads = [one for one in every if one.assay.family_id is None]
    return [Branch(head, [one for one in every if one.assay.family_id == head.assay.pk]) for head in heads]


def _kept(assay: Assay, counts: Mapping[str, int], times: Mapping[str, Any] | None) -> Kept:
    said = times or {}
    return Kept(assay, counts, said.get("last"), said.get("stale", 0))
