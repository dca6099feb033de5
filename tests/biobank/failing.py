"""Northlight's store with a freezer that may fail, for the tests of evacuations.

NLB-F1 holds NLB-B001 (as in people.py) and, when asked, more boxes; NLB-F2 has a rack with a box in use and
an empty one; NLB-C1 is a chest at −20 °C, NLB-CO1 a cooler with dry ice.
"""

from __future__ import annotations

from datetime import timedelta

from biobank.acting import perform
from biobank.core import codes
from biobank.models import Agency, Unit, Workup
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.boxes import AT

HOUR = timedelta(hours=1)


def moved(people: builders.People, unit: str, to: str | None, at=AT) -> str:
    key = new_id()
    line = {"u": unit, "role": "subj"} | ({"to": to} if to else {})
    perform(people.actor("curator"), "moved", key=key, at=at, lines=[line])
    return key


def add(
    people: builders.People, code: str, kind: str, to: str = "", centi=None, agency: Agency | None = None
):
    rows = {"rows": 9, "cols": 9} if kind == "box" else {}
    made = Unit.objects.create(
        code=code, kind=kind, name=code, agency=agency or people.nlb, nominal_centi=centi, **rows
    )
    moved(people, code, to or None)
    return made


def freezers(people: builders.People) -> None:
    """A second freezer with room for one more box, a chest freezer, a cooler."""
    add(people, "NLB-F2", "freezer", centi=-8000)
    add(people, "NLB-F2-R1", "rack", "NLB-F2")
    for code in ("NLB-B101", "NLB-B102"):
        add(people, code, "box", "NLB-F2-R1")
    filled_box(people, "NLB-B101", "M5555")
    add(people, "NLB-C1", "freezer", centi=-2000)
    add(people, "NLB-C1-S1", "shelf", "NLB-C1")
    add(people, "NLB-B201", "box", "NLB-C1-S1")
    add(people, "NLB-CO1", "cooler", centi=-7800)


def workup(people: builders.People, code: str, animal=None) -> Workup:
    return Workup.objects.create(code=code, day=people.day, animal=animal)


def filled_box(people, unit, of, number=4, workup="", start=1, ul=500, matrix="SER", at=AT) -> list[str]:
    """So many tubes, drawn and put into a box; `start` is the first number and the first slot."""
    curator = people.actor("curator")
    some = [codes.make(of, n) for n in range(start, start + number)]
    new = {"role": "new", "label": "Serum", "matrix": matrix}
    perform(curator, "label_printed", key=new_id(), at=at, lines=[{"t": code} | new for code in some])
    drawn = [{"t": code, "role": "subj", "ul": ul} for code in some]
    data = {"workup": workup} if workup else {}
    perform(curator, "drawn", key=new_id(), at=at, lines=drawn, data=data)
    slots = list(Unit.objects.get(code=unit).grid.all())[start - 1 : start - 1 + number]
    lines = [
        {"t": code, "role": "subj", "unit": unit, "row": row, "col": col}
        for code, (row, col) in zip(some, slots, strict=True)
    ]
    perform(curator, "put_away", key=new_id(), at=at, lines=lines)
    return some
