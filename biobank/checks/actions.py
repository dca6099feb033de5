"""Putting rule sets into the biobank and into force.

Promises: one transaction each; a rule set in force is never edited, another one takes its place; who did
it and why stands in the history of every row.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Any

from django.db import models, transaction

from biobank.acting import saving
from biobank.checks.starter import starter
from biobank.models import Assay, AssayTakes, Rule, RuleSet
from custody.core import rules as core
from custody.core.refusal import Refused


@transaction.atomic
def install_starter(user: Any = None, reason: str = "starting rule set") -> RuleSet:
    """The rule set of the file, in force if none was. Again: the same set, nothing written."""
    said = starter()
    known = RuleSet.objects.filter(code=said.code, version=said.version).first()
    if known:
        return known
    found = RuleSet(code=said.code, version=said.version, note=said.note)
    _save(found, user, reason)
    assays = {one.code: _assay(one, user, reason) for one in said.assays}
    for rule in said.rules:
        _save(_rule(rule, found, assays), user, reason)
    return found if _one_in_force() else _put(found, said.valid_from, user, reason)


@transaction.atomic
def put_in_force(rule_set: RuleSet, valid_from: date, user: Any, reason: str) -> RuleSet:
    """This rule set takes the place of the one in force. Refused: reason_required, rule_set_is_empty."""
    if not reason.strip():
        raise Refused("reason_required", "Say why the rules change.")
    if not rule_set.rules.exists():
        raise Refused("rule_set_is_empty", "A rule set without rules cannot come into force.")
    before = (
        RuleSet.objects.select_for_update().filter(status=RuleSet.Status.IN_FORCE).exclude(pk=rule_set.pk)
    )
    for old in before:
        old.status = RuleSet.Status.RETIRED
        _save(old, user, reason)
    return _put(rule_set, valid_from, user, reason)


def _put(rule_set: RuleSet, valid_from: date, user: Any, reason: str) -> RuleSet:
    rule_set.status, rule_set.valid_from = RuleSet.Status.IN_FORCE, valid_from
    _save(rule_set, user, reason)
    return rule_set


def _one_in_force() -> bool:
    return RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).exists()


def _assay(said: core.Assay, user: Any, reason: str) -> Assay:
    """The assay with this code as the biobank has it; made, with what it takes, when it has none."""
    known = Assay.objects.filter(code=said.code).first()
    if known:
        return known
    assay = Assay(code=said.code, name=said.name)
    _save(assay, user, reason)
    for matrix, additive in sorted(said.takes):
        _save(AssayTakes(assay=assay, matrix=matrix, additive=additive), user, reason)
    return assay


def _rule(said: core.Rule, rule_set: RuleSet, assays: dict[str, Assay]) -> Rule:
    fields = asdict(said) | {"assay": assays.get(said.assay)}
    return Rule(rule_set=rule_set, **fields)


def _save(row: models.Model, user: Any, reason: str) -> None:
    row.full_clean(validate_constraints=False)  # the database checks those itself
    with saving(user, reason, row):
        row.save()
