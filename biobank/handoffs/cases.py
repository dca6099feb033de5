"""Cases: what did not match at a receipt, each with somebody who looks after it and a day by which.

Promises: a case is opened in the transaction of the answer that found it, once; it is never deleted; it is
closed with words that say what became of it and, when a tube is in dispute, together with the event that
settles the dispute. The days until a case is due are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet
from simple_history.utils import bulk_create_with_history

from biobank.acting import Actor, perform, saving
from biobank.models import HandoffCase, Person
from custody import queries as ledger
from custody.core.refusal import Refused

DAYS = 7
Found = tuple[str, str, str]  # tube or "", code, what was found
WORDS = {
    "missing": "missing",
    "extra": "one more than on the list",
    "foreign": "not a code of this biobank",
    "unreadable": "label cannot be read",
    "damaged": "damaged",
    "warm": "warmer than it may be",
    "twice": "two tubes with one code",
    "seal": "seal broken or another number",
    "count": "count does not agree",
    "temperature": "temperature",
    "condition": "condition",
}


def opened(handoff: str, event: str, found: Iterable[Found], giver: str, now: datetime) -> None:
    """A case for each thing that was found, looked after by who gave the tubes until somebody else takes it.

    Called inside the transaction of the answer `event`; the same again makes none.
    Refused: person_unknown (a giver that is no person here).
    """
    wanted = list(found)
    if not wanted:
        return
    owner = Person.objects.filter(code=giver).first()
    if owner is None:
        raise Refused("person_unknown", f"Nobody here has the code {giver}, so nobody can look after this.")
    there = set(HandoffCase.objects.filter(event=event).values_list("tube", "code"))
    rows = [
        HandoffCase(
            handoff=handoff, event=event, tube=tube, code=code, said=said[:300], owner=owner, opened=now,
            due=now.date() + timedelta(days=DAYS),
        )
        for tube, code, said in wanted if (tube, code) not in there
    ]  # fmt: skip
    bulk_create_with_history(rows, HandoffCase, default_change_reason="found at the receipt")


def arrived(handoff: str, tubes: Iterable[str], event: str, now: datetime) -> None:
    """Tubes that were missing or could not be read and have come after all: their cases are closed."""
    codes = list(tubes)
    rows = HandoffCase.objects.filter(
        handoff=handoff, tube__in=codes, code__in=["missing", "unreadable"], closed=None
    )
    for one in rows:
        one.closed, one.closing = now, event  # type: ignore[assignment]
        one.outcome = "It came after all, with a later answer."
        with saving(None, "came after all", one):
            one.save()


def of(who: Person) -> QuerySet[HandoffCase]:
    """Cases that this person may see: of handoffs that the own agency gave or received, a curator all."""
    rows = HandoffCase.objects.select_related("owner__agency")
    if who.role in {"curator", "administrator", "auditor"}:
        return rows
    mine = {one.id for one in _handoffs(who.agency.code)}
    return rows.filter(Q(owner__agency=who.agency) | Q(handoff__in=mine))


def _handoffs(org: str) -> list[ledger.Said]:
    said = [*ledger.events(kind="handed_off"), *ledger.events(kind="shipped")]
    return [one for one in said if org in {one.header["org"], one.header["data"]["to"]}]


@transaction.atomic
def given_to(case: HandoffCase, owner: Person, due: date, user: Any, reason: str) -> HandoffCase:
    """Somebody else looks after it, or by another day. Refused: case_closed, reason_required."""
    _still_open(case)
    if not reason.strip():
        raise Refused("reason_required", "Say why somebody else, or another day.")
    case.owner, case.due = owner, due
    with saving(user, reason, case):
        case.save()
    return case


def close(actor: Actor, key: str, case: HandoffCase, outcome: str, now: datetime, user: Any) -> HandoffCase:
    """What became of it. A dispute of its tube that is still open is settled by an event with these words.

    Refused: case_closed, reason_required, still_on_its_way (a missing tube that nobody withdrew or found).
    """
    _still_open(case)
    if not outcome.strip():
        raise Refused("reason_required", "Say what became of it.")
    state = ledger.state(case.tube) if case.tube else None
    if case.code == "missing" and state and state.pending_ref == str(case.handoff):
        raise Refused(
            "still_on_its_way",
            "This tube is still on its way for the ledger. Receive it, or let the giver withdraw it, first.",
            case.tube,
        )
    if state and state.disputes:
        perform(
            actor, "discrepancy_resolved", key=key, data={"code": case.code, "note": outcome},
            lines=[{"t": case.tube, "role": "subj"}],
            before=lambda: _close(case, outcome, now, user, key),
        )  # fmt: skip
    else:
        _close(case, outcome, now, user, None)
    return case


def _still_open(case: HandoffCase) -> None:
    if case.closed:
        raise Refused("case_closed", f"This case was closed on {case.closed:%d %b %Y}: {case.outcome}")


@transaction.atomic
def _close(case: HandoffCase, outcome: str, now: datetime, user: Any, event: str | None) -> None:
    newest = HandoffCase.objects.select_for_update().get(pk=case.pk)
    _still_open(newest)
    case.closed, case.outcome, case.closing = now, outcome, event  # type: ignore[assignment]
    with saving(user, outcome[:100], case):
        case.save()
