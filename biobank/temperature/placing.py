"""What people do with loggers: add one, say where it stands, that it was taken out, which of two counts.

Promises: a logger is in one place at a time and a unit has one governing logger at a time; both keep their
history (who, when, why). Said twice alike, it is done once. Kept results of the time that changes are marked
as old.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from biobank.acting import Actor, saving
from biobank.models import Logger, LoggerPlacement, Unit
from biobank.store.actions import stated
from biobank.temperature import stale
from custody.core.refusal import Refused


@transaction.atomic
def add_logger(
    actor: Actor,
    code: str,
    interval_s: int,
    name: str = "",
    serial: str = "",
    reason: str = "New logger",
    make: str = "",
    model: str = "",
    between: str = "linear",
) -> Logger:
    """A new logger of the actor's agency; said twice alike, it is one. Refused `logger_code_taken`."""
    known = Logger.objects.filter(code__iexact=code).first()
    if known and (known.code, known.serial, known.interval_s) == (code, serial, interval_s):
        return known
    if known:
        raise Refused("logger_code_taken", f"There is a logger {code} already.")
    logger = Logger(
        code=code, name=name, serial=serial, agency=actor.person.agency, interval_s=interval_s, make=make,
        model=model, between=between,
    )  # fmt: skip
    with saving(actor.person.user, reason, logger):
        logger.save()
    return logger


EDITABLE = ("name", "serial", "make", "model", "interval_s", "between", "retired")


@transaction.atomic
def edit_logger(actor: Actor, logger: Logger, reason: str, **said: Any) -> Logger:
    """What the instrument is, corrected. A retired logger takes no more files.

    said  any of name, serial, make, model, interval_s, between, retired
    Refused: reason_required, logger_still_placed (retired while it stands in a unit).
    """
    why = stated(reason)
    row = Logger.objects.select_for_update().get(pk=logger.pk)
    changed = {name: said[name] for name in EDITABLE if name in said and said[name] != getattr(row, name)}
    if not changed:
        return row
    still = row.placements.filter(to_ms=None).select_related("unit").first()
    if changed.get("retired") and still:
        raise Refused(
            "logger_still_placed", f"It stands in {still.unit.code}. Say first when it was taken out."
        )
    for name, value in changed.items():
        setattr(row, name, value)
    with saving(actor.person.user, why, row):
        row.save()
    if "between" in changed:
        stale.touched([row.pk], stale_from(row), None, "what is true between two readings was corrected")
    return row


def stale_from(logger: Logger) -> int:
    """UTC ms of the first placement; before it no tube has to do with the logger."""
    first = logger.placements.order_by("from_ms").values_list("from_ms", flat=True).first()
    return 0 if first is None else int(first)


# --- where it stands ------------------------------------------------------------------------------


@transaction.atomic
def place(
    actor: Actor,
    logger: Logger,
    unit: Unit,
    from_ms: int,
    to_ms: int | None = None,
    *,
    probe: str = "",
    medium: str = "unknown",
    governing: bool = True,
    reason: str = "Placed",
) -> LoggerPlacement:
    """The logger stands in the unit (also a box) from a moment on. A still open placement of the logger ends
    then. Said twice alike, it is one placement.

    Refused: `placement_backwards`, `placement_overlaps` (the logger was elsewhere at that time),
    `unit_has_logger` (another logger governs the unit at that time), `logger_retired`.
    """
    held = Logger.objects.select_for_update().get(pk=logger.pk)  # one placing at a time for this logger
    if to_ms is not None and to_ms <= from_ms:
        raise Refused("placement_backwards", "A placement ends after it begins.")
    same = LoggerPlacement.objects.filter(logger=logger, unit=unit, from_ms=from_ms, to_ms=to_ms).first()
    if same:
        return same
    if held.retired and to_ms is None:
        raise Refused("logger_retired", f"{held.code} is retired.")
    still = LoggerPlacement.objects.filter(logger=logger, to_ms=None, from_ms__lt=from_ms).first()
    if still:
        end_placement(actor, still, from_ms, f"Moved to {unit.code}")
    placement = LoggerPlacement(
        logger=logger,
        unit=unit,
        from_ms=from_ms,
        to_ms=to_ms,
        probe=probe,
        medium=medium,
        governing=governing,
    )
    refuse_overlaps(placement)
    _save(actor, placement, reason)
    _changed(placement, from_ms, to_ms, "a logger was placed")
    return placement


def refuse_overlaps(placement: LoggerPlacement) -> None:
    """Refused `placement_overlaps`, `unit_has_logger`."""
    logger, unit = placement.logger, placement.unit
    others = LoggerPlacement.objects.exclude(pk=placement.pk)
    _refuse_overlap(
        others.filter(logger=logger), placement, "placement_overlaps",
        f"{logger.code} stood somewhere else in that time",
    )  # fmt: skip
    if placement.governing:
        _refuse_overlap(
            others.filter(unit=unit, governing=True), placement, "unit_has_logger",
            f"{unit.code} has a governing logger in that time",
        )  # fmt: skip


def _refuse_overlap(
    others: QuerySet[LoggerPlacement], placement: LoggerPlacement, code: str, sentence: str
) -> None:
    later = Q() if placement.to_ms is None else Q(from_ms__lt=placement.to_ms)
    other = others.filter(later & (Q(to_ms=None) | Q(to_ms__gt=placement.from_ms))).select_related(
        "unit", "logger"
    )
    if found := other.first():
        raise Refused(code, f"{sentence}: {found.logger.code} in {found.unit.code}.")


def _save(actor: Actor, placement: LoggerPlacement, reason: str) -> None:
    with saving(actor.person.user, reason, placement):
        placement.save()


def _changed(placement: LoggerPlacement, start: int, end: int | None, why: str) -> None:
    stale.touched_units([placement.unit_id], start, end, why)


@transaction.atomic
def end_placement(actor: Actor, placement: LoggerPlacement, to_ms: int, reason: str) -> None:
    """The logger was taken out. Refused `placement_backwards`, `placement_ended`."""
    if placement.to_ms is not None:
        raise Refused("placement_ended", "This placement has ended already.")
    if to_ms <= placement.from_ms:
        raise Refused("placement_backwards", "A placement ends after it begins.")
    placement.to_ms = to_ms
    _save(actor, placement, reason)
    _changed(placement, to_ms, None, "a logger was taken out")


@transaction.atomic
def correct_placement(
    actor: Actor,
    placement: LoggerPlacement,
    reason: str,
    *,
    from_ms: int,
    to_ms: int | None,
    probe: str,
    medium: str,
    governing: bool,
) -> LoggerPlacement:
    """What was said of a placement was wrong; its history keeps what was said before.

    Refused: reason_required, placement_backwards, placement_overlaps, unit_has_logger.
    """
    why = stated(reason)
    Logger.objects.select_for_update().get(pk=placement.logger_id)
    row = LoggerPlacement.objects.select_related("logger", "unit").get(pk=placement.pk)
    said = {
        "from_ms": from_ms, "to_ms": to_ms, "probe": probe, "medium": medium, "governing": governing
    }  # fmt: skip
    if all(getattr(row, name) == value for name, value in said.items()):
        return row
    if to_ms is not None and to_ms <= from_ms:
        raise Refused("placement_backwards", "A placement ends after it begins.")
    start = min(row.from_ms, from_ms)
    end = None if to_ms is None or row.to_ms is None else max(row.to_ms, to_ms)
    for name, value in said.items():
        setattr(row, name, value)
    refuse_overlaps(row)
    _save(actor, row, why)
    _changed(row, start, end, "a placement was corrected")
    return row


# --- which of two counts --------------------------------------------------------------------------


@dataclass(frozen=True)
class Handed:
    """The placement that governs from now on, and the one that did, if one did."""

    governs: LoggerPlacement
    did: LoggerPlacement | None


@transaction.atomic
def govern(actor: Actor, unit: Unit, logger: Logger, at_ms: int, reason: str) -> Handed:
    """From a moment on another logger in the unit counts; the one before stays there and is shown only.

    Refused: reason_required, logger_not_there, unit_has_logger (a third one governs later).
    """
    why = stated(reason)
    Unit.objects.select_for_update().get(pk=unit.pk)  # one handing over at a time
    there = LoggerPlacement.objects.filter(unit=unit, from_ms__lte=at_ms).filter(
        Q(to_ms=None) | Q(to_ms__gt=at_ms)
    )
    wanted = there.filter(logger=logger).select_related("logger", "unit").first()
    if wanted is None:
        raise Refused("logger_not_there", f"{logger.code} does not stand in {unit.code} at that time.")
    if wanted.governing:
        return Handed(wanted, None)
    did = there.filter(governing=True).select_related("logger", "unit").first()
    if did is not None:
        did = _from_then(actor, did, at_ms, False, why)
    governs = _from_then(actor, wanted, at_ms, True, why)
    _changed(governs, at_ms, None, "another logger governs")
    return Handed(governs, did)


def _from_then(
    actor: Actor, placement: LoggerPlacement, at_ms: int, governing: bool, why: str
) -> LoggerPlacement:
    """The placement as it is from a moment on; the time before stays as it was said."""
    if placement.from_ms == at_ms:
        placement.governing = governing
        refuse_overlaps(placement)
        _save(actor, placement, why)
        return placement
    rest = LoggerPlacement(
        logger=placement.logger, unit=placement.unit, from_ms=at_ms, to_ms=placement.to_ms,
        probe=placement.probe, medium=placement.medium, governing=governing,
    )  # fmt: skip
    placement.to_ms = at_ms
    _save(actor, placement, why)
    refuse_overlaps(rest)
    _save(actor, rest, why)
    return rest
