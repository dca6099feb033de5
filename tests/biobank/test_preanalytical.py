"""The preanalytical code of real tubes: worked out by hand from what was done to them."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms, perform
from biobank.checks.preanalytical import codes_of
from biobank.core import codes
from biobank.models import Unit
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.measured import every_5_min, logger_in
from tests.people import moment

BLOOD, SERUM = codes.make("K7R2M", 3), codes.make("K7R2M", 101)
DRAWN, DAY = moment(9, 0), timedelta(days=1)


@pytest.fixture
def lab(store):
    actor = store.actor("curator")

    def say(kind, hours, lines, **data):
        perform(actor, kind, key=new_id(), at=DRAWN + timedelta(hours=hours), data=data, lines=lines)

    return say


@pytest.fixture
def serum(lab):
    """Gel tube, spun after an hour at 2000 × g, 21 °C, brake on; serum into a 2 mL cryovial."""
    gel = {"label": "Gel 5", "matrix": "BLD", "additive": "SST", "container": "PET tube", "ul": 5000}
    vial = {"label": "Serum", "matrix": "SER", "additive": "NONE", "container": "cryovial 2 mL", "ul": 1000}
    lab("label_printed", -2, [{"t": BLOOD, "role": "new"} | gel])
    lab("label_printed", -2, [{"t": SERUM, "role": "new"} | vial])
    lab("drawn", 0, [{"t": BLOOD, "role": "subj", "ul": 5000}])
    lab("spun", 1, [{"t": BLOOD, "role": "subj"}], g=2000, minutes=10, centi_c=2100, brake=True)
    given = {"t": SERUM, "role": "to", "of": BLOOD, "ul": 1000, "matrix": "SER"}
    lab("aliquoted", 1.5, [{"t": BLOOD, "role": "from", "ul": 1000}, given])


def code(tube, hours=24):
    return codes_of([tube], ms(DRAWN + timedelta(hours=hours)))[tube]


def test_serum_that_nobody_measured_has_no_temperatures(serum):
    assert code(SERUM).code == "SER-SST-X-B-N-X-X"
    assert "not measured" in code(SERUM).elements[2].why


def test_an_empty_label_has_no_code(serum, lab):
    other = codes.make("K7R2M", 102)
    lab("label_printed", -2, [{"t": other, "role": "new", "matrix": "SER"}])
    assert codes_of([other], ms(DRAWN + timedelta(hours=1))) == {}


def test_a_spin_that_was_voided_does_not_count(serum, lab, store):
    spun = next(one for one in ledger.history(BLOOD) if one.kind == "spun")
    lab("voided", 2, [], of=spun.id, reason="did_not_occur")
    assert code(SERUM).code.split("-")[3] == "N"


def test_queries_do_not_grow(serum, lab):
    more = [codes.make("K7R2M", n) for n in range(102, 132)]
    lab("label_printed", -2, [{"t": one, "role": "new", "matrix": "SER"} for one in more])
    given = [{"t": one, "role": "to", "of": BLOOD, "ul": 50, "matrix": "SER"} for one in more]
    lab("aliquoted", 1.6, [{"t": BLOOD, "role": "from", "ul": 1500}, *given])

    def asked(tubes):
        with CaptureQueriesContext(connection) as seen:
            codes_of(tubes, ms(DRAWN + DAY))
        return len(seen)

    assert asked(more[:3]) == asked(more)


def test_a_biopsy_divided_at_once_and_frozen_late_was_warm_for_long(lab, store):
    piece, part = codes.make("K7R2M", 40), codes.make("K7R2M", 140)
    skin = {"label": "Skin biopsy", "matrix": "SKN", "additive": "NONE", "container": "cryovial 2 mL"}
    lab("label_printed", -2, [{"t": one, "role": "new"} | skin for one in (piece, part)])
    lab("drawn", 0, [{"t": piece, "role": "subj", "ul": 200}])
    given = {"t": part, "role": "to", "of": piece, "ul": 100, "matrix": "SKN"}
    lab("aliquoted", 0.1, [{"t": piece, "role": "from", "ul": 100}, given])
    assert code(part, 9).elements[3].letter == "X"
    lab("put_away", 10, [{"t": part, "role": "subj", "unit": "NLB-B001", "row": 1, "col": 1}])
    assert code(part).elements[3].letter == "F"


def test_an_additive_that_is_not_known_is_not_that_of_the_vial(lab):
    lab("label_printed", -2, [{"t": BLOOD, "role": "new", "matrix": "BLD"}])
    lab("label_printed", -2, [{"t": SERUM, "role": "new", "matrix": "SER", "additive": "NONE"}])
    lab("drawn", 0, [{"t": BLOOD, "role": "subj", "ul": 5000}])
    given = {"t": SERUM, "role": "to", "of": BLOOD, "ul": 1000, "matrix": "SER"}
    lab("aliquoted", 1, [{"t": BLOOD, "role": "from", "ul": 1000}, given])
    assert code(SERUM).elements[1].letter == "XXX"


def test_serum_that_was_in_a_logged_cooler_all_the_way_has_a_whole_code(serum, lab, store):
    """By hand: 1 h at 5 °C to the spin is B; 10 min at 2000 × g, 21 °C, brake is B; 45 min at 5 °C to the
    freezer is A; a 2 mL cryovial at a set point of -80 °C is D."""
    cooler = Unit.objects.create(code="COOL", kind="cooler", name="Cooler", agency=store.tfl)
    store.units["COOL"] = cooler
    every_5_min(logger_in(store, "T-5", "COOL"), ms(DRAWN - DAY), ms(DRAWN + DAY), lambda at: 500)
    lab("put_away", 0, [{"t": BLOOD, "role": "subj", "unit": "COOL"}])
    lab("put_away", 1.5, [{"t": SERUM, "role": "subj", "unit": "COOL"}])
    lab("moved", 1.75, [{"t": SERUM, "role": "subj", "unit": "NLB-B001", "row": 1, "col": 1}])
    assert code(SERUM).code == "SER-SST-B-B-N-A-D"
    assert code(BLOOD, 1.4).code.startswith("BLD-SST-B-B-N-X-")
