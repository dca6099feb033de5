"""What people do with loggers: add one, place it, end a placement, look at a file, store its readings.

Promises: readings are only ever added; a file is stored whole or not at all; the same file, or the same
form, twice stores nothing new and says so. Loggers and placements keep their history (who, when, why).
"""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass

import numpy as np
from django.db import transaction
from django.db.models import Q

from biobank.acting import Actor, saving
from biobank.models import Unit
from biobank.models.loggers import (
    Logger,
    LoggerDraft,
    LoggerImport,
    LoggerMapping,
    LoggerPlacement,
    ReadingDay,
)
from biobank.temperature import blocks, parse
from biobank.temperature.parse import Mapping, Parsed, Problem
from custody.core.refusal import Refused
from custody.core.thermal import GAP_FACTOR


@dataclass(frozen=True)
class Look:
    """A parsed file beside what is stored already. `new` are places in parsed.times; `already` a count."""

    parsed: Parsed
    new: list[int]
    already: int
    problems: list[Problem]
    gap_ms: int

    @property
    def gaps(self) -> int:
        """Silences longer than the gap limit."""
        return int(np.sum(np.diff(np.asarray(self.parsed.times, np.int64)) > self.gap_ms))


@dataclass(frozen=True)
class Stored:
    """What storing a file did: the import, or None when every reading was there already."""

    source: LoggerImport | None
    new: int
    already: int


# --- loggers and placements ---------------------------------------------------------------------


@transaction.atomic
def add_logger(
    actor: Actor, code: str, interval_s: int, name: str = "", serial: str = "", reason: str = "New logger"
) -> Logger:
    """A new logger of the actor's agency; said twice alike, it is one. Refused `logger_code_taken`."""
    known = Logger.objects.filter(code__iexact=code).first()
    if known and (known.code, known.serial, known.interval_s) == (code, serial, interval_s):
        return known
    if known:
        raise Refused("logger_code_taken", f"There is a logger {code} already.")
    logger = Logger(code=code, name=name, serial=serial, agency=actor.person.agency, interval_s=interval_s)
    with saving(actor.person.user, reason, logger):
        logger.save()
    return logger


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
    """The logger stands in the unit from a moment on. A still open placement of the logger ends then.
    Said twice alike, it is one placement.

    Refused: `placement_backwards`, `placement_overlaps` (the logger was elsewhere at that time),
    `unit_has_logger` (another logger governs the unit at that time).
    """
    Logger.objects.select_for_update().get(pk=logger.pk)  # one placing at a time for this logger
    if to_ms is not None and to_ms <= from_ms:
        raise Refused("placement_backwards", "A placement ends after it begins.")
    same = LoggerPlacement.objects.filter(logger=logger, unit=unit, from_ms=from_ms, to_ms=to_ms).first()
    if same:
        return same
    still = LoggerPlacement.objects.filter(logger=logger, to_ms=None, from_ms__lt=from_ms).first()
    if still:
        end_placement(actor, still, from_ms, f"Moved to {unit.code}")
    _refuse_overlap(LoggerPlacement.objects.filter(logger=logger), from_ms, to_ms, "placement_overlaps",
                    f"{logger.code} stood somewhere else in that time.")  # fmt: skip
    if governing:
        _refuse_overlap(LoggerPlacement.objects.filter(unit=unit, governing=True), from_ms, to_ms,
                        "unit_has_logger", f"{unit.code} has a governing logger in that time.")  # fmt: skip
    placement = LoggerPlacement(
        logger=logger,
        unit=unit,
        from_ms=from_ms,
        to_ms=to_ms,
        probe=probe,
        medium=medium,
        governing=governing,
    )
    with saving(actor.person.user, reason, placement):
        placement.save()
    return placement


def _refuse_overlap(placements, from_ms: int, to_ms: int | None, code: str, sentence: str) -> None:
    later = Q() if to_ms is None else Q(from_ms__lt=to_ms)
    if placements.filter(later & (Q(to_ms=None) | Q(to_ms__gt=from_ms))).exists():
        raise Refused(code, sentence)


@transaction.atomic
def end_placement(actor: Actor, placement: LoggerPlacement, to_ms: int, reason: str) -> None:
    """The logger was taken out. Refused `placement_backwards`, `placement_ended`."""
    if placement.to_ms is not None:
        raise Refused("placement_ended", "This placement has ended already.")
    if to_ms <= placement.from_ms:
        raise Refused("placement_backwards", "A placement ends after it begins.")
    placement.to_ms = to_ms
    with saving(actor.person.user, reason, placement):
        placement.save()


# --- files --------------------------------------------------------------------------------------


@transaction.atomic
def save_mapping(actor: Actor, name: str, mapping: Mapping, reason: str = "Used for a file") -> LoggerMapping:
    """Keep a mapping under a name; the same name again replaces it (its history keeps the old one)."""
    parse.zone_of(mapping.zone)
    saved = LoggerMapping.objects.filter(name=name).first() or LoggerMapping(name=name)
    if saved.pk is None or saved.spec != mapping.spec():
        saved.spec = mapping.spec()
        with saving(actor.person.user, reason, saved):
            saved.save()
    return saved


@transaction.atomic
def draft(
    actor: Actor,
    logger: Logger,
    mapping: Mapping,
    file_name: str,
    content: bytes,
    mapping_name: str = "",
    save_as: str = "",
) -> LoggerDraft:
    """Keep an uploaded file to look at, and its mapping under the name `save_as` if there is one.

    Refused `file_kind`, `zone_unknown`. This person's earlier drafts for the logger are thrown away.
    """
    parse.parse(content, mapping)
    if save_as:
        save_mapping(actor, save_as, mapping)
    LoggerDraft.objects.filter(person=actor.person, logger=logger).delete()
    return LoggerDraft.objects.create(
        person=actor.person, logger=logger, mapping_name=mapping_name, mapping_spec=mapping.spec(),
        file_name=file_name[:200], sha256=hashlib.sha256(content).hexdigest(), content=content,
    )  # fmt: skip


def look(logger: Logger, content: bytes, mapping: Mapping) -> Look:
    """Read a file and compare it with what is stored. 1 query. Writes nothing."""
    parsed = parse.parse(content, mapping)
    interval = parsed.interval_ms or logger.interval_s * 1000
    new, already, conflicts = _compare(logger, parsed)
    return Look(parsed, new, already, [*parsed.problems, *conflicts], GAP_FACTOR * interval)


def _compare(logger: Logger, parsed: Parsed) -> tuple[list[int], int, list[Problem]]:
    """Places of readings not stored yet, how many are, and those stored with another value."""
    if not parsed.times:
        return [], 0, []
    stored = blocks.load(logger.pk, parsed.times[0], parsed.times[-1])
    if stored.broken:
        raise Refused("reading_seal_broken", f"Stored readings of {logger.code} no longer match their seal.")
    times, centi = np.asarray(parsed.times, np.int64), np.asarray(parsed.centi, np.int64)
    if not len(stored.times):
        return list(range(len(times))), 0, []
    place = np.minimum(np.searchsorted(stored.times, times), len(stored.times) - 1)
    there = stored.times[place] == times
    differs = np.flatnonzero(there & (stored.centi[place] != centi))
    conflicts = [_conflict(parsed, int(k), int(stored.centi[place[k]])) for k in differs]
    return [int(k) for k in np.flatnonzero(~there)], int(there.sum()), conflicts


def _conflict(parsed: Parsed, k: int, stored: int) -> Problem:
    here = parsed.centi[k] / 100
    sentence = f"This reading says {here:.2f} °C; {stored / 100:.2f} °C is stored for the same moment."
    return Problem(parsed.lines[k], "reading_conflict", sentence)


@transaction.atomic
def store(actor: Actor, held: LoggerDraft, key: str) -> Stored:
    """Store the readings of a draft that are not stored yet, all or none, and throw the draft away.

    The same key again, or a file whose readings are all there, writes nothing. Refused `rows_refused`,
    `reading_seal_broken`.
    """
    logger = Logger.objects.select_for_update().get(pk=held.logger_id)  # one file after the other
    if known := LoggerImport.objects.filter(key=key).first():
        return Stored(known, known.stored, known.already)
    mapping = Mapping.of(held.mapping_spec)
    found = look(logger, bytes(held.content), mapping)
    if found.problems:
        raise Refused("rows_refused", f"{len(found.problems)} rows cannot be taken. Nothing was stored.")
    source = _store(actor, logger, held, found, key) if found.new else None
    held.delete()
    return Stored(source, len(found.new), found.already)


def _store(actor: Actor, logger: Logger, held: LoggerDraft, found: Look, key: str) -> LoggerImport:
    parsed = found.parsed
    source = LoggerImport.objects.create(
        key=key, logger=logger, person=actor.person, file_name=held.file_name, sha256=held.sha256,
        content=zlib.compress(bytes(held.content)), mapping_name=held.mapping_name,
        mapping_spec=held.mapping_spec, rows=parsed.rows, stored=len(found.new), already=found.already,
        repeated=parsed.repeated, missing=parsed.missing, first_ms=parsed.times[0], last_ms=parsed.times[-1],
    )  # fmt: skip
    times, centi = np.asarray(parsed.times, np.int64), np.asarray(parsed.centi, np.int64)
    add_readings(logger, source, times[found.new], centi[found.new], found.gap_ms)
    return source


def add_readings(
    logger: Logger, source: LoggerImport, times: blocks.Ints, centi: blocks.Ints, gap_ms: int
) -> int:
    """Seal readings (UTC ms, rising, none stored before; hundredths of °C) into blocks. Returns how many."""
    made = list(blocks.pack(logger, source, times, centi, gap_ms))
    ReadingDay.objects.bulk_create(made, batch_size=200)
    return sum(block.n for block in made)
