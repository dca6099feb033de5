"""Custody of a tube in plain sentences, from the needle to now, with its gaps named. For a passport.

Promises: what `custody.core.gaps` found, all of it, oldest first; agencies by their names, places and times
of day left out. A stretch of time is as exact as the ledger has it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from biobank.checks.passport_veil import Veil
from biobank.templatetags.words import span, tube_code
from custody.core.gaps import Custody, Gap, Hold

HOW = {
    "hand": "had it in somebody's possession",
    "view": "had it in view",
    "locked": "had it locked up",
    "secured": "had it in a secured area with restricted access",
    "sealed": "had it under a custody seal that opening breaks",
    "unit": "had it in a storage unit",
}
TRANSIT = {
    "hand": "in somebody's possession",
    "view": "in view",
    "locked": "locked up",
    "secured": "in a secured container",
    "sealed": "under a custody seal",
}
CAME = {
    "no_handoff": "Custody passed, or somebody else acted, without a handoff",
    "handoff_late": "Longer on the way than agreed",
    "handoff_open": "Handed off and not received",
    "seal_broken": "Seal not intact",
    "seal_not_checked": "Seal not checked",
    "not_found": "Not found when it was to be received",
    "no_place": "No storage unit named",
    "clock_uncertain": "Time of a change uncertain",
    "typed_late": "Typed late",
}


@dataclass(frozen=True)
class Held:
    """From when (a day or a year), a sentence, and how long (ms); `tube` when it was still in a parent."""

    since: str
    sentence: str
    length_ms: int
    tube: str = ""


@dataclass(frozen=True)
class Hole:
    """A gap: what kind, in a sentence, and how long (ms; None: a moment). late: an act typed late only."""

    words: str
    sentence: str
    length_ms: int | None
    late: bool
    worse: bool
    since: str


@dataclass(frozen=True)
class Chain:
    """Who answered for it, and where that is not shown."""

    held: tuple[Held, ...]
    holes: tuple[Hole, ...]

    @property
    def open(self) -> list[Hole]:
        return [one for one in self.holes if not one.late]

    @property
    def late(self) -> list[Hole]:
        return [one for one in self.holes if one.late]

    @property
    def heading(self) -> str:
        """One line that says whether custody is shown throughout."""
        count = len(self.open)
        if count:
            return f"{count} gap{'s' if count > 1 else ''} in custody"
        return "No gap in custody; some acts were typed late" if self.late else "No gap in custody"


def chain(custody: Custody, code: str, agencies: Mapping[str, str], now_ms: int, veil: Veil) -> Chain:
    """The custody of tube `code` for a passport. agencies: names by code."""
    return Chain(
        tuple(_held(one, code, agencies, now_ms, veil) for one in joined(custody.holds)),
        tuple(_hole(one, code, agencies, now_ms, veil) for one in custody.gaps),
    )


def joined(holds: Sequence[Hold]) -> list[Hold]:
    """Neighbours that differ in their place alone as one, because places are not told here."""
    found: list[Hold] = []
    for one in holds:
        last = found[-1] if found else None
        if last and last.end_ms == one.start_ms and _who(last) == _who(one):
            found[-1] = replace(last, end_ms=one.end_ms)
        else:
            found.append(one)
    return found


def _who(one: Hold) -> tuple[str, ...]:
    on_the_way = one.where if one.where.startswith("on the way") else ""
    return one.tube, one.org, one.how, on_the_way


def _held(one: Hold, code: str, agencies: Mapping[str, str], now_ms: int, veil: Veil) -> Held:
    end = now_ms if one.end_ms is None else one.end_ms
    long = max(0, end - one.start_ms)
    who = agencies.get(one.org, one.org)
    so_far = " so far" if one.end_ms is None else ""
    what = f"{who} {HOW.get(one.how, 'had it, how is not said')}"
    if one.where.startswith("on the way"):
        what = f"on its way from {who}{_to(one, agencies)}, {TRANSIT.get(one.how, 'how is not said')}"
    sentence = f"{what[0].upper()}{what[1:]}, for {span(long)}{so_far}."
    return Held(veil.day(one.start_ms), sentence, long, one.tube if one.tube != code else "")


def _to(one: Hold, agencies: Mapping[str, str]) -> str:
    code = one.where.removeprefix("on the way to ").strip()
    return f" to {agencies.get(code, code)}" if code and code != "None" else ""


def _hole(one: Gap, code: str, agencies: Mapping[str, str], now_ms: int, veil: Veil) -> Hole:
    before = f"As {tube_code(one.tube)}: " if one.tube != code else ""
    end = now_ms if one.to_ms is None else one.to_ms
    return Hole(
        CAME.get(one.code, one.code.replace("_", " ").capitalize()),
        before + named(veil.timeless(one.sentence), agencies),
        end - one.from_ms if end > one.from_ms else None,
        one.code == "typed_late", one.worse, veil.day(one.from_ms),
    )  # fmt: skip


def named(text: str, agencies: Mapping[str, str]) -> str:
    """Agencies by their names where a sentence has their codes."""
    for code, name in agencies.items():
        text = re.sub(rf"(?<![\w-]){re.escape(code)}(?![\w-])", name, text)
    return text
