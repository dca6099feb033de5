"""A box with tubes in it, said to the ledger directly, for the tests of counts."""

from __future__ import annotations

from datetime import datetime

from biobank.acting import perform
from biobank.core import codes
from biobank.models import Unit
from custody.core.event import new_id
from tests import people as builders

SET = "K7R2M"
AT = builders.moment(12)


def tubes(number: int, start: int = 1, of: str = SET) -> list[str]:
    return [codes.make(of, n) for n in range(start, start + number)]


def filled(people: builders.People, some: list[str], at: datetime = AT) -> list[str]:
    """These tubes, printed and filled, in the hands of the curator's agency."""
    curator = people.actor("curator")
    fields = {"role": "new", "label": "Serum", "matrix": "SER"}
    perform(curator, "label_printed", key=new_id(), at=at, lines=[{"t": code} | fields for code in some])
    perform(curator, "drawn", key=new_id(), at=at, lines=[{"t": t, "role": "subj", "ul": 500} for t in some])
    return some


def stored(people: builders.People, some: list[str], unit: str = "NLB-B001", at: datetime = AT) -> list[str]:
    """The same, in this box from its first slot on, row by row."""
    filled(people, some, at)
    slots = Unit.objects.get(code=unit).grid.all()
    lines = [
        {"t": code, "role": "subj", "unit": unit, "row": row, "col": col}
        for code, (row, col) in zip(some, slots, strict=False)
    ]
    perform(people.actor("curator"), "put_away", key=new_id(), at=at, lines=lines)
    return some


def more_boxes(people: builders.People, number: int, rack: str = "NLB-R1") -> list[Unit]:
    """Boxes NLB-B002 and so on, in the rack."""
    made = []
    for n in range(2, number + 2):
        code = f"NLB-B{n:03d}"
        made.append(
            Unit.objects.create(code=code, kind="box", name=f"Box {n}", agency=people.nlb, rows=9, cols=9)
        )
        line = {"u": code, "role": "subj", "to": rack}
        perform(people.actor("curator"), "moved", key=new_id(), at=AT, lines=[line])
    return made
