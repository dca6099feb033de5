"""Each fact that rules read, from real events, and what reference data say."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms, perform
from biobank.checks.facts import facts_of
from biobank.core import codes
from biobank.models import Permit, ReadingBlock, Tube, TubeSet, Unit, Workup
from custody.core.event import new_id
from custody.core.rules import Assay, Rule, verdict
from tests.biobank.logged import unlocked
from tests.biobank.measured import every_5_min, logger_in
from tests.people import moment

MANY = [codes.make("K7R2M", n) for n in range(1, 31)]
BLOOD, SERUM, DEEPER = (codes.make("K8R3N", n) for n in (3, 101, 102))
DRAWN = moment(9, 0)
PLAIN = {"severity": "stop", "evidence": "memory", "source": "a test"}
BETWEEN = Rule(
    "b", "temperature", **PLAIN, phase="between", from_act="spun", to_act="now", side="above",
    limit_centi=800, allowed_s=3600,
)  # fmt: skip
TAKE = Rule("t", "permit", **PLAIN, permit_for="take")
HOLD = Rule("h", "permit", **PLAIN, permit_for="hold")
CUSTODY = Rule("c", "custody", **PLAIN)
RULES = [BETWEEN, TAKE, HOLD, CUSTODY]


def at(hours):
    return ms(DRAWN + timedelta(hours=hours))


@pytest.fixture
def lab(store):
    actor = store.actor("curator")

    def say(kind, hours, tubes=(), *, lines=None, line=None, role="subj", **data):
        key = new_id()
        lines = lines or [{"t": code, "role": role} | (line or {}) for code in tubes]
        perform(actor, kind, key=key, at=DRAWN + timedelta(hours=hours), data=data, lines=lines)
        return key

    return say


@pytest.fixture
def drawn(store, lab):
    """A gel tube of a set that belongs to a workup, drawn full."""
    net = DRAWN - timedelta(minutes=20)
    workup = Workup.objects.create(code="W1", day=store.day, animal=store.animal, net_closed=net)
    tubes = TubeSet.objects.create(code="K8R3N", plan=store.plan, workup=workup, state="bound")
    Tube.objects.create(code=BLOOD, tube_set=tubes, label="Gel 5", matrix="BLD", additive="SST")
    lab(
        "label_printed", -48, [BLOOD], role="new", line={"label": "Gel 5", "matrix": "BLD", "additive": "SST"}
    )
    return lab("drawn", 0, [BLOOD], line={"ul": 5000})


def aliquot(lab, hours, parent=BLOOD, child=SERUM, ul=1000):
    lines = [
        {"t": parent, "role": "from", "ul": ul},
        {"t": child, "role": "to", "of": parent, "ul": ul, "matrix": "SER"},
    ]
    return lab("aliquoted", hours, lines=lines)


def facts(code=BLOOD, hours=5, rules=RULES):
    return facts_of([code], rules, at(hours))[code]


# --- reference data ----------------------------------------------------------------------------------


def test_the_net_the_species_and_the_species_group_are_also_an_aliquots(store, lab, drawn):
    aliquot(lab, 1)
    aliquot(lab, 2, parent=SERUM, child=DEEPER, ul=100)
    for code in (BLOOD, SERUM, DEEPER):
        known = facts(code)
        assert known.acts["net_closed"].at_ms == at(-1 / 3) and known.acts["net_closed"].event == ""
        assert (known.species, known.taxon) == (store.animal.species, store.plan.taxon)


def permit(store, allows="take", **said):
    row = {"number": "7/A", "agency": store.nlb, "issued_by": "office", "valid_from": date(2026, 1, 1),
           "valid_until": date(2026, 12, 31)}  # fmt: skip
    return Permit.objects.create(programme=store.programme, allows=allows, **(row | said))


@pytest.mark.parametrize(
    ("said", "answer"),
    [
        ({}, "pass"),
        ({"species": "Phoca vitulina"}, "pass"),
        ({"species": "Phoca hispida"}, "fail"),
        ({"valid_until": DRAWN.date() - timedelta(days=1)}, "fail"),
        ({"valid_until": DRAWN.date()}, "pass"),
        ({"valid_from": DRAWN.date() + timedelta(days=1)}, "fail"),
    ],
)
def test_a_permit_to_take_covers_the_day_of_the_draw(store, drawn, said, answer):
    permit(store, **said)
    assert facts().permits["take"][0] == answer


def test_a_permit_of_another_agency_covers_nothing(store, drawn):
    permit(store, "hold", agency=store.tfl)
    assert facts().permits["hold"][0] == "fail"
    permit(store, "hold")
    answer, sentence = facts().permits["hold"]
    assert answer == "pass" and "7/A" in sentence and "31.12.2026" in sentence


def test_without_any_permit_on_file_nobody_can_tell(drawn):
    assert facts().permits["take"] == ("cannot_tell", "No permit to take is on file.")


# --- acts --------------------------------------------------------------------------------------------


def test_the_latest_pull_and_thaw_count_and_voided_ones_do_not(lab, drawn):
    lab("put_away", 1, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    lab("pulled", 2, [BLOOD], why="look")
    lab("put_away", 2.1, [BLOOD], line={"unit": "NLB-B001", "row": 1, "col": 1})
    again = lab("pulled", 3, [BLOOD], why="look")
    thawed = lab("thawed", 3.1, [BLOOD])
    assert facts().acts["pulled"].event == again and facts().acts["thawed"].event == thawed
    lab("voided", 4, of=thawed, reason="did_not_occur")
    assert "thawed" not in facts().acts


def test_received_is_that_of_the_last_sending(store, lab, drawn):
    sent = lab("shipped", 1, [BLOOD], to="TFL", how="sealed", seal="S1")
    known = facts()
    assert known.acts["shipped"].event == sent and "received" not in known.acts


def test_spins_are_counted_over_generations(lab, drawn):
    lab("spun", 0.5, [BLOOD], g=2000, minutes=10)
    aliquot(lab, 1)
    lab("spun", 2, [SERUM], g=2000, minutes=10)
    lab("spun", 2.5, [BLOOD], g=2000, minutes=10)
    assert (facts(SERUM).spins, facts(BLOOD).spins) == (2, 2)


def test_measured_indices_stand_beside_grades(lab, drawn):
    lab("graded", 1, [BLOOD], line={"haemolysis": 1, "haemolysis_cmgdl": 12_345})
    assert (facts().grades, facts().indices) == ({"haemolysis": 1}, {"haemolysis": 12_345})


def test_a_gap_in_custody_is_a_fact_with_its_event(lab, drawn):
    assert facts(hours=5).gaps == ()
    known = facts(hours=30)
    assert len(known.gaps) == 1 and "no unit is named" in known.gaps[0]
    assert known.gap_events == (drawn,)


# --- windows between acts ----------------------------------------------------------------------------


@pytest.fixture
def fridge(store, lab, drawn):
    """Spun after an hour, in a fridge at 4 °C from 1.5 h to 3 h, of which half an hour at 12 °C."""
    store.units["F"] = Unit.objects.create(
        code="NLB-FR", kind="fridge", name="Fridge", agency=store.nlb, nominal_centi=400
    )
    logger = logger_in(store, "L1", "F")
    every_5_min(logger, at(0), at(6), lambda when: 1200 if at(2) <= when < at(2.5) else 400)
    lab("spun", 1, [BLOOD], g=2000, minutes=10)
    lab("put_away", 1.5, [BLOOD], line={"unit": "NLB-FR"})
    lab("pulled", 3, [BLOOD], why="aliquot")


def test_a_window_between_two_acts_is_measured(lab, fridge):
    """By hand: rises from 4 to 12 °C within 5 min before 2 h and falls within 5 min after 2 h 25 min: above
    8 °C for 2.5 + 25 + 2.5 min. Spun to now (5 h): 0.5 h in hand, 1.5 h in the fridge, 2 h in hand."""
    phases = facts().between["spun", "now"]
    spans = [(one.name, one.start_ms, one.end_ms) for one in phases]
    assert spans == [("ambient", at(1), at(1.5)), ("cold", at(1.5), at(3)), ("ambient", at(3), at(5))]
    assert [one.measured_ms for one in phases] == [0, at(3) - at(1.5), 0]
    assert phases[1].above[800] == 30 * 60_000
    assert sum(one.end_ms - one.start_ms for one in facts().phases) == at(5) - at(0)


def test_an_aliquots_window_goes_through_its_blood(lab, fridge):
    aliquot(lab, 3.5)
    spans = [(one.start_ms, one.end_ms) for one in facts(SERUM).between["spun", "now"]]
    assert spans == [(at(1), at(1.5)), (at(1.5), at(3)), (at(3), at(3.5)), (at(3.5), at(5))]


def test_without_readings_nothing_passes_that_needs_them(fridge):
    rule = Rule("r", "temperature", **PLAIN, assay="A", phase="cold", side="above", limit_centi=800,
                allowed_s=2400)  # fmt: skip
    assay = Assay("A", "A", frozenset({("BLD", "")}))
    assert verdict(facts(rules=[rule]), assay, [rule]).word == "fit", "30 min above, 40 min allowed"
    unlocked()
    ReadingBlock.objects.all().delete()
    assert verdict(facts(rules=[rule]), assay, [rule]).word == "cannot_tell"
    assert facts().between["spun", "now"][1].measured_ms == 0


# --- queries -----------------------------------------------------------------------------------------


def test_queries_do_not_grow_with_tubes(lab, store):
    vial = {"label": "Serum", "matrix": "SER", "additive": "NONE"}
    lab("label_printed", -48, MANY, role="new", line=vial)
    lab("drawn", 0, MANY, line={"ul": 1000})
    lab("spun", 1, MANY, g=2000, minutes=10)
    with CaptureQueriesContext(connection) as few:
        facts_of(MANY[:3], RULES, at(5))
    with CaptureQueriesContext(connection) as many:
        assert len(facts_of(MANY, RULES, at(5))) == 30
    assert len(many) == len(few)
