"""Photos of filled-in sheets: taken in exactly as they come, and given back exactly so.

Promises: the bytes are never read as a picture, changed or made anew; what a file is follows from how it
begins, never from its name or from what the browser says; a photo that is there already is the same photo.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from django.conf import settings
from django.db import transaction

from biobank.acting import Actor
from biobank.models import SheetPhoto, TubeSet
from custody.core.canon import nfc
from custody.core.refusal import Refused

MOST_PHOTOS = 30  # of one set
Kind = SheetPhoto.Kind
ENDINGS = {Kind.JPEG: "jpg", Kind.PNG: "png", Kind.WEBP: "webp", Kind.PDF: "pdf"}
# How files begin: JPEG, ISO/IEC 10918-1 (start of image, then a marker); PNG, ISO/IEC 15948 section 5.2;
# WebP, RFC 9649 section 2.4; PDF, ISO 32000-1 section 7.5.2
BEGINNINGS = {Kind.JPEG: b"\xff\xd8\xff", Kind.PNG: b"\x89PNG\r\n\x1a\n", Kind.PDF: b"%PDF-"}


def kind_of(content: bytes) -> Kind:
    """What a file is. Refused: photo_empty, photo_kind_unknown."""
    if not content:
        raise Refused("photo_empty", "This file is empty. Take the photo again.")
    for kind, beginning in BEGINNINGS.items():
        if content.startswith(beginning):
            return kind
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return Kind.WEBP
    raise Refused("photo_kind_unknown", "This is no photo of a kind that is kept: JPEG, PNG, WebP or PDF.")


def keep(actor: Actor, tube_set: TubeSet, files: Iterable[tuple[str, bytes]]) -> list[SheetPhoto]:
    """Keep these files (name, bytes) as photos of the sheet of a set: all of them or none.

    Refused: as `kind_of`, photo_too_large, too_many_photos.
    """
    made = [_photo(actor, tube_set, name, content) for name, content in files]
    with transaction.atomic():
        there = {one.sha256: one for one in tube_set.photos.defer("content")}
        new = {one.sha256: one for one in made if one.sha256 not in there}
        if len(there) + len(new) > MOST_PHOTOS:
            raise Refused("too_many_photos", f"Of one set {MOST_PHOTOS} photos are kept, not more.")
        for one in new.values():
            one.save(force_insert=True)
    return [there.get(one.sha256) or new[one.sha256] for one in made]


def _photo(actor: Actor, tube_set: TubeSet, name: str, content: bytes) -> SheetPhoto:
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    if len(content) > most:
        raise Refused("photo_too_large", f"A photo may have {most / 1e6:g} MB here, not more.")
    return SheetPhoto(
        tube_set=tube_set, name=named(name), kind=kind_of(content), size=len(content),
        sha256=hashlib.sha256(content).hexdigest(), content=content, by=actor.person,
    )  # fmt: skip


def named(name: str) -> str:
    """The file's own name, for people to read; it is never used as one."""
    plain = nfc(name.replace("\\", "/").rpartition("/")[2])
    return "".join(one for one in plain if one.isprintable()).strip()[:200] or "photo"


def file_name(photo: SheetPhoto) -> str:
    return f"sheet-{photo.tube_set.code}-{photo.short}.{ENDINGS[Kind(photo.kind)]}"
