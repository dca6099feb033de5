"""Setting a blood limit, allowing more for one animal, and the question before a draw.

Promises: nothing is overwritten, another limit is another row; a form sent twice is one row; a draw over the
limit is refused before it is written, never after: blood that is in a tube is always written down.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.core import blood
from biobank.core.blood import Rule
from biobank.models import BloodAllowance, BloodLimit, Person, Tube, Workup
from biobank.templatetags.words import volume
from custody.core.refusal import Refused

from .access import may_set, setter
from .budget import Budget
from .queries import budgets, has_limit

MOST_ALLOWED_UL = 10_000_000  # at one time; a slip of units is more. Common practice, no source


def set_limit(
    actor: Actor, key: str, rule: Rule, since: date, source: str, species: str = "", note: str = ""
) -> BloodLimit:
    """Another limit from a date on; the older ones stay as they are.

    Refused: not_the_veterinarian, source_required, key_reused, and as `core.blood.checked`.
    """
    setter(actor.person)
    blood.checked(rule)
    if not source.strip():
        raise Refused(
            "source_required", "Say where this limit comes from: a protocol, a permit, your judgement."
        )
    row = BloodLimit(
        key=key, programme=actor.person.programme, species=" ".join(species.split()),
        mass_per_mille=rule.mass_per_mille, volume_per_mille=rule.volume_per_mille, ml_per_kg=rule.ml_per_kg,
        window_days=rule.window_days, since=since, source=source.strip(), note=note.strip(),
        set_by=actor.person, set_at=timezone.now(),
    )  # fmt: skip
    return _once(actor, row, {"set_at"})


def allow(actor: Actor, key: str, workup: Workup, ul: int, reason: str) -> BloodAllowance:
    """So much more than the limit for this workup, µL; below nought takes back what was allowed.

    Refused: not_the_veterinarian, reason_required, allowance_is_nothing, allowance_too_large,
    allowance_below_nothing, key_reused.
    """
    setter(actor.person)
    if not reason.strip():
        raise Refused("reason_required", "Say why more may be taken of this animal.")
    row = BloodAllowance(
        key=key, workup=workup, ul=ul, by=actor.person, reason=reason.strip()[:200], at=timezone.now()
    )
    with transaction.atomic():
        Workup.objects.select_for_update().get(pk=workup.pk)  # two forms at once are one after the other
        return _sent_before(row, {"at"}) or _allowed(actor, row)


def _allowed(actor: Actor, row: BloodAllowance) -> BloodAllowance:
    if not row.ul:
        raise Refused("allowance_is_nothing", "Say how much more: above nought, or below to take back.")
    if row.ul > MOST_ALLOWED_UL:
        raise Refused(
            "allowance_too_large", f"More than {volume(MOST_ALLOWED_UL)} at once is a slip of units."
        )
    so_far = sum(row.workup.blood_allowances.values_list("ul", flat=True))
    if so_far + row.ul < 0:
        sentence = f"Only {volume(so_far)} beyond the limit were allowed, so no more can be taken back."
        raise Refused("allowance_below_nothing", sentence)
    return _once(actor, row, {"at"})


def _once(actor: Actor, row: Any, moments: set[str]) -> Any:
    """The row as saved; the same form again gives the one that is there."""
    if there := _sent_before(row, moments):
        return there
    try:
        with transaction.atomic(), saving(actor.person.user, "set", row):
            row.save(force_insert=True)
    except IntegrityError:
        if there := _sent_before(row, moments):
            return there
        raise
    return row


def _sent_before(row: Any, moments: set[str]) -> Any:
    there = type(row).objects.filter(key=row.key).first()
    if there is not None and _said(there, moments) != _said(row, moments):
        raise Refused("key_reused", "This form was used for something else. Open the page again.")
    return there


def _said(row: Any, moments: set[str]) -> dict[str, str]:
    names = [one.attname for one in row._meta.concrete_fields if one.name not in {"id", *moments}]
    return {name: str(getattr(row, name)) for name in names}


def volume_of(tube: Tube, ul: int | None = None) -> int:
    """What a tube takes off the limit, µL: what was said, else what it is made for; a swab nothing."""
    if tube.parent_hint or tube.matrix not in blood.BLOOD:
        return 0
    return ul if ul is not None else (tube.planned.volume_ul or 0) if tube.planned else 0


def check(
    workup: Workup,
    extra_ul: int,
    allowed_by: Person | None = None,
    reason: str = "",
    already_drawn: bool = False,
) -> Budget:
    """Whether so much more may be drawn now (µL). Asks only, writes nothing; gives how the workup stands.

    allowed_by: a veterinarian who says yes, with a reason. already_drawn: the blood is in the tube, so it is
    written down whatever the limit, with a reason; it stands on the list of draws over the limit.
    Where no limit is set nothing is refused, and nothing is added up. Refused: blood_limit_reached,
    blood_limit_not_known, not_the_veterinarian, reason_required.
    """
    if not has_limit(workup):
        return Budget(workup)
    stands = budgets([workup])[workup.pk]
    if extra_ul <= 0 or stands.row is None or not _too_much(stands, extra_ul):
        return stands
    if not (allowed_by or already_drawn):
        raise _refusal(stands, extra_ul)
    if allowed_by:
        setter(allowed_by)
    if not reason.strip():
        raise Refused("reason_required", "Say why more blood than the limit is drawn.")
    return stands


def _too_much(stands: Budget, extra_ul: int) -> bool:
    return stands.cap_ul is None or stands.is_over_with(extra_ul)


def _refusal(stands: Budget, extra_ul: int) -> Refused:
    who = _who(stands)
    return _not_known(stands, who) if stands.cap_ul is None else _reached(stands, extra_ul, who)


def _not_known(stands: Budget, who: str) -> Refused:
    why = stands.why_unknown.rstrip(".")
    sentence = f"{why}. Say the mass, estimated if need be, or ask {who} to allow an amount."
    return Refused("blood_limit_not_known", sentence)


def _reached(stands: Budget, extra_ul: int, who: str) -> Refused:
    """The limit, what is drawn, and who may allow more."""
    rule = f" ({stands.rule})" if stands.rule else ""
    allowed = f" and {volume(stands.allowed_ul)} more were allowed" if stands.allowed_ul else ""
    earlier = f", {volume(stands.earlier_ul)} of it in earlier workups" if stands.earlier_ul else ""
    drawn = f"{volume(stands.used_ul)} are drawn{earlier}" if stands.used_ul else "nothing is drawn yet"
    sentence = (
        f"The limit of {stands.workup} is {volume(stands.limit_ul or 0)}{rule}{allowed}; {drawn}, "
        f"so {volume(extra_ul)} more is too much. {who[0].upper()}{who[1:]} may allow more, with a reason."
    )
    return Refused("blood_limit_reached", sentence)


def _who(stands: Budget) -> str:
    """Who may allow more, by name. 1 query, asked only when something is refused."""
    people = Person.objects.filter(programme=stands.workup.day.site.programme_id)
    names = [one.name for one in people if one.veterinarian] or [one.name for one in people if may_set(one)]
    return " or ".join(names) if names else "the veterinarian of the programme"
