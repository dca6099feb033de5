"""Drafts of rules: copying a set, and changing the copy until it is put in force.

Promises: one transaction each; a set that is or was in force is never written; the same form sent twice
changes once; who and why stands in the history of every row.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from django.db import transaction
from django.db.models import Max, ProtectedError

from biobank.acting import saving
from biobank.checks import trial
from biobank.checks.actions import put_in_force, rule_of, save
from biobank.checks.rule_values import digest, row_of, stored, value_of
from biobank.checks.starter import Row
from biobank.models import Assay, Rule, RuleSet
from custody.core.refusal import Refused

REASON = 100  # characters of a reason in the history


def because(reason: str) -> str:
    """Refused: reason_required."""
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    return reason.strip()[:REASON]


@transaction.atomic
def copy_set(found: RuleSet, user: Any, reason: str) -> RuleSet:
    """A draft of this set: the next version of its code. A draft of it that nobody touched is that draft.

    Refused: reason_required.
    """
    why, rows = because(reason), value_of(found)
    there = (
        RuleSet.objects.filter(copied_from=found, status=RuleSet.Status.DRAFT).order_by("-version").first()
    )
    if there is not None and value_of(there) == rows:
        return there
    last = RuleSet.objects.select_for_update().filter(code=found.code).aggregate(n=Max("version"))["n"]
    draft = RuleSet(code=found.code, version=last + 1, copied_from=found, note=found.note)
    save(draft, user, why)
    _add(draft, rows, user, why)
    return draft


def _add(draft: RuleSet, rows: Iterable[Row], user: Any, why: str) -> None:
    assays = {one.code: one for one in Assay.objects.all()}
    for row in rows:
        save(rule_of(row, draft, assays), user, why)


def open_draft(rule_set: RuleSet) -> RuleSet:
    """The set again, locked for this transaction. Refused: rule_set_is_fixed."""
    found = RuleSet.objects.select_for_update().get(pk=rule_set.pk)
    if found.status != RuleSet.Status.DRAFT:
        raise Refused(
            "rule_set_is_fixed",
            f"{found} is {found.get_status_display().lower()} and stays as it is. "
            "Make a draft of it and change that.",
        )
    return found


@transaction.atomic
def add_rule(draft: RuleSet, row: Row, user: Any, reason: str) -> Rule:
    """One more rule. The same rule again is the one that is there.

    Refused: reason_required, rule_set_is_fixed, rule_code_taken, assay_unknown.
    """
    why, found = because(reason), open_draft(draft)
    there = found.rules.filter(code=row.rule.code).select_related("assay").first()
    if there is not None:
        if row_of(there) == row:
            return there
        raise Refused("rule_code_taken", f"There is a rule {row.rule.code} in this draft already.")
    rule = rule_of(row, found, known_assays([row]))
    save(rule, user, why)
    return rule


@transaction.atomic
def change_rule(draft: RuleSet, code: str, row: Row, seen: str, user: Any, reason: str) -> Rule:
    """This rule as it is wanted. `seen`: digest of the rule on which the change is built.

    Refused: reason_required, rule_set_is_fixed, rule_gone, rule_changed, rule_code_taken, assay_unknown.
    """
    why, found = because(reason), open_draft(draft)
    mine = found.rules.select_related("assay")
    rule = mine.filter(code=code).first() or mine.filter(code=row.rule.code).first()
    if rule is None:
        raise Refused("rule_gone", f"There is no rule {code} in this draft any more.")
    if row_of(rule) == row:
        return rule  # the same form again, or nothing to do
    if digest([row_of(rule)]) != seen:
        raise Refused(
            "rule_changed", f"Somebody changed {code} in the meantime. Open it anew and look first."
        )
    if row.rule.code != rule.code and found.rules.filter(code=row.rule.code).exists():
        raise Refused("rule_code_taken", f"There is a rule {row.rule.code} in this draft already.")
    _put(rule, row, user, why)
    return rule


def _put(rule: Rule, row: Row, user: Any, why: str) -> None:
    rule.assay = known_assays([row]).get(row.rule.assay)
    for name, value in stored(row).items():
        setattr(rule, name, value)
    save(rule, user, why)


def known_assays(rows: Sequence[Row]) -> dict[str, Assay]:
    """The assays that these rules name. Refused: assay_unknown."""
    named = {row.rule.assay for row in rows} - {""}
    found = {one.code: one for one in Assay.objects.filter(code__in=named)}
    for code in sorted(named - set(found)):
        raise Refused(
            "assay_unknown", f"There is no assay {code}. Add it first, or choose one that is there."
        )
    return found


@transaction.atomic
def take_out(draft: RuleSet, code: str, user: Any, reason: str) -> None:
    """This rule is out of the draft; already out: nothing. Refused: reason_required, rule_set_is_fixed."""
    why, found = because(reason), open_draft(draft)
    for rule in found.rules.filter(code=code):
        with saving(user, why, rule):
            rule.delete()


@transaction.atomic
def count_rule(draft: RuleSet, code: str, active: bool, choice: str, user: Any, reason: str) -> None:
    """This rule counts, or no more but stays to be seen; `choice` says why.

    Refused: reason_required, rule_set_is_fixed, rule_gone, choice_missing.
    """
    why, found = because(reason), open_draft(draft)
    rule = found.rules.select_related("assay").filter(code=code).first()
    if rule is None:
        raise Refused("rule_gone", f"There is no rule {code} in this draft any more.")
    if not choice.strip():
        raise Refused("choice_missing", "Say why this rule is counted, or not.")
    row = replace(row_of(rule), active=active, choice=choice.strip())
    if row != row_of(rule):
        _put(rule, row, user, why)


@transaction.atomic
def choose(draft: RuleSet, question: str, chosen: set[str], choice: str, user: Any) -> None:
    """Of the rules with this question those named count and the others do not; `choice` says why.

    Refused: rule_set_is_fixed, choice_missing, nothing_chosen, rule_gone.
    """
    found = open_draft(draft)
    rules = list(found.rules.filter(question=question).exclude(question="").select_related("assay"))
    if not choice.strip():
        raise Refused("choice_missing", "Say why this source is chosen and the others are not.")
    if not chosen:
        raise Refused("nothing_chosen", "Choose at least one; a question that nobody answers limits nothing.")
    if chosen - {rule.code for rule in rules}:
        raise Refused("rule_gone", "One of these rules is in this draft no more. Open the page anew.")
    for rule in rules:
        row = replace(row_of(rule), active=rule.code in chosen, choice=choice.strip())
        if row != row_of(rule):
            _put(rule, row, user, choice.strip()[:REASON])


@transaction.atomic
def change_note(draft: RuleSet, note: str, user: Any, reason: str) -> None:
    """What the set says of itself. Refused: reason_required, rule_set_is_fixed."""
    why, found = because(reason), open_draft(draft)
    if found.note != note:
        found.note = note
        save(found, user, why)


@transaction.atomic
def delete_draft(draft: RuleSet, user: Any, reason: str) -> None:
    """The draft is gone with its rules; their history stays. Refused: reason_required, rule_set_is_fixed,
    rule_set_was_copied."""
    why, found = because(reason), open_draft(draft)
    for copy in found.copies.all():
        raise Refused("rule_set_was_copied", f"{copy} is a copy of this draft. Delete that one first.")
    for rule in found.rules.all():
        with saving(user, why, rule):
            rule.delete()
    try:
        with saving(user, why, found):
            found.delete()
    except ProtectedError as no:
        raise Refused("rule_set_is_used", "Something was judged by this draft, so it stays.") from no


@transaction.atomic
def take_in(draft: RuleSet, rows: Sequence[Row], seen: str, user: Any, reason: str) -> int:
    """Make the draft what these rows say; how many rules changed. `seen`: digest of the draft that was shown.

    Refused: reason_required, rule_set_is_fixed, draft_changed, assay_unknown.
    """
    why, found = because(reason), open_draft(draft)
    there = {one.code: one for one in found.rules.select_related("assay")}
    before = {code: row_of(one) for code, one in there.items()}
    wanted = {row.rule.code: row for row in rows}
    if before == wanted:
        return 0  # the same table again
    if digest(before.values()) != seen:
        raise Refused(
            "draft_changed", "Somebody changed the draft in the meantime. Look at the preview again."
        )
    assays, changed = known_assays(rows), 0
    for code in sorted(set(before) - set(wanted)):
        with saving(user, why, there[code]):
            there[code].delete()
        changed += 1
    for code, row in sorted(wanted.items()):
        if row != before.get(code):
            _write(there.get(code) or Rule(rule_set=found), row, assays, user, why)
            changed += 1
    return changed


def _write(rule: Rule, row: Row, assays: Mapping[str, Assay], user: Any, why: str) -> None:
    rule.assay = assays.get(row.rule.assay)
    for name, value in stored(row).items():
        setattr(rule, name, value)
    save(rule, user, why)


def begin(draft: RuleSet, valid_from: date, user: Any, reason: str, unseen: bool = False) -> RuleSet:
    """Put in force, after a look at what would change; `unseen`: without that look, knowingly.

    Refused: trial_missing, and as put_in_force.
    """
    looked = trial.current(draft)
    if draft.status == RuleSet.Status.DRAFT and looked is None and not unseen:
        raise Refused(
            "trial_missing",
            "Nobody has looked at what would change for the tubes that are there. Run the draft on the "
            "collection first, or say that it comes into force without looking.",
        )
    why = because(reason) if looked or not unseen else f"without looking: {because(reason)}"
    return put_in_force(draft, valid_from, user, why[:REASON])
