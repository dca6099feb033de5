"""The fingerprint of everything that a life was worked out from: while it is the same, the numbers are.

Promises: no reading is unpacked; the seals of days stand for their readings. The text under the hash is the
same on every machine. Whatever could change a number changes it: acts, places, loggers, set points, sealed
days, readings not yet sealed, corrections, disputes, thermal events, limits, and the version of the working
out. That time goes by changes nothing: an open life is worked out as of a moment, and said to be so.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from biobank.models import LiveReading, Logger, LoggerPlacement, ReadingBlock
from biobank.models.loggers import DAY_MS
from biobank.temperature import corrections
from biobank.temperature.corrections import Correction
from biobank.temperature.life_plan import Part, Plan
from biobank.temperature.places import FREEZE, NEVER, THAW

ALGORITHM = 2  # goes up when the same inputs give other numbers

WHY = {
    "way": "the way of working it out changed",
    "acts": "what was done to the tube, or where it stood, changed",
    "limits": "the limits of interest changed",
    "loggers": "which logger or set point governs changed",
    "readings": "readings were added or changed",
    "corrections": "what is known of a logger changed",
    "events": "a thermal event changed",
}
Span = tuple[int, int]


@dataclass(frozen=True)
class Inputs:
    """`whole` is the SHA-256 of a result's inputs; `parts` are those of its kinds, to say what changed."""

    whole: str
    parts: Mapping[str, str]

    def against(self, parts: Mapping[str, str]) -> str:
        """Why what was worked out from those is no longer so; empty: it still is."""
        return next((words for name, words in WHY.items() if parts.get(name) != self.parts[name]), "")


def _digest(said: Any) -> str:
    text = json.dumps(said, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass
class Known:
    """What is stored about the loggers of some lives; answers are kept, because tubes of one box ask
    alike."""

    codes: Mapping[int, tuple[str, str, int]]
    seals: Mapping[int, tuple[Sequence[int], Sequence[str]]]
    live: Mapping[int, tuple[Sequence[int], Sequence[int]]]
    corrected: Mapping[int, Correction]
    placed: Mapping[int, Sequence[tuple[int, int, str, str]]]
    highest: Mapping[int, int | None]
    _said: dict[tuple[str, int, int, int], Any] = field(default_factory=dict, init=False)

    def _once(self, what: str, logger: int, start: int, end: int) -> Any:
        key = (what, logger, start, end)
        if key not in self._said:
            self._said[key] = getattr(self, f"_{what}")(logger, start, end)
        return self._said[key]

    def _seals(self, logger: int, first: int, last: int) -> str:
        days, seals = self.seals.get(logger, ((), ()))
        a, b = bisect_left(days, first), bisect_right(days, last)
        times, values = self.live.get(logger, ((), ()))
        c, d = bisect_left(times, first * DAY_MS), bisect_left(times, (last + 1) * DAY_MS)
        return _digest([list(days[a:b]), list(seals[a:b]), list(times[c:d]), list(values[c:d])])

    def _corrections(self, logger: int, first: int, last: int) -> Any:
        """Those that can touch these days of the logger's own clock: of the clock checks also the nearest
        before and after them."""
        known, start, end = self.corrected.get(logger, Correction()), first * DAY_MS, (last + 1) * DAY_MS
        shown = [at for at, _ in known.checks]
        a, b = bisect_left(shown, start), bisect_right(shown, end)
        return [
            [list(one) for one in known.checks[max(a - 1, 0) : b + 1]],
            [
                [c.number, c.start, c.end, [list(point) for point in c.points]]
                for c in known.certificates
                if c.start < end and c.end > start
            ],
            [list(one) for one in known.excluded if one[0] < end and one[1] > start],
            sorted([at, value] for at, value in (known.disputed or {}).items() if start <= at < end),
        ]  # fmt: skip

    def _probes(self, logger: int, start: int, end: int) -> Any:
        return [
            [medium, probe] for a, b, medium, probe in self.placed.get(logger, ()) if a < end and b > start
        ]

    def days(self, logger: int, span: Span) -> Span:
        """The days of the logger's own clock that a stretch needs, one more at each end for the line over
        it."""
        start, end = self.corrected.get(logger, Correction()).window(*span)
        return start // DAY_MS - 1, end // DAY_MS + 1

    def of(self, plan: Plan) -> Inputs:
        """The fingerprint of one life."""
        spans = spans_of([plan])
        days = {one: self.days(one, spans[one]) for one in spans}
        events = sorted({mark for part in plan.parts for mark in part.marks})
        parts = {
            "way": _digest([ALGORITHM, FREEZE, THAW]),
            "acts": _digest([plan.tube, plan.gone, plan.line, [_phase(one) for one in plan.phases]]),
            "limits": _digest(plan.limits),
            "loggers": _digest([
                _governed(plan.parts),
                [[one, self.codes.get(one), self._once("probes", one, *spans[one])] for one in sorted(spans)],
            ]),
            "readings": _digest([
                [one, self._once("seals", one, *days[one])] for one in sorted(spans)
            ]),
            "corrections": _digest([
                [one, self._once("corrections", one, *days[one])] for one in sorted(spans)
            ]),
            "events": _digest([[[p.start, p.end, sorted(p.marks)] for p in plan.parts if p.marks],
                               [[one, self.highest.get(one)] for one in events]]),
        }  # fmt: skip
        return Inputs(_digest([[name, parts[name]] for name in WHY]), parts)


def _governed(parts: Iterable[Part]) -> list[list[Any]]:
    """From when to when which logger or set point governed, however the life is cut otherwise."""
    found: list[list[Any]] = []
    for part in parts:
        if found and found[-1][1:] == [part.start, part.logger, part.nominal]:
            found[-1][1] = part.end
        else:
            found.append([part.start, part.end, part.logger, part.nominal])
    return found


def _phase(one: Any) -> list[Any]:
    return [
        one.kind, one.start_ms, one.end_ms, one.since, one.until, one.home, one.frozen, one.giver, one.to,
        one.within,
    ]  # fmt: skip


def spans_of(plans: Iterable[Plan]) -> dict[int, Span]:
    """From when to when each logger governed any of these."""
    spans: dict[int, Span] = {}
    for plan in plans:
        for part in plan.parts:
            if part.logger is not None:
                a, b = spans.get(part.logger, (part.start, part.end))
                spans[part.logger] = (min(a, part.start), max(b, part.end))
    return spans


def known_of(plans: Iterable[Plan], highest: Mapping[int, int | None]) -> Known:
    """What is stored about the loggers that governed these. 9 queries however many there are."""
    spans = spans_of(plans)
    wanted = sorted(spans)
    loggers = Logger.objects.filter(pk__in=wanted)
    codes = {
        pk: (code, between, interval)
        for pk, code, between, interval in loggers.values_list("pk", "code", "between", "interval_s")
    }
    known = Known(codes, {}, {}, corrections.of(wanted), _placed(wanted), dict(highest))
    first = min((known.days(one, spans[one])[0] for one in wanted), default=0)
    return replace(known, seals=_seals(wanted, first), live=_live(wanted, first))


def _seals(loggers: Sequence[int], first: int) -> dict[int, tuple[list[int], list[str]]]:
    rows = ReadingBlock.objects.filter(logger_id__in=loggers, current=True, day__gte=first)
    found: dict[int, tuple[list[int], list[str]]] = {}
    for logger, day, seal in rows.order_by("logger_id", "day").values_list("logger_id", "day", "sha256"):
        days, seals = found.setdefault(logger, ([], []))
        days.append(day)
        seals.append(seal)
    return found


def _live(loggers: Sequence[int], first: int) -> dict[int, tuple[list[int], list[int]]]:
    rows = LiveReading.objects.filter(logger_id__in=loggers, at_ms__gte=first * DAY_MS)
    found: dict[int, tuple[list[int], list[int]]] = {}
    for logger, at, centi in rows.order_by("logger_id", "at_ms").values_list("logger_id", "at_ms", "centi"):
        times, values = found.setdefault(logger, ([], []))
        times.append(at)
        values.append(centi)
    return found


def _placed(loggers: Sequence[int]) -> dict[int, list[tuple[int, int, str, str]]]:
    rows = LoggerPlacement.objects.filter(logger_id__in=loggers, governing=True).order_by(
        "logger_id", "from_ms"
    )
    found: dict[int, list[tuple[int, int, str, str]]] = {}
    for logger, start, end, medium, probe in rows.values_list(
        "logger_id", "from_ms", "to_ms", "medium", "probe"
    ):
        found.setdefault(logger, []).append((start, NEVER if end is None else end, medium, probe))
    return found
