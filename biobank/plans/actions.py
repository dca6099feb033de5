"""Plans are made, changed, retired; lots of tubes are written down.

Promises: a version that was printed from is never changed, a change of it makes the next one; whatever is
written is sound as a whole or nothing is written; a form that is sent twice changes once; every row keeps who
and why. A plan is no part of the ledger: what it asked for stands on the labels that were printed from it.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import transaction

from biobank.acting import Actor, saving
from biobank.models import Programme, SamplePlan, TubeLot
from biobank.plans import starters
from biobank.plans.check import sound
from biobank.plans.rows import value_of, write
from biobank.plans.values import Plan
from custody.core.refusal import Refused

REASON = 100  # characters that a history keeps


def make(actor: Actor, wanted: Plan, reason: str = "new plan") -> SamplePlan:
    """The first version of a plan. Refused: code_taken, and whatever is not sound."""
    return _make(actor.person.programme, actor.person.user, sound(wanted), reason)


def _make(programme: Programme, user: Any, wanted: Plan, reason: str) -> SamplePlan:
    with transaction.atomic():
        newest = _newest(wanted.code)
        if newest is None:
            return write(SamplePlan(programme=programme, version=1), wanted, user, reason[:REASON])
        if newest.programme_id == programme.pk and value_of(newest) == wanted:
            return newest  # the same form again
    raise Refused("code_taken", f"There is a plan {wanted.code} already. Choose another code.")


def _newest(code: str) -> SamplePlan | None:
    """The newest version of a plan, locked until the transaction ends."""
    return SamplePlan.objects.select_for_update().filter(code=code).order_by("-version").first()


def install(programme: Programme, user: Any, name: str) -> SamplePlan:
    """A starter plan, by the name of its file; the same again gives the one that is there.

    Refused: starter_unknown, code_taken (a plan with its code says something else).
    """
    wanted = starters.starters().get(name)
    if wanted is None:
        raise Refused("starter_unknown", f"There is no starter plan {name[:40]!r}.")
    return _make(programme, user, sound(wanted), f"begun from the starter plan {wanted.code}")


def change(actor: Actor, plan: SamplePlan, wanted: Plan, seen: str, reason: str) -> SamplePlan:
    """The plan as it is wanted: this version when nobody printed from it, else the next one.

    seen  digest of the values on which the change is built
    Refused: reason_required, plan_superseded, plan_changed, plan_code_stays, and whatever is not sound.
    """
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    if wanted.code != plan.code:
        raise Refused("plan_code_stays", "The code of a plan stays as it is.")
    sound(wanted)
    with transaction.atomic():
        newest = _newest(plan.code)
        assert newest is not None
        there = value_of(newest)
        if there == wanted:
            return newest  # the same form again, or nothing to do
        _still(plan, newest, there, seen)
        return _write(newest, wanted, actor.person.user, reason.strip()[:REASON])


def _still(plan: SamplePlan, newest: SamplePlan, there: Plan, seen: str) -> None:
    if newest.pk != plan.pk:
        raise Refused(
            "plan_superseded", f"Version {newest.version} of {plan.code} exists. Change that one instead."
        )
    if there.digest() != seen:
        raise Refused(
            "plan_changed", f"Somebody changed {plan} in the meantime. Open it anew and look at it first."
        )


def _write(newest: SamplePlan, wanted: Plan, user: Any, reason: str) -> SamplePlan:
    if not newest.sets.exists():
        return write(newest, wanted, user, reason)
    following = SamplePlan(programme=newest.programme, version=newest.version + 1)
    return write(following, wanted, user, reason)


def take_in(actor: Actor, wanted: Plan, reason: str = "") -> SamplePlan:
    """A plan from a table: new, or a change of the plan with this code.

    Refused: reason_required (when it changes one), code_taken, and whatever is not sound.
    """
    newest = SamplePlan.objects.filter(code=wanted.code).order_by("-version").first()
    if newest is None:
        return make(actor, wanted, reason.strip() or "imported")
    if newest.programme_id != actor.person.programme_id:
        raise Refused("code_taken", f"There is a plan {wanted.code} already. Choose another code.")
    there = value_of(newest)
    return newest if there == wanted else change(actor, newest, wanted, there.digest(), reason)


def retire(actor: Actor, plan: SamplePlan, reason: str) -> None:
    """Print from this version no more, nor from older ones; sets that were printed stay as they are.

    Refused: reason_required.
    """
    _retired(actor, plan, True, reason)


def bring_back(actor: Actor, plan: SamplePlan, reason: str) -> None:
    """Print from this version again. Refused: reason_required, plan_superseded."""
    newer = SamplePlan.objects.filter(code=plan.code, version__gt=plan.version).order_by("-version").first()
    if newer is not None:
        raise Refused("plan_superseded", f"Version {newer.version} exists. Bring that one back instead.")
    _retired(actor, plan, False, reason)


def _retired(actor: Actor, plan: SamplePlan, retired: bool, reason: str) -> None:
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    versions = SamplePlan.objects.filter(code=plan.code, version__lte=plan.version)
    with transaction.atomic():
        rows = versions.exclude(retired=retired) if retired else versions.filter(pk=plan.pk)
        for row in rows.select_for_update():
            row.retired = retired
            with saving(actor.person.user, reason.strip()[:REASON], row):
                row.save(update_fields=["retired"])


def add_lot(actor: Actor, lot: str, expires: date | None = None, **said: Any) -> TubeLot:
    """A lot of empty tubes. The same again is the one that is there. Refused: lot_taken, value_missing."""
    if not lot.strip():
        raise Refused("value_missing", "A lot has a number.")
    key = {name: said.get(name) for name in ("additive", "container", "ul")}
    with transaction.atomic():
        mine = TubeLot.objects.select_for_update().filter(programme=actor.person.programme, lot=lot.strip())
        there = mine.filter(**key).first()
        if there is None:
            row = TubeLot(programme=actor.person.programme, lot=lot.strip(), expires=expires, **said)
            with saving(actor.person.user, "added", row):
                row.save()
            return row
    if there.expires != expires:
        raise Refused("lot_taken", f"Lot {lot} of these tubes is there, with another last day.")
    return there


def use_up(actor: Actor, lot: TubeLot, used_up: bool = True) -> None:
    """Nothing of this lot is left, or there is after all."""
    if lot.used_up != used_up:
        lot.used_up = used_up
        with saving(actor.person.user, "used up" if used_up else "there is more", lot):
            lot.save(update_fields=["used_up"])
