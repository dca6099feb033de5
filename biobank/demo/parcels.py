"""What the demo plans to send: a draft that leaves on dry ice, with its packing list still open."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import Any

from biobank.demo.world import World, key
from biobank.models import Agency
from biobank.shipping import actions, hours
from custody import queries as ledger

WORKDAYS = [0, 1, 2, 3, 4]


def plan(world: World) -> None:
    """Northlight sends four frozen serum aliquots to Tarn for analysis; Tarn takes parcels on workdays."""
    actor = world.actor("curator")
    tarn = Agency.objects.get(code="TFL")
    hours.open_on(tarn, WORKDAYS, time(8), time(16), actor.person.user)
    said = {
        "receiver": tarn, "terms": "service", "due_back": None, "assay": None, "hazard": "exempt",
        "contact": "Northlight desk, 555 0100 (invented)", "seal": "S-2041", "remarks": "",
    }  # fmt: skip
    one = actions.begin(actor, key("shipment"), said)
    serum = ledger.find(custodian="NLB", matrix="SER", status="stored", disputes=0)
    actions.add(actor, one, "\n".join(sorted(state.tube for state in serum)[:4]))
    actions.put_leg(one, None, leg(_next_workday(world)))


def leg(leaves: datetime) -> dict[str, Any]:
    """By road overnight on 8 kg of dry ice, for as long as the invented box held in the own test."""
    return {
        "mode": "road", "carrier": "Bay Couriers (invented)", "waybill": "BC-7731", "leaves": leaves,
        "arrives": leaves + timedelta(hours=18), "coolant": "dry_ice", "coolant_g": 8000,
        "ice_form": "pellets", "hold_min": 36 * 60, "hold_source": "own test of this box, invented",
        "upright": True, "unit": None, "logger": None,
    }  # fmt: skip


def _next_workday(world: World) -> datetime:
    """Tomorrow at 15:00, or on the next Monday to Thursday, so that it arrives on a workday."""
    days = next(n for n in range(1, 8) if (world.today + timedelta(days=n)).weekday() < 4)
    return world.at(-days, "15:00")
