"""Permits and agreements: written down, changed, and the paper itself kept beside them.

Promises: one transaction each, with who and why in the history, people and recipients among it; the same form
again changes nothing; a file is kept byte for byte and never removed, and what it is follows from how it
begins.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

from django.conf import settings
from django.db import transaction

from biobank.acting import Actor, saving
from biobank.checks.ruling import because
from biobank.models import Permit, PermitFile, Programme
from biobank.permits.matching import SENT
from biobank.sheets.photos import kind_of, named
from custody.core.refusal import Refused

FIELDS = ("sort", "number", "allows", "agency", "issued_by", "species", "parts", "quantity", "counted",
          "valid_from", "valid_until", "conditions", "note")  # fmt: skip
LISTS = ("people", "recipients")
MOST_FILES = 20  # of one paper


@transaction.atomic
def save_permit(
    programme: Programme, permit: Permit | None, said: dict[str, Any], user: Any, reason: str
) -> Permit:
    """A new paper, or this one as it should be.

    Refused: reason_required, permit_taken, quantity_needs_unit, recipients_only_of_sending,
    not_of_the_programme.
    """
    why = because(reason)
    _check(programme, said)
    mine = Permit.objects.select_for_update().filter(programme=programme)
    key = {name: said[name] for name in ("number", "allows", "agency")}
    other = mine.filter(**key).exclude(pk=permit.pk if permit else None).first()
    if other is not None:
        if permit is None and _says(other, said):
            return other  # the same form again
        raise Refused("permit_taken", f"Permit {said['number']} of this agency is there already.")
    found = permit or Permit(programme=programme)
    if not (found.pk and _says(found, said)):
        _put(found, said, user, why)
    return found


def _check(programme: Programme, said: dict[str, Any]) -> None:
    if (said["quantity"] is None) != (not said["counted"]):
        raise Refused("quantity_needs_unit", "A quantity says of what: animals, tubes or µL. Fill in both.")
    if said["recipients"] and said["allows"] not in SENT and said["sort"] == "permit":
        raise Refused(
            "recipients_only_of_sending", "Recipients stand on permits to send or to export, not on this one."
        )
    if any(one.programme_id != programme.pk for one in said["people"]):
        raise Refused("not_of_the_programme", "One of these people is not of this programme.")


def _says(permit: Permit, said: dict[str, Any]) -> bool:
    lists = {name: {one.pk for one in getattr(permit, name).all()} for name in LISTS}
    same = all(getattr(permit, name) == said[name] for name in FIELDS)
    return same and all(lists[name] == {one.pk for one in said[name]} for name in LISTS)


def _put(permit: Permit, said: dict[str, Any], user: Any, why: str) -> None:
    for name in FIELDS:
        setattr(permit, name, said[name])
    permit.clean_fields(exclude={"programme", "agency"})
    with saving(user, why, permit):
        permit.save()
        for name in LISTS:
            getattr(permit, name).set(said[name])


def add_files(actor: Actor, permit: Permit, files: Iterable[tuple[str, bytes]]) -> list[PermitFile]:
    """Keep these files (name, bytes) with the paper: all of them or none. One that is there stays as it is.

    Refused: file_missing, photo_empty, photo_kind_unknown, file_too_large, too_many_files.
    """
    made = [_file(actor, permit, name, content) for name, content in files]
    if not made:
        raise Refused("file_missing", "Choose a file.")
    with transaction.atomic():
        Permit.objects.select_for_update().get(pk=permit.pk)  # one after the other counts the files
        there = {one.sha256: one for one in permit.files.defer("content")}
        new = {one.sha256: one for one in made if one.sha256 not in there}
        if len(there) + len(new) > MOST_FILES:
            raise Refused("too_many_files", f"With one paper {MOST_FILES} files are kept, not more.")
        for one in new.values():
            one.save(force_insert=True)
    return [there.get(one.sha256) or new[one.sha256] for one in made]


def _file(actor: Actor, permit: Permit, name: str, content: bytes) -> PermitFile:
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    kind = kind_of(content)
    if len(content) > most:
        raise Refused("file_too_large", f"A file may have {most / 1e6:g} MB here, not more.")
    return PermitFile(
        permit=permit, name=named(name), kind=kind, size=len(content),
        sha256=hashlib.sha256(content).hexdigest(), content=content, by=actor.person,
    )  # fmt: skip
