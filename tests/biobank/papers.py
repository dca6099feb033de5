"""Permits and agreements for tests, and tubes that go from one agency to another."""

from __future__ import annotations

from datetime import date
from typing import Any

from biobank.handoffs.actions import hand_off
from biobank.models import Agency, Permit, TubeSet
from biobank.permits import actions
from custody.core.event import new_id
from tests import people as builders

SEAL = "Phoca vitulina"
DAY = builders.DAY
PNG = b"\x89PNG\r\n\x1a\n" + b"a permit"


def said(people: builders.People, /, **more: Any) -> dict[str, Any]:
    """What a form says of a permit to send, of Skarvik Seal Survey, valid in 2026."""
    return {
        "sort": "permit", "number": "S-1", "allows": "send", "agency": people.sss, "issued_by": "The office",
        "species": "", "parts": "", "quantity": None, "counted": "", "people": [], "recipients": [],
        "valid_from": date(2026, 1, 1), "valid_until": date(2026, 12, 31), "conditions": "", "note": "",
    } | more  # fmt: skip


def permit(people: builders.People, /, reason: str = "new", **more: Any) -> Permit:
    return actions.save_permit(people.programme, None, said(people, **more), people.user("curator"), reason)


def primaries(tube_set: TubeSet) -> list[str]:
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def give(people: builders.People, tubes: list[str], to: Agency, hour: int = 10) -> str:
    """Skarvik Seal Survey hands these on; the handoff's id."""
    done = hand_off(people.actor("fieldtech"), new_id(), tubes, to.code, how="hand", at=builders.moment(hour))
    return done.id
