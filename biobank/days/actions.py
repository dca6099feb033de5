"""What becomes of a field day: it is opened, its numbers are accounted for, it is signed off.

Promises: a form sent twice is one act; a refusal changes nothing. A day with one number unaccounted for
cannot be closed, and the refusal says which. Signing off closes its sets by events, and opening
again voids these.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, act, perform_all, saving
from biobank.models import FieldDay, Person, Site, TubeSet
from biobank.sets.actions import give_back
from custody import queries as ledger
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.record import MOST_LINES, known

from . import queries
from .access import closer, may_change
from .account import Account, Number, listed
from .checks import points

SIGNED, OPENED_AGAIN = "signed off", "opened again: "
NO_PARENT, NOT_MADE = "parent not collected", "not made"


def open_day(
    actor: Actor, site: Site, when: date, expected_animals: int = 0, lead: Person | None = None
) -> FieldDay:
    """A field day at a site. The same site and date again gives the same day."""
    day = FieldDay.objects.filter(site=site, date=when).first()
    if day is None:
        day = FieldDay(site=site, date=when, expected_animals=expected_animals, lead=lead or actor.person)
        with saving(actor.person.user, "opened", day):
            day.save()
    return day


def write_off(
    actor: Actor,
    key: str,
    day: FieldDay,
    which: Callable[[Account], Sequence[Number]],
    reason: str,
    at: datetime | None = None,
) -> int:
    """Say of these unaccounted numbers that they were not collected, and why; how many there were.

    which  asked of the account as it is now, for example `lambda it: it.without_parent`.
    Refused: day_closed, reason_required, nothing_said; from the ledger already_drawn.
    """
    if said := ledger.event(key):
        return len(said.lines)
    may_change(day, "")
    if not reason.strip():
        raise Refused("reason_required", "Say why these were not collected.")
    found = which(queries.account(day))
    if not found:
        raise Refused("nothing_said", "There is no such number left.")
    parts = [found[n : n + MOST_LINES] for n in range(0, len(found), MOST_LINES)]
    acts = [
        act(
            actor, "not_collected", key=derived_id(key, str(n)) if n else key, at=at,
            data={"reason": reason.strip()}, lines=[{"t": one.code, "role": "subj"} for one in part],
        )
        for n, part in enumerate(parts)
    ]  # fmt: skip
    perform_all(actor, acts)
    return len(found)


def return_spares(actor: Actor, key: str, day: FieldDay, at: datetime | None = None) -> None:
    """All sets of the day that nobody used go back to the store. Refused: as `sets.actions.give_back`."""
    if not known(key):
        may_change(day, "")
        give_back(actor, key, queries.account(day).unbound, f"not used on {day}", at=at)


def close(actor: Actor, key: str, day: FieldDay, note: str = "", at: datetime | None = None) -> None:
    """Sign the day off: its sets are closed, and changes need a reason from now on.

    note  needed when something looks wrong: why it may stand. Refused: not_the_lead, day_closed,
    number_unaccounted, points_open.
    """
    closer(actor.person, day)
    if known(key):
        return
    if day.closed:
        raise Refused("day_closed", f"The field day {day} is closed already.")
    account = _may_be_closed(day, note)
    acts = [_closed(actor, one, at) for one in account.sets if one.state == TubeSet.State.BOUND]

    def rows() -> None:
        fresh = FieldDay.objects.select_for_update().get(pk=day.pk)
        if fresh.closed:
            raise Refused("day_closed", f"The field day {day} is closed already.")
        again = _may_be_closed(fresh, note)  # asked again under the lock: somebody may have printed since
        if [one.pk for one in again.sets] != [one.pk for one in account.sets]:
            raise Refused("set_changed", "Somebody else changed a set meanwhile. Open the page again.")
        for one in again.sets:
            _set_state(actor, one, TubeSet.State.BOUND, TubeSet.State.CLOSED, SIGNED)
        fresh.closed, fresh.closed_at, fresh.closed_by = True, timezone.now(), actor.person
        _save(actor, fresh, f"{SIGNED}: {note.strip()}" if note.strip() else SIGNED)

    _all(actor, _with_keys(key, acts), rows)


def _may_be_closed(day: FieldDay, note: str) -> Account:
    account = queries.account(day)
    if account.open:
        count = len(account.open)
        words = "number is" if count == 1 else "numbers are"
        raise Refused(
            "number_unaccounted",
            f"{count} {words} unaccounted for: {listed(account.open)}.",
            account.open[0].code,
        )
    wrong = points(account)
    if wrong and not note.strip():
        raise Refused(
            "points_open", f"{len(wrong)} things look wrong. Say why the day may be closed all the same."
        )
    return account


def _closed(actor: Actor, tube_set: TubeSet, at: datetime | None) -> Act:
    lines = [{"t": code, "role": "subj"} for code in tube_set.tubes.values_list("code", flat=True)]
    return act(actor, "closed", key=tube_set.code, at=at, data={"set": tube_set.code}, lines=lines)


def reopen(actor: Actor, key: str, day: FieldDay, reason: str) -> None:
    """Take the sign-off back: the sets' `closed` did not count. Refused: not_the_lead, day_is_open,
    reason_required."""
    closer(actor.person, day)
    if known(key):
        return
    if not day.closed:
        raise Refused("day_is_open", f"The field day {day} is open.")
    if not reason.strip():
        raise Refused("reason_required", "Say why the day is opened again.")
    sets = [one for one in queries.account(day).sets if one.state == TubeSet.State.CLOSED]
    data = {"reason": "incorrect_data", "note": reason.strip()}
    acts = [act(actor, "voided", key=of, data=data | {"of": of}) for of in _closings(sets)]

    def rows() -> None:
        fresh = FieldDay.objects.select_for_update().get(pk=day.pk)
        if not fresh.closed:
            raise Refused("day_is_open", f"The field day {day} is open.")
        for one in sets:
            _set_state(actor, one, TubeSet.State.CLOSED, TubeSet.State.BOUND, OPENED_AGAIN + reason)
        fresh.closed, fresh.closed_at, fresh.closed_by = False, None, None
        _save(actor, fresh, OPENED_AGAIN + reason.strip())

    _all(actor, _with_keys(key, acts), rows)


def _closings(sets: Sequence[TubeSet]) -> list[str]:
    """Ids of the `closed` events of these sets that count."""
    ones = [tube.code for one in sets if (tube := one.tubes.first())]
    said = [one for some in ledger.histories(ones).values() for one in some] if ones else []
    return [one.id for one in said if one.kind == "closed" and not one.voided]


def _set_state(actor: Actor, one: TubeSet, old: str, new: str, why: str) -> None:
    if one.state == old:
        one.state = new
        with saving(actor.person.user, why[:100], one):
            one.save(update_fields=["state"])


def _save(actor: Actor, day: FieldDay, why: str) -> None:
    with saving(actor.person.user, why[:100], day):
        day.save(update_fields=["closed", "closed_at", "closed_by"])


def _with_keys(key: str, acts: Sequence[Act]) -> list[Act]:
    return [replace(one, id=derived_id(key, str(n)) if n else key) for n, one in enumerate(acts)]


def _all(actor: Actor, acts: Sequence[Act], rows: Callable[[], None]) -> None:
    """Events and rows together; a day without a set has no event to tell."""
    if acts:
        perform_all(actor, acts, before=rows)
    else:
        with transaction.atomic():
            rows()
