"""What is done to a shipment while it is a draft: begin, change, put tubes in and take them out, legs,
packing, drop. None of it is custody: that changes when it is sent (`sending`).

Promises: what was sent or dropped is not changed any more; a tube is in one open draft at a time, and only
while the giver holds it; the same form sent again makes nothing twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.bench.hands import in_hand
from biobank.handoffs import giving
from biobank.models import Leg, PackingCheck, Programme, Shipment, ShipmentTube
from biobank.shipping import points, queries
from custody.core.refusal import Refused

MOST = 1000  # tubes in one shipment: what a handoff is counted up to
TRIES = 20  # of people who begin one at the same moment
BY_FORM = "begun by form "


def begin(actor: Actor, key: str, said: Mapping[str, Any]) -> Shipment:
    """A new draft of the actor's agency; the same key again is the same draft. Refused: handed_to_itself,
    due_back_missing, shipment_numbers_busy."""
    reason = BY_FORM + key
    if there := Shipment.history.filter(history_change_reason=reason).first():
        return Shipment.objects.get(pk=there.id)
    _check(actor, said)
    now = timezone.now()
    for _ in range(TRIES):
        row = Shipment(
            programme=actor.person.programme, giver=actor.person.agency, made_by=actor.person, made=now,
            number=next_number(actor.person.programme, now), **said,
        )  # fmt: skip
        try:
            with transaction.atomic(), saving(actor.person.user, reason, row):
                row.save()
            return row
        except IntegrityError:
            continue  # somebody else was faster with the number
    raise Refused("shipment_numbers_busy", "Too many shipments are being numbered just now. Try again.")


def next_number(programme: Programme, now: datetime) -> str:
    """PROGRAMME-S-YEAR-NNN, the next of its year in the programme's zone."""
    head = f"{programme.code}-S-{now.astimezone(ZoneInfo(programme.tz)).year}-"
    rows = Shipment.objects.filter(programme=programme, number__startswith=head)
    last = max(
        (int(number.removeprefix(head)) for number in rows.values_list("number", flat=True)), default=0
    )
    return f"{head}{last + 1:03d}"


def _check(actor: Actor, said: Mapping[str, Any]) -> None:
    if said["receiver"] == actor.person.agency:
        raise Refused("handed_to_itself", "A shipment goes to another agency.")
    if said["terms"] == "loan" and not said.get("due_back"):
        raise Refused("due_back_missing", "A loan comes back: say by which day.")


def change(actor: Actor, shipment: Shipment, said: Mapping[str, Any]) -> None:
    """Receiver, terms, analysis, hazard, contact, seal. Refused: those of `begin`, and `still_draft`."""
    still_draft(shipment)
    _check(actor, said)
    for name, value in said.items():
        setattr(shipment, name, value)
    with saving(actor.person.user, "changed", shipment):
        shipment.save()


def still_draft(shipment: Shipment) -> None:
    """Refused shipment_sent or shipment_dropped: the database is asked, not what the page was drawn with."""
    now = Shipment.objects.filter(pk=shipment.pk).values_list("handoff", "dropped").get()
    if now[0] is not None:
        raise Refused("shipment_sent", f"{shipment.number} was sent; it is not changed any more.")
    if now[1]:
        raise Refused("shipment_dropped", f"{shipment.number} was dropped; begin another one.")


def drop(actor: Actor, shipment: Shipment, reason: str) -> None:
    """It is not sent, and its tubes are free for another one."""
    still_draft(shipment)
    shipment.dropped = reason
    with saving(actor.person.user, "dropped", shipment):
        shipment.save()


# --- tubes ----------------------------------------------------------------------------------------


def add(actor: Actor, shipment: Shipment, text: str) -> int:
    """Scanned tubes, boxes and coolers, all or none; how many are new.

    Refused: those of `giving.scanned` and `hands.in_hand`, tube_in_other_draft, tube_of_other_programme,
    shipment_too_large.
    """
    still_draft(shipment)
    found = giving.scanned(text)
    tubes = list(found.tubes)
    in_hand(actor, tubes)
    check_free(shipment, tubes)
    there = set(shipment.tubes.values_list("tube", flat=True))
    new = [tube for tube in tubes if tube not in there]
    if len(there) + len(new) > MOST:
        raise Refused("shipment_too_large", f"A shipment has at most {MOST} tubes. Make a second one.")
    box = {tube: place[0] for tube, place in found.boxes.items()}
    rows = [ShipmentTube(shipment=shipment, tube=tube, box=box.get(tube, "")) for tube in new]
    ShipmentTube.objects.bulk_create(rows, ignore_conflicts=True)
    return len(new)


def check_free(shipment: Shipment, tubes: list[str]) -> None:
    """Each of these is in no other open draft and of this programme. Refused, naming the first."""
    if taken := queries.in_drafts(tubes, but=shipment.pk):
        tube = next(one for one in tubes if one in taken)
        raise Refused(
            "tube_in_other_draft",
            f"This tube is in {taken[tube]}, which is not sent yet. Take it out there.",
            tube,
        )
    if other := queries.foreign(shipment, tubes):
        raise Refused("tube_of_other_programme", "This tube belongs to another programme.", other)


def take_out(shipment: Shipment, tubes: Sequence[str]) -> int:
    """These tubes do not go; how many that were. Refused tube_not_in_shipment for the first that is not in
    it."""
    still_draft(shipment)
    there = set(shipment.tubes.values_list("tube", flat=True))
    if odd := next((tube for tube in tubes if tube not in there), None):
        raise Refused("tube_not_in_shipment", f"This tube is not in {shipment.number}.", odd)
    return ShipmentTube.objects.filter(shipment=shipment, tube__in=list(tubes)).delete()[0]


# --- legs -----------------------------------------------------------------------------------------


@transaction.atomic
def put_leg(shipment: Shipment, leg: Leg | None, said: Mapping[str, Any]) -> Leg:
    """A new leg, or this one as it now is; then they are numbered by when they leave. Refused leg_backwards,
    leg_twice."""
    still_draft(shipment)
    if said["arrives"] <= said["leaves"]:
        raise Refused("leg_backwards", "A leg arrives after it has left.")
    others = shipment.legs.exclude(pk=leg.pk if leg else None)
    if others.filter(leaves=said["leaves"]).exists():
        raise Refused("leg_twice", "There is a leg that leaves at this moment.")
    row = leg or Leg(shipment=shipment, n=_last(shipment) + 1)
    for name, value in said.items():
        setattr(row, name, value)
    row.save(update_fields=list(said) if leg else None)  # its number may be another one by now
    _number(shipment)
    return row


@transaction.atomic
def remove_leg(shipment: Shipment, leg: Leg) -> None:
    still_draft(shipment)
    leg.delete()
    _number(shipment)


def _last(shipment: Shipment) -> int:
    return max(shipment.legs.values_list("n", flat=True), default=0)


def _number(shipment: Shipment) -> None:
    """1, 2, 3 by when they leave; over numbers that nobody has, because no two legs may share one."""
    order = list(shipment.legs.order_by("leaves").values_list("pk", flat=True))
    free = _last(shipment)
    for start in (free, 0):
        for n, pk in enumerate(order, start + 1):
            Leg.objects.filter(pk=pk).update(n=n)


# --- packing --------------------------------------------------------------------------------------


@transaction.atomic
def check_points(actor: Actor, shipment: Shipment, said: Mapping[str, tuple[str, str]]) -> None:
    """For each point "done", "no" with its reason, or "" for not looked at yet. Refused point_unknown,
    left_out_says_why."""
    still_draft(shipment)
    known = {one.code: one for one in points.POINTS}
    for code, (answer, note) in said.items():
        if code not in known:
            raise Refused("point_unknown", "There is no such point on the packing list.")
        if answer == "no" and not note:
            raise Refused(
                "left_out_says_why", f"“{known[code].words[:60]}…” does not apply: say why beside it."
            )
    for code, (answer, note) in said.items():
        _answer(actor, shipment, code, answer, note)


def _answer(actor: Actor, shipment: Shipment, code: str, answer: str, note: str) -> None:
    """Who looked at it first stays named, until it is answered otherwise."""
    there = PackingCheck.objects.filter(shipment=shipment, point=code).first()
    applies = answer != "no"
    if there and answer and (there.applies, there.note) == (applies, note):
        return
    if there:
        there.delete()
    if answer:
        PackingCheck.objects.create(
            shipment=shipment, point=code, applies=applies, note=note, by=actor.person, at=timezone.now()
        )
