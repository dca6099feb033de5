"""What is known of a logger besides its readings, applied when readings are read.

Applied in this order: conflicts (a moment of which a file says another value, and nobody has said which
counts, is no data), exclusions (readings that do not count), clock, calibration. An exclusion and a conflict
are by the logger's own clock; a certificate's validity is by the corrected time, whole UTC days, the last one
included.

clock        offset(t) = shown - true, linear between two checks, constant outside; t' = t - offset(t)
calibration  x' = x + c(x), c linear between the points of the certificate, constant outside

Promises: stored readings are never edited, so that a record taken back gives back the very same readings;
the order in which records were entered does not matter; corrected times rise strictly; no line runs over an
excluded stretch or over a moment in dispute, so nothing is measured there; a sensor error stays one; what is
doubtful (clock not checked, no valid certificate, outside its points) is flagged with its span, never hidden.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from biobank.models import CalibrationCertificate, ClockCheck, Logger, ReadingConflict, ReadingExclusion
from biobank.models.loggers import DAY_MS
from biobank.temperature.held import ERROR, Ints, Readings

Mask = NDArray[np.bool_]

CLOCK_DAYS = (
    180  # a reading further than this from every check of its clock is flagged. Common practice, no source
)
COLDEST = ERROR + 1

EXCLUDED, CONFLICT = "excluded", "conflict"
UNCHECKED, NO_CERTIFICATE, OUTSIDE = "clock_unchecked", "no_certificate", "outside_points"
WORDS = {
    EXCLUDED: "excluded",
    CONFLICT: "two values in dispute: no data",
    UNCHECKED: f"clock unchecked: no check within {CLOCK_DAYS} days",
    NO_CERTIFICATE: "no valid certificate: shown as it was read",
    OUTSIDE: "outside the points of the certificate (common practice, no source)",
}


@dataclass(frozen=True)
class Note:
    """Something to know about a stretch of readings (UTC ms by the corrected clock, half-open).

    readings  how many it is about: those left out, or those flagged
    """

    code: str
    start: int
    end: int
    readings: int
    about: str = ""

    @property
    def words(self) -> str:
        return f"{WORDS[self.code]}{', ' if self.about else ''}{self.about}"


@dataclass(frozen=True)
class Certificate:
    """start, end: UTC ms, half-open. points: (indicated, correction, uncertainty), hundredths of °C, rising
    by indicated."""

    number: str
    start: int
    end: int
    points: tuple[tuple[int, int, int], ...]

    def row(self, k: int) -> list[int]:
        return [point[k] for point in self.points]

    @property
    def uncertainty(self) -> int:
        """The widest of its points, hundredths of °C."""
        return max(self.row(2), default=0)


@dataclass(frozen=True)
class Corrected:
    """Readings as they count.

    uncertainty  the widest of the certificates that were used, hundredths of °C, kept for a guard band, which
                 no rule applies yet; None: there is a reading without a valid certificate
    """

    held: Readings
    notes: tuple[Note, ...] = ()
    uncertainty: int | None = None


@dataclass(frozen=True)
class Correction:
    """All that is known of one logger.

    checks     (shown, shown - true) in ms, rising by shown
    excluded   (from, to, reason), by the logger's clock; approved ones only
    disputed   moment by the logger's clock -> the value that counts (centi); None: no data
    """

    checks: tuple[tuple[int, int], ...] = ()
    certificates: tuple[Certificate, ...] = ()
    excluded: tuple[tuple[int, int, str], ...] = ()
    disputed: Mapping[int, int | None] | None = None
    step: bool = False

    def window(self, start: int, end: int) -> tuple[int, int]:
        """Which stretch of the logger's own clock holds this stretch of true time."""
        aheads = [ahead for _, ahead in self.checks] or [0]
        return start + min(aheads), end + max(aheads)

    def shown_at(self, true: int) -> int:
        """What the logger's clock showed at a true moment."""
        shown, ahead = np.array(self.checks or ((0, 0),), np.int64).T
        return true + round(float(np.interp(float(true), (shown - ahead).astype(np.float64), ahead)))

    def true_span(self, start: int, end: int) -> tuple[int, int]:
        """A stretch of the logger's own clock, in true time."""
        a, b = self._true(np.array([start, end], np.int64)).tolist()
        return a, b

    def apply(self, held: Readings) -> Corrected:
        """The readings as they count, and what is to be said of them. Does not touch what it was given."""
        counted, notes = self._counted(held)
        timed, more = self._timed(counted)
        said = [self._shown(note) for note in notes] + more
        measured, last, uncertainty = self._calibrated(timed)
        return Corrected(
            measured, tuple(sorted([*said, *last], key=lambda one: (one.start, one.code))), uncertainty
        )

    # --- what counts --------------------------------------------------------------------------

    def _counted(self, held: Readings) -> tuple[Readings, list[Note]]:
        if not len(held) or not (self.disputed or self.excluded):
            return held, []
        centi, gaps, keep = held.centi.copy(), held.gaps.copy(), np.ones(len(held), bool)
        disputed = self.disputed or {}
        said = {at: value for at, value in disputed.items() if value is not None}
        there, place = _found(held.times, said)
        centi[place] = [said[at] for at in there]
        notes = _in_dispute(held.times, keep, gaps, [at for at in disputed if at not in said])
        for start, end, reason in self.excluded:
            notes += _left_out(held.times, keep, gaps, Note(EXCLUDED, start, end, 0, reason))
        return Readings(held.times, centi, gaps).part(keep), notes

    # --- clock --------------------------------------------------------------------------------

    def offset(self, times: Ints) -> Ints:
        """How far ahead the logger's clock was when it showed these times, ms, rounded to whole ones."""
        if not self.checks:
            return np.zeros(len(times), np.int64)
        base = self.checks[0][0]  # small numbers, so that nothing is lost to rounding
        shown = np.array([at - base for at, _ in self.checks], np.float64)
        ahead = np.array([one for _, one in self.checks], np.float64)
        return np.rint(np.interp((times - base).astype(np.float64), shown, ahead)).astype(np.int64)

    def _true(self, times: Ints) -> Ints:
        """True times, strictly rising as the shown ones are."""
        moved, order = times - self.offset(times), np.arange(len(times))
        return np.maximum.accumulate(moved - order) + order

    def _timed(self, held: Readings) -> tuple[Readings, list[Note]]:
        if not len(held):
            return held, []
        if not self.checks:
            return held, [Note(UNCHECKED, int(held.times[0]), int(held.times[-1]) + 1, len(held))]
        times, gaps = self._true(held.times), held.gaps
        # A silence is counted in recording intervals, which are the logger's own: a drift makes none. A clock
        # that fell back by more than a tenth stood still: then true time counts.
        step, linked = (
            np.diff(times, append=times[-1]),
            np.diff(held.times, append=held.times[-1]) <= gaps,
        )
        drift = step * 10 <= np.diff(held.times, append=held.times[-1]) * 11
        gaps = np.where(
            linked & drift, np.maximum(gaps, step), np.where(linked, gaps, np.minimum(gaps, step - 1))
        )
        spans = _spans(self._unchecked(held.times), times)
        return Readings(times, held.centi, gaps), [Note(UNCHECKED, *span) for span in spans]

    def _unchecked(self, times: Ints) -> Mask:
        """Which readings are further than so many days from every check."""
        shown = np.array([at for at, _ in self.checks])
        after = np.searchsorted(shown, times)
        far = np.minimum(
            np.abs(times - shown[np.minimum(after, len(shown) - 1)]),
            np.abs(times - shown[np.maximum(after - 1, 0)]),
        )
        return np.asarray(far > CLOCK_DAYS * DAY_MS)

    def _shown(self, note: Note) -> Note:
        """A note by the logger's clock, in true time."""
        return Note(note.code, *self.true_span(note.start, note.end), note.readings, note.about)

    # --- calibration --------------------------------------------------------------------------

    def _calibrated(self, held: Readings) -> tuple[Readings, list[Note], int | None]:
        error = held.centi == ERROR
        if not self.certificates:
            times = held.times if not error.any() else held.times[~error]
            ends = [(int(times[0]), int(times[-1]) + 1, len(times))] if len(times) else []
            return held, [Note(NO_CERTIFICATE, *span) for span in ends], None
        centi, valid = held.centi.copy(), np.zeros(len(held), bool)
        notes, widest = [], 0
        for one in self.certificates:
            here = (held.times >= one.start) & (held.times < one.end) & ~error
            if not here.any():
                continue
            valid |= here
            widest = max(widest, one.uncertainty)
            said = held.centi[here]
            change = np.rint(np.interp(said, one.row(0), one.row(1))).astype(np.int64)
            centi[here] = np.maximum(said + change, COLDEST)
            beyond = held.times[here][(said < one.points[0][0]) | (said > one.points[-1][0])]
            if len(beyond):
                notes.append(Note(OUTSIDE, int(beyond[0]), int(beyond[-1]) + 1, len(beyond), one.number))
        without = ~valid & ~error
        notes += [Note(NO_CERTIFICATE, *span) for span in _spans(without[~error], held.times[~error])]
        known = bool(valid.any()) and not without.any()
        return Readings(held.times, centi, held.gaps), notes, widest if known else None


def _found(times: Ints, wanted: Iterable[int]) -> tuple[list[int], Ints]:
    """Which of these moments are readings, and at which places."""
    at = np.array(sorted(wanted), np.int64)
    place = np.searchsorted(times, at)
    there = times[np.minimum(place, len(times) - 1)] == at
    return at[there].tolist(), place[there].astype(np.int64)


def _in_dispute(times: Ints, keep: Mask, gaps: Ints, moments: Sequence[int]) -> list[Note]:
    """Drop readings in dispute and cut the lines over these moments."""
    before = np.searchsorted(times, np.array(moments, np.int64))
    gaps[before[before > 0] - 1] = 0
    dropped = np.zeros(len(times), bool)
    dropped[_found(times, moments)[1]] = True
    keep &= ~dropped
    return [Note(CONFLICT, *span) for span in _spans(dropped, times)]


def _left_out(times: Ints, keep: Mask, gaps: Ints, note: Note) -> list[Note]:
    """Drop the readings of an excluded stretch and cut the line that would run over it, also when none lies
    in it. No note where there was nothing before or after it anyway."""
    first, last = (int(k) for k in np.searchsorted(times, [note.start, note.end]))
    keep[first:last] = False
    if first:
        gaps[first - 1] = 0
    if first == last and (not first or last == len(times)):
        return []
    return [Note(note.code, note.start, note.end, last - first, note.about)]


def _spans(flagged: Mask, times: Ints) -> list[tuple[int, int, int]]:
    """(start, end, readings) of each run of flagged neighbours."""
    if not flagged.any():
        return []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flagged, [False]]).astype(np.int8)))
    return [
        (int(times[a]), int(times[b - 1]) + 1, int(b - a))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def within(notes: Iterable[Note], start: int, end: int) -> list[Note]:
    """Those that touch a stretch."""
    return [note for note in notes if note.start < end and note.end > start]


# --- loading --------------------------------------------------------------------------------------

PLAIN = Correction()


def of(loggers: Iterable[int]) -> dict[int, Correction]:
    """What is known of each of these loggers (ids). 5 queries for any number."""
    wanted = sorted(set(loggers))
    if not wanted:
        return {}
    checks, certificates = _checks(wanted), _certificates(wanted)
    excluded, disputed = _excluded(wanted), _disputed(wanted)
    step = set(Logger.objects.filter(pk__in=wanted, between=Logger.Between.STEP).values_list("pk", flat=True))
    return {
        pk: Correction(
            tuple(sorted(set(checks.get(pk, [])))), tuple(certificates.get(pk, [])),
            tuple(sorted(set(excluded.get(pk, [])))), disputed.get(pk), pk in step,
        )
        for pk in wanted
    }  # fmt: skip


def _checks(wanted: Sequence[int]) -> dict[int, list[tuple[int, int]]]:
    rows = ClockCheck.objects.filter(logger_id__in=wanted, withdrawn=None).order_by()
    found: dict[int, list[tuple[int, int]]] = {}
    for logger, shown, true in rows.values_list("logger_id", "shown_ms", "true_ms"):
        found.setdefault(logger, []).append((shown, shown - true))
    return found


def _certificates(wanted: Sequence[int]) -> dict[int, list[Certificate]]:
    rows = CalibrationCertificate.objects.filter(logger_id__in=wanted, withdrawn=None).order_by("valid_from")
    found: dict[int, list[Certificate]] = {}
    for logger, number, first, last, points in rows.values_list(
        "logger_id", "number", "valid_from", "valid_to", "points"
    ):
        said = tuple((int(x), int(c), int(u)) for x, c, u in points)
        found.setdefault(logger, []).append(Certificate(number, midnight(first), midnight(last, 1), said))
    return found


def midnight(day: date, later: int = 0) -> int:
    """UTC ms at which a day begins, or one that many days later."""
    return ((day - date(1970, 1, 1)) + timedelta(days=later)).days * DAY_MS


def _excluded(wanted: Sequence[int]) -> dict[int, list[tuple[int, int, str]]]:
    rows = ReadingExclusion.objects.filter(
        logger_id__in=wanted, withdrawn=None, approved__isnull=False
    ).order_by()
    words = dict(ReadingExclusion.Reason.choices)
    found: dict[int, list[tuple[int, int, str]]] = {}
    for logger, start, end, reason in rows.values_list("logger_id", "from_ms", "to_ms", "reason"):
        found.setdefault(logger, []).append((start, end, str(words[reason])))
    return found


def _disputed(wanted: Sequence[int]) -> dict[int, dict[int, int | None]]:
    """Of a moment of which several files say several values, one open question or `neither` is enough for no
    data; so are two other values that both were said to count."""
    said: dict[tuple[int, int], set[int | None]] = {}
    rows = ReadingConflict.objects.filter(logger_id__in=wanted).exclude(choice="stored").order_by()
    for logger, at, value, choice in rows.values_list("logger_id", "at_ms", "said_centi", "choice"):
        said.setdefault((logger, at), set()).add(value if choice == "said" else None)
    found: dict[int, dict[int, int | None]] = {}
    for (logger, at), values in said.items():
        found.setdefault(logger, {})[at] = next(iter(values)) if len(values) == 1 else None
    return found
