"""What people do with a logger's file: look at it, store its readings, settle where it differs.

Promises: readings are only ever added; a file is stored whole or not at all; the same file, or the same
form, twice stores nothing new and says so. A value that differs from the stored one never takes its place: it
is a conflict for a person, and until then that moment is no data.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from django.conf import settings
from django.db import transaction

from biobank.acting import Actor, saving
from biobank.models import Logger, LoggerDraft, LoggerImport, LoggerMapping
from biobank.temperature import blocks, parse, plausible, sealing, stale
from biobank.temperature.parse import Mapping, Parsed, Problem
from custody.core.refusal import Refused
from custody.core.thermal import GAP_FACTOR

NOT_NEEDED = "not_needed"
Progress = Callable[[int, int], None]  # how many of how many lines


@dataclass(frozen=True)
class Look:
    """A parsed file beside what is stored already. new, already, conflicts: of its readings."""

    parsed: Parsed
    gap_ms: int
    new: int
    already: int
    conflicts: tuple[sealing.Conflict, ...]
    days: tuple[sealing.Day, ...]

    @property
    def problems(self) -> list[Problem]:
        """What keeps the file from being taken."""
        return self.parsed.problems

    @property
    def gaps(self) -> int:
        """Silences longer than the gap limit."""
        return int(np.sum(np.diff(np.asarray(self.parsed.times, np.int64)) > self.gap_ms))


@dataclass(frozen=True)
class Stored:
    """What storing a file did: the import, or None when everything was there already."""

    source: LoggerImport | None
    new: int
    already: int
    conflicts: int = 0


@transaction.atomic
def save_mapping(actor: Actor, name: str, mapping: Mapping, reason: str = "Used for a file") -> LoggerMapping:
    """Keep a mapping under a name, without what was said of one file only; the same name again makes its next
    version (its history keeps the old one)."""
    saved = LoggerMapping.objects.filter(name=name).first() or LoggerMapping(name=name)
    before = Mapping.of(saved.spec) if saved.pk else None
    if before is None or not before.same_as(mapping):
        version = before.version + 1 if before else 1
        saved.spec = replace(mapping.general(), version=version).spec()
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

    A file of another logger is set aside: it waits among the held files until somebody says whose it is.
    Refused `file_kind`, `zone_unknown`. This person's earlier drafts for the logger are thrown away.
    """
    parsed = _parsed(content, mapping, logger)
    if save_as:
        save_mapping(actor, save_as, mapping)
    LoggerDraft.objects.filter(person=actor.person, logger=logger, via="page", aside_code="").delete()
    wrong = _wrong_serial(parsed)
    return hold(actor, logger, mapping, file_name, content, mapping_name=mapping_name, wrong=wrong)


def _wrong_serial(parsed: Parsed) -> Problem | None:
    return next((one for one in parsed.problems if one.code == "serial_differs"), None)


def hold(
    actor: Actor,
    logger: Logger | None,
    mapping: Mapping,
    file_name: str,
    content: bytes,
    *,
    mapping_name: str = "",
    via: str = "page",
    wrong: Problem | Refused | None = None,
) -> LoggerDraft:
    """Keep a file as it came. wrong: why it cannot be taken now."""
    return LoggerDraft.objects.create(
        person=actor.person, logger=logger, mapping_name=mapping_name, mapping_spec=mapping.spec(),
        file_name=file_name[:200], sha256=hashlib.sha256(content).hexdigest(), content=content, via=via,
        aside_code=wrong.code if wrong else "", aside=wrong.sentence if wrong else "",
    )  # fmt: skip


@transaction.atomic
def claim(
    actor: Actor, held: LoggerDraft, logger: Logger, mapping: Mapping, mapping_name: str
) -> LoggerDraft:
    """A held file is this logger's and is read so: it becomes a draft of this person to look at. With another
    serial number than the logger's it stays held."""
    wrong = _wrong_serial(_parsed(bytes(held.content), mapping, logger))
    held.person, held.logger = actor.person, logger
    held.aside_code, held.aside = (wrong.code, wrong.sentence) if wrong else ("", "")
    held.mapping_spec, held.mapping_name = mapping.spec(), mapping_name
    held.save()
    return held


@transaction.atomic
def give_up(actor: Actor, held: LoggerDraft, reason: str) -> None:
    """A held file is not needed. It stays, with who said so and why. Refused `reason_required`."""
    if not reason.strip():
        raise Refused("reason_required", "Say why this file is not needed.")
    held.aside_code, held.aside = NOT_NEEDED, f"{reason.strip()} ({actor.code})"
    held.save()


def look(logger: Logger, content: bytes, mapping: Mapping, progress: Progress | None = None) -> Look:
    """Read a file and compare it with what is stored. 1 query. Writes nothing.

    progress(done, total)  lines, now and then. Refused `reading_seal_broken`, and what `parse` refuses.
    """
    parsed = _parsed(content, mapping, logger, progress)
    gap = GAP_FACTOR * plausible.interval_of(parsed, logger.interval_ms)
    days = sealing.days(logger, blocks.of(parsed.times, parsed.centi, gap))
    differs = [one for day in days for one in day.conflicts(parsed.lines)]
    new = sum(day.merged.new for day in days)
    return Look(parsed, gap, new, len(parsed.times) - new - len(differs), tuple(differs), tuple(days))


def _parsed(
    content: bytes, mapping: Mapping, logger: Logger | None, progress: Progress | None = None
) -> Parsed:
    serial = logger.serial if logger else ""
    most = settings.LOGGER_FILE_MAX_ROWS
    return parse.parse(content, mapping, serial=serial, progress=progress, most_rows=most)


@transaction.atomic
def store(actor: Actor, held: LoggerDraft, key: str, progress: Progress | None = None) -> Stored:
    """Store the readings of a draft that are not stored yet, all or none, and throw the draft away. A reading
    with another value than the stored one becomes a conflict, once however often it is said.

    The same key again, or a file of which everything is there, writes nothing. Refused `rows_refused`,
    `reading_seal_broken`, `logger_not_known`.
    """
    if held.logger_id is None:
        raise Refused("logger_not_known", "Say first which logger this file is from.")
    logger = Logger.objects.select_for_update().get(pk=held.logger_id)  # one file after the other
    if known := LoggerImport.objects.filter(key=key).first():
        return Stored(known, known.stored, known.already, known.conflicts)
    found = look(logger, bytes(held.content), Mapping.of(held.mapping_spec), progress)
    if found.problems:
        raise Refused("rows_refused", f"{len(found.problems)} rows cannot be taken. Nothing was stored.")
    source = _store(actor, logger, held, found, key)
    held.delete()
    return Stored(source, found.new, found.already, len(found.conflicts))


def _store(actor: Actor, logger: Logger, held: LoggerDraft, found: Look, key: str) -> LoggerImport | None:
    fresh = sealing.unsaid(logger, found.conflicts)
    changed = [day for day in found.days if day.changes]
    if not changed and not fresh:
        return None
    source = _import(actor, logger, held, found, key)
    sealing.write(logger, changed, source)
    sealing.keep(logger, fresh, source)
    stale.touched([logger.pk], source.first_ms, source.last_ms, "readings were added")
    return source


def _import(actor: Actor, logger: Logger, held: LoggerDraft, found: Look, key: str) -> LoggerImport:
    parsed = found.parsed
    return LoggerImport.objects.create(
        key=key, logger=logger, person=actor.person, file_name=held.file_name, sha256=held.sha256,
        content=zlib.compress(bytes(held.content)), mapping_name=held.mapping_name,
        mapping_spec=held.mapping_spec, via=held.via, rows=parsed.rows, stored=found.new,
        already=found.already, repeated=parsed.repeated, missing=parsed.missing,
        conflicts=len(found.conflicts), interval_ms=parsed.interval_ms, gap_ms=found.gap_ms,
        first_ms=parsed.times[0], last_ms=parsed.times[-1],
    )  # fmt: skip
