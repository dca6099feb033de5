"""Assays and their families: added, changed, retired.

Promises: one transaction each, with who and why; a family stands in no family; an assay that is no longer run
is retired and stays, because rules and verdicts name it.
"""

from __future__ import annotations

from typing import Any

from django.db import transaction

from biobank.acting import saving
from biobank.checks.actions import save
from biobank.checks.ruling import because
from biobank.models import Assay, AssayTakes
from custody.core.refusal import Refused


@transaction.atomic
def add_assay(said: dict[str, Any], user: Any, reason: str) -> Assay:
    """A new assay. Refused: reason_required, assay_code_taken, family_in_family, assay_takes_nothing."""
    why = because(reason)
    there = Assay.objects.select_for_update().filter(code=said["code"]).first()
    if there is not None:
        if _says(there, said):
            return there  # the same form again
        raise Refused("assay_code_taken", f"There is an assay {said['code']} already.")
    assay = Assay(code=said["code"])
    _put(assay, said, user, why)
    return assay


@transaction.atomic
def change_assay(assay: Assay, said: dict[str, Any], user: Any, reason: str) -> None:
    """Refused: reason_required, family_in_family."""
    why = because(reason)
    if not _says(assay, said):
        _put(assay, said, user, why)


def _says(assay: Assay, said: dict[str, Any]) -> bool:
    takes = {(one.matrix, one.additive) for one in assay.takes.all()}
    same = all(getattr(assay, name) == said[name] for name in ("name", "family", "min_ul", "note"))
    return same and takes == set(said["takes"])


def _put(assay: Assay, said: dict[str, Any], user: Any, why: str) -> None:
    family = said["family"]
    if family and (family.family_id or (assay.pk and assay.members.exists())):
        raise Refused("family_in_family", "A family stands in no other family.")
    for name in ("name", "family", "min_ul", "note"):
        setattr(assay, name, said[name])
    save(assay, user, why)
    there = {(one.matrix, one.additive): one for one in assay.takes.all()}
    for pair in set(there) - set(said["takes"]):
        with saving(user, why, there[pair]):
            there[pair].delete()
    for matrix, additive in said["takes"]:
        if (matrix, additive) not in there:
            save(AssayTakes(assay=assay, matrix=matrix, additive=additive), user, why)


@transaction.atomic
def retire_assay(assay: Assay, retired: bool, user: Any, reason: str) -> None:
    """No longer run, or again; a family only when no member is run.

    Refused: reason_required, family_has_members.
    """
    why = because(reason)
    if retired and assay.members.filter(retired=False).exists():
        raise Refused("family_has_members", "Assays of this family are still run. Retire those first.")
    if assay.retired != retired:
        assay.retired = retired
        save(assay, user, why)
