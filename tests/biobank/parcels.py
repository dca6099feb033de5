"""A shipment of many tubes in boxes and loose, for tests of its papers; with what may be on no paper."""

from __future__ import annotations

from datetime import timedelta

import pypdfium2

from biobank.acting import perform
from biobank.handoffs import actions, queries
from biobank.models import Agency, Animal, Site
from custody.core.event import new_id
from tests import people as builders
from tests.biobank import boxes

SENT = builders.moment(14)
SLOTS = 81
SECRETS = ("Gull Skerry", "GULL", "A-0001", "999000000000001", "59.12345", "10.54321")
NOTE = "Left Gull Skerry at 59.12345, 10.54321 with A-0001 (999000000000001); keep flat"
PARCEL = {
    "carrier": "Fjordbud", "waybill": "FB 555 0199 2", "logger": "LG-07", "hazard": "category_b",
    "terms": "service", "ice_g": 6_500, "shipment": "S-2026-004",
}  # fmt: skip


def parties() -> None:
    """Northlight and Tarn with address and contact; a site with a name of its own."""
    Agency.objects.filter(code="NLB").update(address="1 Quay, Northlight", contact="S. Nordby, +47 555 0101")
    Agency.objects.filter(code="TFL").update(
        address="2 Harbour Street, Tarn", contact="O. Tarnli, +47 555 0102"
    )
    Site.objects.update(name="Gull Skerry", code="GULL")
    assert Animal.objects.filter(code="A-0001").exists()


def sent(store: builders.People, number: int, loose: int = 0, **how: object) -> queries.Handoff:
    """So many tubes from Northlight to Tarn, in boxes of 81 places but for the last `loose`."""
    parties()
    tubes = boxes.tubes(number)
    boxes.filled(store, tubes)
    boxes.more_boxes(store, (number - 1) // SLOTS)
    places = {
        tube: (f"NLB-B{n // SLOTS + 1:03d}", n % SLOTS // 9 + 1, n % 9 + 1)
        for n, tube in enumerate(tubes[: number - loose])
    }
    said = {
        "how": "sealed", "seal": "NLB-0091", "centi_c": -7_810, "at": SENT, "note": NOTE, "kind": "shipped",
        "parcel": actions.Parcel(**PARCEL, boxes=places),
    } | how  # fmt: skip
    done = actions.hand_off(store.actor("curator"), new_id(), tubes, "TFL", **said)
    return look(done.id)


def bare(store: builders.People, number: int = 3, of: str = "K7R2N") -> queries.Handoff:
    """From hand to hand, and nothing else is said."""
    boxes.filled(store, tubes := boxes.tubes(number, of=of))
    done = actions.hand_off(store.actor("curator"), new_id(), tubes, "TFL", how="hand", at=SENT)
    return look(done.id)


def look(event: str) -> queries.Handoff:
    found = queries.handoff(event, round(SENT.timestamp() * 1000))
    assert found is not None
    return found


def correct(store: builders.People, event: str, **fields: object) -> None:
    data = {"of": event, "reason": "incorrect_data", "set": fields}
    perform(store.actor("curator"), "corrected", key=new_id(), at=SENT + timedelta(hours=1), data=data)


def pages(pdf: bytes) -> list[str]:
    """The text of each page, blanks and line ends as one blank."""
    found = pypdfium2.PdfDocument(pdf)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in found]


def text(pdf: bytes) -> str:
    return " ".join(pages(pdf))
