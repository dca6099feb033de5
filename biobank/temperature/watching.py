"""A folder into which loggers' files are put: each is taken as the last file of its logger was, or is held.

In the folder stands one folder for each logger, named after its code. A file that stands beside them is
known by the serial number in it, when a saved profile finds one that belongs to one logger alone.

Promises: files are read and left as they are; the same file is taken once; what cannot be taken is held
with its reason and nothing of it is lost; one bad file does not stop the others.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from django.conf import settings
from django.db import transaction

from biobank.acting import Actor
from biobank.models import Logger, LoggerDraft, LoggerImport, LoggerMapping
from biobank.temperature import filing, parse
from biobank.temperature.parse import Mapping
from biobank.temperature.profile import normal_serial
from custody.core.event import new_id
from custody.core.refusal import Refused

QUIET_S = 10.0  # a file that changed within so many seconds may still be written
KINDS = {".csv", ".txt", ".tsv", ".dat", ".xlsx", ".zip", ".gz"}
NO_PROFILE = Refused("profile_not_known", "No file of this logger was taken yet: read this one by hand once.")
NO_LOGGER = Refused("logger_not_known", "Say which logger this file is from.")


@dataclass(frozen=True)
class Came:
    """What became of one file. code: why it is held; empty: it was taken."""

    path: Path
    logger: str
    new: int = 0
    already: int = 0
    conflicts: int = 0
    code: str = ""
    sentence: str = ""


@dataclass
class Watch:
    """One folder, watched for somebody. now: seconds since 1970, as files have them."""

    folder: Path
    actor: Actor
    now: Callable[[], float]
    progress: filing.Progress | None = None
    seen: set[tuple[Path, int, int]] = field(default_factory=set)  # path, size, time: looked at in this run

    def look(self) -> Iterator[Came]:
        """Everything that is new since the last look."""
        for path in sorted(self.folder.rglob("*")):
            came = self._looked_at(path)
            if came:
                yield came

    def _looked_at(self, path: Path) -> Came | None:
        """One file. One that cannot be read now is named, and looked at again the next time."""
        try:
            return self._take(path) if self._ready(path) else None
        except FileNotFoundError:
            return None  # it was taken away meanwhile
        except OSError as why:
            self.seen = {one for one in self.seen if one[0] != path}
            return Came(path, "", code="file_unreadable", sentence=f"It cannot be read: {why.strerror}.")

    def _ready(self, path: Path) -> bool:
        if path.suffix.lower() not in KINDS or path.name.startswith((".", "~")) or not path.is_file():
            return False
        if not path.resolve().is_relative_to(self.folder.resolve()):
            return False  # a link that leads out: only what was put here is taken
        about = path.stat()
        mark = (path, about.st_size, about.st_mtime_ns)
        if mark in self.seen or not about.st_size or self.now() - about.st_mtime < QUIET_S:
            return False
        self.seen.add(mark)
        return True

    def _take(self, path: Path) -> Came | None:
        if path.stat().st_size > settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
            return Came(path, "", code="file_too_large", sentence="This file is larger than a form may be.")
        content = path.read_bytes()
        logger, mapping, name = self._known(path, content)
        if _there(logger, hashlib.sha256(content).hexdigest()):
            return None
        return self._store(path, content, logger, mapping, name)

    def _known(self, path: Path, content: bytes) -> tuple[Logger | None, Mapping | None, str]:
        """Whose file, and how the last one was read."""
        inside = [text_of(part) for part in path.relative_to(self.folder).parts]
        logger = Logger.objects.filter(code=inside[0]).first() if len(inside) > 1 else None
        if logger:
            last = LoggerImport.objects.filter(logger=logger).defer("content").first()
            return (
                (logger, Mapping.of(last.mapping_spec).general(), last.mapping_name)
                if last
                else (logger, None, "")
            )
        return _by_serial(content)

    def _store(
        self, path: Path, content: bytes, logger: Logger | None, mapping: Mapping | None, name: str
    ) -> Came:
        code = logger.code if logger else ""
        try:
            if logger is None or mapping is None:
                raise NO_PROFILE if logger else NO_LOGGER
            with transaction.atomic():
                held = filing.hold(
                    self.actor, logger, mapping, text_of(path.name), content, mapping_name=name, via="folder"
                )
                done = filing.store(self.actor, held, new_id(), self.progress)
        except Refused as no:
            filing.hold(
                self.actor, logger, mapping or Mapping(), text_of(path.name), content, mapping_name=name,
                via="folder", wrong=no,
            )  # fmt: skip
            return Came(path, code, code=no.code, sentence=no.sentence)
        return Came(path, code, done.new, done.already, done.conflicts)


def text_of(name: str) -> str:
    """A file's name as text, also one whose bytes are none."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _there(logger: Logger | None, sha: str) -> bool:
    """Whether this file of this logger was taken, or is held; of a file of which nobody knows the logger:
    whether it was ever (somebody may have said whose it is)."""
    same = {"sha256": sha} | ({"logger": logger} if logger else {})
    return LoggerDraft.objects.filter(**same).exists() or LoggerImport.objects.filter(**same).exists()


def _by_serial(content: bytes) -> tuple[Logger | None, Mapping | None, str]:
    """The one logger whose serial number a saved profile finds in the file; nobody when there are several."""
    found: dict[int, tuple[Logger, Mapping, str]] = {}
    loggers = {
        normal_serial(one.serial): one for one in Logger.objects.exclude(serial="").filter(retired=False)
    }
    for saved in LoggerMapping.objects.all():
        mapping = Mapping.of(saved.spec)
        if not (mapping.serial_words or mapping.serial_column):
            continue
        try:
            parsed = parse.parse(content, mapping)
        except Refused:
            continue
        logger = loggers.get(normal_serial(parsed.serial)) if parsed.serial and not parsed.problems else None
        if logger:
            found.setdefault(logger.pk, (logger, mapping, saved.name))
    return next(iter(found.values())) if len(found) == 1 else (None, None, "")
