"""A shipment in the making, for the tests: Tarn Field Laboratory sends tubes to Northlight Biobank.

Promises: plain builders; the moments lie on days of May 2026 that the tests name, and tests stop the clock
there.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any

from biobank.models import Leg, Permit, Shipment
from biobank.shipping import actions, hours, queries
from custody.core.event import new_id
from tests.biobank.judged import make_tubes
from tests.people import DAY, People, moment

MONDAY = DAY + timedelta(days=1)  # 4 May 2026


def on(days: int, hour: int, minute: int = 0) -> datetime:
    """So many days after Monday, 4 May 2026, in Skarvik Bay."""
    return moment(hour, minute, MONDAY + timedelta(days=days))


def said(people: People, **more: Any) -> dict[str, Any]:
    """What a draft needs."""
    found = {
        "receiver": people.nlb, "terms": "service", "due_back": None, "assay": None, "hazard": "exempt",
        "contact": "Lab desk, 555 0101", "seal": "S-77", "remarks": "",
    }  # fmt: skip
    return found | more


def draft(people: People, key: str = "", role: str = "labtech", **more: Any) -> Shipment:
    return actions.begin(people.actor(role), key or new_id(), said(people, **more))


def leg(leaves: datetime, arrives: datetime, **more: Any) -> dict[str, Any]:
    """By road on dry ice that holds for 48 hours."""
    found = {
        "mode": "road", "carrier": "Bay Couriers", "waybill": "W-1", "leaves": leaves, "arrives": arrives,
        "coolant": "dry_ice", "coolant_g": 8000, "ice_form": "pellets", "hold_min": 48 * 60,
        "hold_source": "own test of the box", "upright": True, "unit": None, "logger": None,
    }  # fmt: skip
    return found | more


def open_workdays(people: People) -> None:
    """Northlight takes parcels on workdays from 8 to 16."""
    hours.open_on(people.nlb, list(range(5)), time(8), time(16), people.user("curator"))


def permitted(people: People, **more: Any) -> None:
    """Tarn may send and Northlight may receive all year."""
    for agency, verb in ((people.tfl, "send"), (people.nlb, "receive")):
        Permit.objects.create(**{
            "programme": people.programme, "number": f"P-{verb}", "allows": verb, "agency": agency,
            "issued_by": "the office", "valid_from": "2026-01-01", "valid_until": "2026-12-31",
        } | more)  # fmt: skip


def answered(people: People, shipment: Shipment) -> None:
    """Every point of its packing list is so."""
    asked = queries.packing(shipment, queries.legs(shipment), queries.contents(shipment))
    said_ = {one.point.code: ("done", "") for one in asked}
    actions.check_points(people.actor("labtech"), shipment, said_)


def ready(
    people: People, tubes: list[str] | None = None, permits: bool = True, **more: Any
) -> tuple[Shipment, list[str]]:
    """Nothing is open: two tubes or these, one leg from Monday 9:00 to Tuesday 10:00, permits, hours,
    packing."""
    found = tubes or make_tubes(people)[:2]
    one = draft(people, **more)
    actions.add(people.actor("labtech"), one, "\n".join(found))
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10)))
    open_workdays(people)
    if permits:
        permitted(people)
    answered(people, one)
    return Shipment.objects.get(pk=one.pk), found


def only_leg(one: Shipment) -> Leg:
    return Leg.objects.get(shipment=one)
