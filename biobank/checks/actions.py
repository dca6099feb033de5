"""Putting rule sets into the biobank and into force.

Promises: one transaction each; a rule set in force is never edited, another one takes its place, and no two
were in force at one time; who did it and why stands in the history of every row.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import models, transaction
from django.db.models import Q

from biobank.acting import saving
from biobank.checks.rule_values import stored
from biobank.checks.starter import Row, starter
from biobank.models import Assay, AssayTakes, Rule, RuleSet
from custody.core import rules as core
from custody.core.refusal import Refused

DRAFT, IN_FORCE, RETIRED = RuleSet.Status.DRAFT, RuleSet.Status.IN_FORCE, RuleSet.Status.RETIRED


@transaction.atomic
def install_starter(user: Any = None, reason: str = "starting rule set") -> RuleSet:
    """The rule set that comes with the project: in force if none was, else a draft beside the one in force.

    Again: the same set, nothing written. Assays that are there keep their name, family and least volume.
    """
    said = starter()
    known = RuleSet.objects.filter(code=said.code, version=said.version).first()
    if known:
        return known
    found = RuleSet(code=said.code, version=said.version, note=said.note)
    save(found, user, reason)
    assays: dict[str, Assay] = {}
    for one in said.assays:  # families come before their members
        assays[one.code] = _assay(one, assays, user, reason)
    for row in said.rows:
        save(rule_of(row, found, assays), user, reason)
    return found if _one_in_force() else _put(found, said.valid_from, user, reason)


@transaction.atomic
def put_in_force(rule_set: RuleSet, valid_from: date, user: Any, reason: str) -> RuleSet:
    """This rule set takes the place of the one in force, which so ends. The one in force again: nothing.

    Refused: reason_required, rule_set_is_fixed (it is retired), rule_set_is_empty, versions_overlap.
    """
    if not reason.strip():
        raise Refused("reason_required", "Say why the rules change.")
    # the newest state, also when two people press the button at one time
    newest = RuleSet.objects.select_for_update().get(pk=rule_set.pk)
    rule_set.status, rule_set.valid_from = newest.status, newest.valid_from
    if rule_set.status == IN_FORCE:
        return rule_set
    if rule_set.status == RETIRED:
        raise Refused("rule_set_is_fixed", f"{rule_set} is retired. Make a draft of it and use that.")
    if not rule_set.rules.filter(active=True).exists():
        raise Refused("rule_set_is_empty", "A rule set without rules that count cannot come into force.")
    _no_overlap(rule_set, valid_from)
    for old in RuleSet.objects.select_for_update().filter(status=IN_FORCE):
        old.status, old.valid_until = RETIRED, valid_from
        save(old, user, reason)
    return _put(rule_set, valid_from, user, reason)


def _no_overlap(rule_set: RuleSet, valid_from: date) -> None:
    """No set that was in force began after this day, or ended after it."""
    others = RuleSet.objects.exclude(pk=rule_set.pk).exclude(status=DRAFT)
    later = others.filter(Q(valid_from__gt=valid_from) | Q(valid_until__gt=valid_from)).first()
    if later is not None:
        until = f" to {later.valid_until}" if later.valid_until else ""
        raise Refused(
            "versions_overlap",
            f"{later} was in force from {later.valid_from}{until}. Two sets cannot be in force at one time: "
            "choose a later day.",
        )


def _put(rule_set: RuleSet, valid_from: date, user: Any, reason: str) -> RuleSet:
    rule_set.status, rule_set.valid_from = IN_FORCE, valid_from
    save(rule_set, user, reason)
    return rule_set


def _one_in_force() -> bool:
    return RuleSet.objects.filter(status=IN_FORCE).exists()


def _assay(said: core.Assay, made: dict[str, Assay], user: Any, reason: str) -> Assay:
    """The assay with this code as the biobank has it, with what it did not take yet; else a new one."""
    assay = Assay.objects.filter(code=said.code).first()
    if assay is None:
        assay = Assay(code=said.code, name=said.name, family=made.get(said.family), min_ul=said.min_ul)
        save(assay, user, reason)
    there = set(assay.takes.values_list("matrix", "additive"))
    for matrix, additive in sorted(said.takes - there):
        save(AssayTakes(assay=assay, matrix=matrix, additive=additive), user, reason)
    return assay


def rule_of(row: Row, rule_set: RuleSet, assays: dict[str, Assay]) -> Rule:
    """The row of the database, not saved yet."""
    return Rule(rule_set=rule_set, assay=assays.get(row.rule.assay), **stored(row))


def save(row: models.Model, user: Any, reason: str) -> None:
    # a rule's set and assay were just read or saved: to ask for each again would be most of the work
    exclude = {"rule_set", "assay", "family", "copied_from"}
    row.clean_fields(exclude=exclude)
    with saving(user, reason, row):
        row.save()
