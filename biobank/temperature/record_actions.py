"""What people say of a logger besides its readings: its clock, its certificate, readings that do not count;
and at which temperature a unit is kept.

Promises: every function raises Refused (code, sentence) and changes nothing, or adds one row; nothing edits a
reading. What was wrong is withdrawn, with who and why, and stays. Said twice alike, it is said once. Kept
results that were worked out from the readings are marked as old.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TypeVar

from django.db import transaction
from django.db.models import Min, Q
from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    LiveReading,
    Logger,
    NominalTemperature,
    ReadingBlock,
    ReadingExclusion,
    Unit,
)
from biobank.models.corrections import Withdrawn
from biobank.models.loggers import DAY_MS
from biobank.store.actions import stated
from biobank.temperature import corrections, stale
from biobank.temperature.corrections import midnight
from custody.core.refusal import Refused

SOON_MS = 5 * 60_000  # a true clock may be a little ahead of this computer's
CLOCK_FAR_MS = 30 * 60_000  # asked: another zone, a date set wrongly, or a slip of the pen
EXCLUSION_LONG_MS = 31 * DAY_MS  # asked
CORRECTION_LARGE = 1000  # hundredths of °C; asked
DOCUMENT_BYTES = 10_000_000
COLDEST, WARMEST = -20_000, 6_000  # hundredths of °C: below liquid nitrogen, and no place for a sample
BEGINNING, FOREVER = -(1 << 62), None

W = TypeVar("W", ClockCheck, CalibrationCertificate, ReadingExclusion, NominalTemperature)


def _now() -> int:
    return ms(timezone.now())


def _locked(logger: Logger) -> Logger:
    """One saying at a time for this logger."""
    return Logger.objects.select_for_update().get(pk=logger.pk)


def _saved(actor: Actor, row: W, reason: str) -> W:
    with saving(actor.person.user, reason, row):
        row.save(force_insert=True)
    return row


# --- clock ----------------------------------------------------------------------------------------


@transaction.atomic
def check_clock(
    actor: Actor, logger: Logger, true_ms: int, shown_ms: int, method: str, note: str = "", sure: bool = False
) -> ClockCheck:
    """At this true moment the logger showed that (both UTC ms).

    Refused: clock_in_future, clock_far (more than half an hour apart and not `sure`), clock_reverses.
    """
    logger = _locked(logger)
    rows = ClockCheck.objects.filter(logger=logger, withdrawn=None)
    if same := rows.filter(true_ms=true_ms, shown_ms=shown_ms, method=method).first():
        return same
    if true_ms > _now() + SOON_MS:
        raise Refused(
            "clock_in_future", "A clock is checked when it is looked at. This time lies in the future."
        )
    if abs(shown_ms - true_ms) > CLOCK_FAR_MS and not sure:
        raise Refused(
            "clock_far",
            "The two times are over half an hour apart: another zone? If it is so, confirm it.",
        )
    _refuse_reversed(rows, true_ms, shown_ms)
    made = ClockCheck(
        logger=logger, true_ms=true_ms, shown_ms=shown_ms, method=method, by=actor.person, note=note.strip()
    )
    before, after = _neighbours(rows, shown_ms)
    _saved(actor, made, note.strip() or "Clock checked")
    stale.touched([logger.pk], before, after, "a clock check was added")
    return made


def _refuse_reversed(rows, true_ms: int, shown_ms: int) -> None:
    """True time must run forward between any two checks, as the logger's own does."""
    wrong = rows.filter(
        Q(shown_ms__lte=shown_ms, true_ms__gte=true_ms) | Q(shown_ms__gte=shown_ms, true_ms__lte=true_ms)
    ).first()
    if wrong is not None:
        raise Refused(
            "clock_reverses",
            "With another check of this logger time would stand still or run backwards. Look which is wrong; "
            "withdraw the other if it is that one.",
        )


def _neighbours(rows, shown_ms: int) -> tuple[int, int | None]:
    """What a check changes: from the check before it to the one after it, in true time; widened by the offset
    itself, because what was worked out stands at uncorrected times."""
    before = rows.filter(shown_ms__lt=shown_ms).order_by("-shown_ms").first()
    after = rows.filter(shown_ms__gt=shown_ms).order_by("shown_ms").first()
    start = BEGINNING if before is None else min(before.true_ms, before.shown_ms) - DAY_MS
    return start, None if after is None else max(after.true_ms, after.shown_ms) + DAY_MS


# --- calibration ----------------------------------------------------------------------------------

Points = Sequence[tuple[int, int, int]]


@dataclass(frozen=True)
class Paper:
    """A certificate as somebody types it. points: (indicated, correction, uncertainty), hundredths of °C."""

    number: str
    laboratory: str
    issued: date
    valid_from: date
    valid_to: date
    points: Points
    document: bytes | None = None
    document_name: str = ""


@transaction.atomic
def add_certificate(
    actor: Actor, logger: Logger, paper: Paper, note: str = "", sure: bool = False
) -> CalibrationCertificate:
    """Refused: certificate_backwards, certificate_in_future, certificate_number_taken, certificate_overlaps,
    points_missing, points_not_rising, uncertainty_negative, correction_large (above 10 K and not `sure`),
    document_no_pdf, document_too_large.
    """
    logger = _locked(logger)
    check_paper(paper, sure)
    rows = CalibrationCertificate.objects.filter(logger=logger, withdrawn=None)
    points = [list(point) for point in paper.points]
    if there := rows.filter(number__iexact=paper.number).first():
        if (there.valid_from, there.valid_to, there.points) == (paper.valid_from, paper.valid_to, points):
            return there
        raise Refused(
            "certificate_number_taken", f"Certificate {there.number} of {logger.code} is here already."
        )
    other = rows.filter(valid_from__lte=paper.valid_to, valid_to__gte=paper.valid_from).first()
    if other is not None:
        raise Refused(
            "certificate_overlaps",
            f"Certificate {other.number} is valid from {other.valid_from} to {other.valid_to}. "
            "Two cannot be valid on one day: end the one before it, or withdraw it.",
        )
    made = CalibrationCertificate(
        logger=logger, number=paper.number, laboratory=paper.laboratory, issued=paper.issued,
        valid_from=paper.valid_from, valid_to=paper.valid_to, points=points, by=actor.person,
        note=note.strip(), **_document(paper),
    )  # fmt: skip
    _saved(actor, made, note.strip() or "Certificate added")
    stale.touched(
        [logger.pk], midnight(made.valid_from), midnight(made.valid_to, 1), "a certificate was added"
    )
    return made


def _document(paper: Paper) -> dict[str, object]:
    if not paper.document:
        return {}
    seal = hashlib.sha256(paper.document).hexdigest()
    return {
        "document": paper.document,
        "document_name": paper.document_name[:200],
        "document_sha256": seal,
    }


def check_paper(paper: Paper, sure: bool = False) -> None:
    """What can be said of a certificate by itself."""
    if paper.valid_to < paper.valid_from:
        raise Refused("certificate_backwards", "A certificate ends on the day it begins, or later.")
    if paper.issued > timezone.now().date():
        raise Refused("certificate_in_future", "A certificate cannot be issued on a day to come.")
    if not paper.points:
        raise Refused("points_missing", "Type at least one line: indicated; correction; uncertainty.")
    indicated = [point[0] for point in paper.points]
    if any(b <= a for a, b in pairwise(indicated)):
        raise Refused(
            "points_not_rising", "Each indicated temperature must be warmer than the line before it."
        )
    if any(uncertainty < 0 for _, _, uncertainty in paper.points):
        raise Refused("uncertainty_negative", "An uncertainty is nought or more.")
    if any(abs(change) > CORRECTION_LARGE for _, change, _ in paper.points) and not sure:
        raise Refused(
            "correction_large",
            "A correction is above 10 K. Look whether it is the correction and not the true temperature; "
            "if it is so, confirm it.",
        )
    if paper.document is not None:
        _refuse_document(paper.document)


def _refuse_document(document: bytes) -> None:
    if len(document) > DOCUMENT_BYTES:
        raise Refused("document_too_large", f"The document is above {DOCUMENT_BYTES // 1_000_000} MB.")
    if not document.startswith(b"%PDF-"):
        raise Refused("document_no_pdf", "The document is no PDF.")


# --- readings that do not count -------------------------------------------------------------------


@transaction.atomic
def exclude(
    actor: Actor, logger: Logger, from_ms: int, to_ms: int, reason: str, note: str, sure: bool = False
) -> ReadingExclusion:
    """Readings of [from, to) by the logger's clock do not count, once a second person approves.

    Refused: reason_required, exclusion_backwards, exclusion_in_future, exclusion_before_readings,
    exclusion_long (above 31 days and not `sure`).
    """
    logger, why = _locked(logger), stated(note)
    rows = ReadingExclusion.objects.filter(logger=logger, withdrawn=None)
    if same := rows.filter(from_ms=from_ms, to_ms=to_ms, reason=reason).first():
        return same
    if to_ms <= from_ms:
        raise Refused("exclusion_backwards", "It ends after it begins.")
    if to_ms > _now() + SOON_MS:
        raise Refused("exclusion_in_future", "Nothing was read yet in a time to come.")
    first = first_reading(logger)
    if first is None or to_ms <= first:
        raise Refused("exclusion_before_readings", f"{logger.code} had no reading by then.")
    if to_ms - from_ms > EXCLUSION_LONG_MS and not sure:
        raise Refused("exclusion_long", "This leaves out more than 31 days. If it is so, confirm it.")
    made = ReadingExclusion(
        logger=logger, from_ms=from_ms, to_ms=to_ms, reason=reason, note=why, by=actor.person
    )
    return _saved(actor, made, why)


def first_reading(logger: Logger) -> int | None:
    """UTC ms of the first reading; None without any. 2 queries."""
    held = ReadingBlock.objects.filter(logger=logger, current=True).aggregate(at=Min("first_ms"))["at"]
    live = LiveReading.objects.filter(logger=logger).aggregate(at=Min("at_ms"))["at"]
    return min((at for at in (held, live) if at is not None), default=None)


@transaction.atomic
def approve(actor: Actor, exclusion: ReadingExclusion) -> ReadingExclusion:
    """From now on these readings do not count. Refused: approve_own, exclusion_approved, record_withdrawn."""
    row = ReadingExclusion.objects.select_for_update().get(pk=exclusion.pk)
    if row.withdrawn:
        raise Refused("record_withdrawn", "This was withdrawn.")
    if row.approved_by_id == actor.person.pk:
        return row  # the second tap
    if row.approved:
        raise Refused("exclusion_approved", "Somebody else has approved this already.")
    if row.by_id == actor.person.pk:
        raise Refused("approve_own", "Who leaves readings out does not approve it: ask a second person.")
    row.approved, row.approved_by = timezone.now(), actor.person
    with saving(actor.person.user, "Approved", row):
        row.save()
    stale.touched([row.logger_id], *_around(row), "readings were excluded")
    return row


def _around(row: ReadingExclusion) -> tuple[int, int]:
    """What an exclusion changes, in true time: also the lines to and from the excluded stretch."""
    start, end = corrections.of([row.logger_id])[row.logger_id].true_span(row.from_ms, row.to_ms)
    return start - DAY_MS, end + DAY_MS


# --- taking back ----------------------------------------------------------------------------------


@transaction.atomic
def withdraw(actor: Actor, row: W, why: str) -> W:
    """It was said by mistake. It stays, and counts no more. Refused: reason_required, record_withdrawn."""
    reason = stated(why)
    held = type(row).objects.select_for_update().get(pk=row.pk)
    if held.withdrawn:
        raise Refused("record_withdrawn", "This was withdrawn already.")
    held.withdrawn, held.withdrawn_by, held.withdrawn_why = timezone.now(), actor.person, reason
    with saving(actor.person.user, reason, held):
        held.save()
    _touched(held)
    return held


def _touched(row: Withdrawn) -> None:
    if isinstance(row, ClockCheck):
        others = ClockCheck.objects.filter(logger_id=row.logger_id, withdrawn=None)
        stale.touched([row.logger_id], *_neighbours(others, row.shown_ms), "a clock check was withdrawn")
    elif isinstance(row, CalibrationCertificate):
        span = midnight(row.valid_from), midnight(row.valid_to, 1)
        stale.touched([row.logger_id], *span, "a certificate was withdrawn")
    elif isinstance(row, ReadingExclusion):
        stale.touched([row.logger_id], *_around(row), "an exclusion was withdrawn")
    elif isinstance(row, NominalTemperature):
        stale.touched_units([row.unit_id], row.from_ms, row.to_ms, "a set point was withdrawn")


# --- at which temperature a unit is kept ----------------------------------------------------------


@transaction.atomic
def say_nominal(
    actor: Actor, unit: Unit, from_ms: int, to_ms: int | None, centi: int, tolerance: int, basis: str
) -> NominalTemperature:
    """From a moment on (to_ms None: still) the unit is kept at this temperature, hundredths of °C.

    A set point that goes on ends when this one begins and goes on too. Refused: basis_required,
    nominal_backwards, nominal_overlaps, nominal_out_of_range, tolerance_negative.
    """
    Unit.objects.select_for_update().get(pk=unit.pk)
    _refuse_nominal(from_ms, to_ms, centi, tolerance, basis)
    rows = NominalTemperature.objects.filter(unit=unit, withdrawn=None)
    if same := rows.filter(from_ms=from_ms, to_ms=to_ms, nominal_centi=centi).first():
        return same
    still = rows.filter(to_ms=None, from_ms__lt=from_ms).first()
    if still is not None and to_ms is None:
        still.to_ms = from_ms
        with saving(actor.person.user, "Followed by another set point", still):
            still.save()
    later = Q() if to_ms is None else Q(from_ms__lt=to_ms)
    if rows.filter(later & (Q(to_ms=None) | Q(to_ms__gt=from_ms))).exists():
        raise Refused(
            "nominal_overlaps", f"{unit.code} has a set point in that time already. End that one first."
        )
    made = NominalTemperature(
        unit=unit, from_ms=from_ms, to_ms=to_ms, nominal_centi=centi, tolerance_centi=tolerance,
        basis=basis.strip(), by=actor.person,
    )  # fmt: skip
    _saved(actor, made, basis.strip())
    stale.touched_units([unit.pk], from_ms, None, "a set point was said")
    return made


def _refuse_nominal(from_ms: int, to_ms: int | None, centi: int, tolerance: int, basis: str) -> None:
    if not basis.strip():
        raise Refused("basis_required", "Say why this may be supposed.")
    if to_ms is not None and to_ms <= from_ms:
        raise Refused("nominal_backwards", "It ends after it begins.")
    if not COLDEST <= centi <= WARMEST:
        raise Refused("nominal_out_of_range", "A unit is kept between −200 and +60 °C.")
    if not 0 <= tolerance <= 3000:
        raise Refused("tolerance_negative", "A tolerance lies between 0 and 30 K.")


@transaction.atomic
def end_nominal(actor: Actor, row: NominalTemperature, to_ms: int, why: str) -> NominalTemperature:
    """From that moment on it is not kept so. Refused: reason_required, record_withdrawn, nominal_ended,
    nominal_backwards."""
    reason = stated(why)
    held = NominalTemperature.objects.select_for_update().get(pk=row.pk)
    if held.withdrawn:
        raise Refused("record_withdrawn", "This was withdrawn.")
    if held.to_ms == to_ms:
        return held
    if held.to_ms is not None:
        raise Refused("nominal_ended", "This set point has ended already.")
    if to_ms <= held.from_ms:
        raise Refused("nominal_backwards", "It ends after it begins.")
    held.to_ms = to_ms
    with saving(actor.person.user, reason, held):
        held.save()
    stale.touched_units([held.unit_id], to_ms, None, "a set point ended")
    return held
