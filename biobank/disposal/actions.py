"""Tubes leave the collection for good, and what has to be agreed before they may.

Promises: every function raises Refused (code, sentence) and changes nothing, or does what it says once,
however often the same form is sent. Never discarded: what is in dispute, kept in reserve, or in other hands.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.bench.hands import in_hand, repeated, write
from biobank.core import codes
from biobank.disposal import owners
from biobank.disposal.witness import able
from biobank.models import Agency, Consent, ConsentRule, ConsentTube, Person, SamplePlan
from biobank.store.actions import known_unit, stated
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState

USED_UP, OTHER = "used up", "other"
Witness = Callable[[Actor], Person | None]


def nobody(actor: Actor) -> None:
    """Without a witness."""


def discard(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    why: str,
    method: str = "",
    at: datetime | None = None,
    note: str = "",
    witness: Witness = nobody,
) -> str:
    """One `discarded` event: nothing can happen to these tubes after it. Returns its id.

    witness  who watched; asked last, so that nobody types a password for an act that is refused anyway. Not
             needed when the ledger has every one of these tubes as empty.
    Refused: tube_in_dispute, tube_reserved, consent_missing, witness_missing, note_required, those of
    `witness` and those of `in_hand`.
    """
    if repeated(actor, key, "discarded"):
        return key
    reason = stated(why)
    if OTHER in (reason, method.strip()) and not note.strip():
        raise Refused("note_required", "“Other” needs a note that says what.")
    states = in_hand(actor, tubes)
    _may_go(states)
    day = (at or timezone.now()).astimezone(ZoneInfo(actor.tz)).date()
    consents = owners.must_have(actor.org, states, day)
    said = {
        "why": reason, "method": method.strip(), "note": note.strip(),
        "witness": _watched(actor, witness, states),
        "consent": ", ".join(one.code for one in consents),
    }  # fmt: skip
    lines = [{"t": code, "role": "subj"} for code in tubes]
    # looked at once more when the ledger is locked: somebody may reserve or dispute one in between
    return write(actor, "discarded", key, at, lines, said, before=lambda: _may_go(ledger.states(tubes)))


def _may_go(states: Mapping[str, TubeState]) -> None:
    for code, state in states.items():
        if state.disputes or state.contested:
            raise Refused(
                "tube_in_dispute", f"{codes.show(code)}: this tube is in dispute. Settle that first.", code
            )
        if state.reserved:
            raise Refused(
                "tube_reserved", f"{codes.show(code)}: this tube is kept in reserve. Release it first.", code
            )


def _watched(actor: Actor, witness: Witness, states: Mapping[str, TubeState]) -> str:
    """The code of the witness; empty when none is needed and nobody signed."""
    if (seen := witness(actor)) is not None:
        return able(actor, seen).code
    if held := [code for code, state in states.items() if state.volume_ul != 0]:
        raise Refused(
            "witness_missing",
            f"{codes.show(held[0])} is not empty by the ledger, so somebody else must watch: "
            "the witness confirms it with their own password.",
        )
    return ""


# consent ----------------------------------------------------------------------------------------


def note_consent(
    actor: Actor,
    key: str,
    *,
    agency: Agency,
    given_by: str,
    given_on: date,
    how: str,
    reference: str,
    tubes: Sequence[str] = (),
    box: str = "",
    note: str = "",
) -> Consent:
    """An owner's consent to discard these tubes, or those that are in a box now.

    Refused: tube_unknown, box_empty, nothing_named, date_in_future, consent_not_theirs.
    """
    if there := Consent.objects.filter(key=key).first():
        return there
    place = known_unit(box).code if box.strip() else ""
    named = [*tubes, *(one.tube for one in ledger.find(unit=place))] if place else list(tubes)
    _may_consent(named, place, agency)
    if given_on > timezone.now().astimezone(ZoneInfo(actor.tz)).date():
        raise Refused("date_in_future", "This consent would be given in the future.")
    made = Consent(
        key=key, agency=agency, given_by=given_by.strip(), given_on=given_on, how=how,
        reference=reference.strip(), note=note.strip(), box=place, noted_at=timezone.now(),
        noted_by=actor.person,
    )  # fmt: skip
    with transaction.atomic(), saving(actor.person.user, f"consent of {agency.code} noted", made):
        made.save()
        ConsentTube.objects.bulk_create(ConsentTube(consent=made, tube=code) for code in dict.fromkeys(named))
    return made


def _may_consent(named: Sequence[str], box: str, agency: Agency) -> None:
    if not named and box:
        raise Refused("box_empty", f"{box} holds no tube.")
    if not named:
        raise Refused("nothing_named", "Name tubes or a box.")
    known = ledger.states(named)
    if unknown := [code for code in named if code not in known]:
        raise Refused("tube_unknown", f"{codes.show(unknown[0])}: no label with this code was printed.")
    terms = owners.terms_of(named)
    if others := [code for code in named if terms[code].owner != agency.code]:
        raise Refused(
            "consent_not_theirs",
            f"{codes.show(others[0])} belongs to {terms[others[0]].owner or 'nobody known'}, "
            f"so {agency.code} cannot agree to its discard.",
        )


def withdraw_consent(actor: Actor, consent: Consent, why: str) -> None:
    """It counts no more; what was discarded on it stays discarded. Twice is once."""
    reason = stated(why)
    if consent.withdrawn_at is None:
        consent.withdrawn_at = timezone.now()
        with saving(actor.person.user, reason, consent):
            consent.save(update_fields=["withdrawn_at"])


def set_rule(actor: Actor, *, plan: str, owner: Agency | None, asks: str, source: str) -> ConsentRule:
    """The rule of a plan (empty: of the programme), in place of the older one. Refused: plan_unknown."""
    programme = actor.person.programme
    if plan and not SamplePlan.objects.filter(programme=programme, code=plan).exists():
        raise Refused("plan_unknown", f"There is no plan with the code {plan}.")
    rule = ConsentRule.objects.filter(programme=programme, plan=plan).first()
    rule = rule or ConsentRule(programme=programme, plan=plan)
    rule.owner, rule.asks, rule.source = owner, asks, stated(source)
    with saving(actor.person.user, rule.source, rule):
        rule.save()
    return rule
