"""What would change: a draft run on the whole collection before it is put in force.

Promises: worked out in pieces, each of which either counts whole or not at all, so that a browser that went
away loses nothing; the facts of a tube are loaded once for both sets; a trial says of itself when the draft,
the set in force or the assays changed since. Verdicts are those of custody.core.rules at the trial's moment.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from biobank.acting import ms
from biobank.checks.rule_values import fingerprint
from biobank.checks.verdicts import InForce, Judged, both, law_of
from biobank.models import Person, RuleSet, Trial, TrialChange, Tube
from custody.core import rules as core
from custody.core.refusal import Refused

PIECE = 100  # tubes whose facts are loaded at once
SECONDS = 5.0  # how long one request may work


@dataclass(frozen=True)
class Laws:
    """What is compared, loaded once for many pieces."""

    draft: InForce
    against: InForce


def _in_force() -> RuleSet | None:
    return RuleSet.objects.filter(status=RuleSet.Status.IN_FORCE).first()


def _law(rule_set: RuleSet | None) -> InForce:
    return law_of(rule_set) if rule_set else InForce("", (), ())


def of(draft: RuleSet) -> Trial | None:
    """The newest trial of this draft. 1 query."""
    return Trial.objects.filter(draft=draft).select_related("draft", "against", "by").order_by("-pk").first()


def current(draft: RuleSet) -> Trial | None:
    """The newest trial, when it is finished and not stale. At most 8 queries."""
    found = of(draft)
    return found if found and found.ended and not stale(found) else None


def stale(trial: Trial) -> bool:
    """Did the draft, the set in force or an assay change since it began? At most 7 queries."""
    now = _in_force()
    if (now.pk if now else None) != trial.against_id:
        return True
    return fingerprint(trial.draft) != trial.draft_at or (_print(now) != trial.against_at)


def _print(rule_set: RuleSet | None) -> str:
    return fingerprint(rule_set) if rule_set else ""


@transaction.atomic
def begin(draft: RuleSet, by: Person, anew: bool = False) -> Trial:
    """The newest trial of this draft while it is not stale, else a new one.

    anew  also a finished one is left for a new one: the collection goes on

    Refused: rule_set_is_fixed, rule_set_is_empty.
    """
    if RuleSet.objects.select_for_update().get(pk=draft.pk).status != RuleSet.Status.DRAFT:
        raise Refused("rule_set_is_fixed", "Only a draft is tried out.")
    if not draft.rules.filter(active=True).exists():
        raise Refused(
            "rule_set_is_empty", "A rule set without rules that count changes nothing it could show."
        )
    found = of(draft)
    if found and not (found.ended and anew) and not stale(found):
        return found
    Trial.objects.filter(draft=draft).delete()  # a copy worked out anew, nothing that anybody said
    against, now = _in_force(), timezone.now()
    return Trial.objects.create(
        draft=draft, against=against, draft_at=fingerprint(draft), against_at=_print(against), begun=now,
        by=by, asof_ms=ms(now), total=Tube.objects.count(),
    )  # fmt: skip


def go_on(
    trial: Trial, seconds: float = SECONDS, clock: Callable[[], float] = time.monotonic, piece: int = PIECE
) -> Trial:
    """Work for about so long, at least one piece; ended when no tube is left. Refused: trial_stale."""
    if not trial.ended and stale(trial):
        raise Refused("trial_stale", "The rules changed since this trial began. Begin it anew.")
    until, laws = clock() + seconds, Laws(law_of(trial.draft), _law(trial.against))
    while not trial.ended:
        trial = _piece(trial.pk, laws, piece)
        if clock() >= until:
            break
    return trial


@transaction.atomic
def _piece(pk: int, laws: Laws, size: int) -> Trial:
    """The next tubes. Two browsers at once: each takes another piece, none is counted twice."""
    trial = Trial.objects.select_for_update().get(pk=pk)
    later = Tube.objects.filter(code__gt=trial.after).order_by("code")
    codes = list(later.values_list("code", flat=True)[:size])
    TrialChange.objects.bulk_create(_changes(trial, codes, laws))
    trial.done += len(codes)
    if codes:
        trial.after = codes[-1]
    if len(codes) < size:
        trial.ended, trial.total = timezone.now(), trial.done
    trial.save()
    return trial


def _changes(trial: Trial, codes: Sequence[str], laws: Laws) -> list[TrialChange]:
    found = []
    for code, (old, new) in both(codes, trial.asof_ms, (laws.against, laws.draft)).items():
        before, after = _by_assay(old), _by_assay(new)
        for assay in sorted(before.keys() | after.keys()):
            was, will = before.get(assay), after.get(assay)
            if (was and was.word) != (will and will.word):
                said = (will or was).sentence if will or was else ""  # type: ignore[union-attr]
                found.append(
                    TrialChange(
                        trial=trial, tube=code, assay=assay, before=_word(was), now=_word(will), sentence=said
                    )
                )
    return found


def _by_assay(judged: Judged) -> dict[str, core.Verdict]:
    return {one.assay.code: one for one in judged.verdicts}


def _word(verdict: core.Verdict | None) -> str:
    return verdict.word if verdict else ""
