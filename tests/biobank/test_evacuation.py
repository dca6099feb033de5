"""A freezer fails: what leaves first, where to, box by box out and in, and what it does to verdicts."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from biobank.acting import ms, perform
from biobank.checks.verdicts import verdicts_of
from biobank.core import codes
from biobank.evacuation import actions, letters, queries, tree
from biobank.evacuation.order import KEEP_S
from biobank.evacuation.ranking import rank
from biobank.evacuation.room import room_for
from biobank.models import Assay, AssayTakes, Evacuation, Rule, RuleSet, ThermalEvent, Unit
from biobank.temperature import actions as loggers
from biobank.temperature.queries import phases_of
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.boxes import AT
from tests.biobank.failing import HOUR, add, filled_box, freezers, moved, workup
from tests.biobank.lab import refused
from tests.biobank.test_loggers import rows_from, take_in
from tests.people import moment

pytestmark = pytest.mark.django_db
F1, B1, F2R1 = "NLB-F1", "NLB-B001", "NLB-F2-R1"


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def three(store):
    """Freezer 1 with three boxes: plenty, a little, and the only tube of a seal; Freezer 2 beside it."""
    freezers(store)
    for code in ("NLB-B002", "NLB-B003"):
        add(store, code, "box", "NLB-R1")
    seal, other = store.animal, builders.make_animal(store.programme, "A-0002", "999000000000002")
    workup(store, "W-1", seal)
    workup(store, "W-2", other)
    filled_box(store, B1, "K7R2M", 9, "W-1", matrix="URN")
    filled_box(store, "NLB-B002", "K8R3N", 2, "W-1", matrix="SER")
    filled_box(store, "NLB-B003", "M7R2M", 1, "W-2", matrix="SER")
    return store


@pytest.fixture
def going(curator, three):
    return actions.begin(curator, new_id(), three.units[F1], "compressor stands still")


def scan(curator, going, text, hold=(), why=""):
    return actions.scan(curator, new_id(), going, text, hold, why)


def order(people):
    return [(box.unit, box.word) for box in queries.plan(people.units[F1]).boxes]


# the ranked list ----------------------------------------------------------------------------------


def test_the_only_tube_of_a_seal_leaves_first_then_few_then_plenty(three):
    assert order(three) == [("NLB-B003", "irreplaceable"), ("NLB-B002", "scarce"), (B1, "the rest")]


def test_a_second_tube_anywhere_else_makes_the_first_one_replaceable(three):
    filled_box(three, "NLB-B102", "N7R2M", 1, "W-2")
    assert dict(order(three))["NLB-B003"] == "scarce"


def test_a_tube_that_is_gone_does_not_count_as_left(three):
    (gone,) = filled_box(three, "NLB-B102", "N7R2M", 1, "W-2")
    line = {"t": gone, "role": "subj"}
    perform(
        three.actor("curator"), "discarded", key=new_id(), at=AT + HOUR, lines=[line], data={"why": "empty"}
    )
    assert dict(order(three))["NLB-B003"] == "irreplaceable"


def test_two_workups_of_one_seal_are_one_animal_and_so_are_merged_seals(three):
    again = workup(three, "W-3", three.animal)
    filled_box(three, "NLB-B102", "N7R2M", 9, again.code)
    assert dict(order(three))["NLB-B002"] == "sensitive", "11 tubes of serum of this seal are not few"
    other = builders.Animal.objects.get(code="A-0002")
    other.merged_into = three.animal
    other.save()
    assert dict(order(three))["NLB-B003"] == "sensitive"


def test_a_reserve_and_a_last_aliquot_are_irreplaceable(three):
    tubes = [codes.make("K7R2M", n) for n in (1, 2)]
    line = {"t": tubes[0], "role": "subj"}
    perform(three.actor("curator"), "reserved", key=new_id(), at=AT + HOUR, lines=[line])
    box = next(one for one in queries.plan(three.units[F1]).boxes if one.unit == B1)
    assert (box.rank, box.reserved, box.irreplaceable) == (1, 1, 1)
    child = codes.make("P7R2M", 1)
    lines = [
        {"t": tubes[1], "role": "from", "ul": 100},
        {"t": child, "role": "to", "of": tubes[1], "ul": 100, "matrix": "URN"},
    ]
    curator = three.actor("curator")
    perform(curator, "label_printed", key=new_id(), at=AT,
            lines=[{"t": child, "role": "new", "label": "x", "matrix": "URN"}])  # fmt: skip
    perform(
        curator,
        "pulled",
        key=new_id(),
        at=AT + HOUR,
        lines=[{"t": tubes[1], "role": "subj"}],
        data={"why": "x"},
    )
    perform(curator, "aliquoted", key=new_id(), at=AT + 2 * HOUR, lines=lines)
    put = {"t": child, "role": "subj", "unit": "NLB-B002", "row": 9, "col": 9}
    perform(curator, "put_away", key=new_id(), at=AT + 3 * HOUR, lines=[put])
    box = next(one for one in queries.plan(three.units[F1]).boxes if one.unit == "NLB-B002")
    assert (box.last, box.irreplaceable) == (1, 1)


def test_an_aliquot_that_nobody_bound_belongs_to_the_animal_of_its_parent(three):
    box = next(one for one in rank({"NLB-B002": ("NLB-B002",)}) if one.unit == "NLB-B002")
    assert box.unknown == 0
    filled_box(three, "NLB-B002", "N7R2M", 3, start=10)
    box = next(one for one in rank({"NLB-B002": ("NLB-B002",)}) if one.unit == "NLB-B002")
    assert (box.unknown, box.scarce) == (3, 5), "without a workup nobody can say how many are left"


def test_what_a_plan_keeps_deep_is_sensitive(three):
    filled_box(three, B1, "N7R2M", 20, "W-1", start=10, matrix="PL1")  # the plan stores plasma at −80 °C
    assert dict(order(three))[B1] == "sensitive"


def test_what_a_rule_in_force_keeps_deep_is_sensitive(three):
    assert dict(order(three))[B1] == "the rest", "no plan and no rule for urine"
    rule(matrix="URN")
    assert dict(order(three))[B1] == "sensitive"


# where to -----------------------------------------------------------------------------------------


def test_a_rack_takes_as_many_boxes_as_once_stood_in_it_less_those_with_tubes(three):
    room = room_for(three.units[F1], -8000, ["NLB-B003", "NLB-B002"])
    assert [(one.unit, one.boxes, one.given) for one in room.places] == [(F2R1, 1, 1)]
    assert (room.to, room.left_over) == ({"NLB-B003": F2R1}, 1)
    assert [(one.code, centi) for one, centi in room.carriers] == [("NLB-CO1", -7800)]
    moved(three, "NLB-B102", None, AT + HOUR)
    assert room_for(three.units[F1], -8000, ["NLB-B003"]).to == {"NLB-B003": F2R1}, "two once stood in it"


def test_a_warmer_freezer_is_no_place_but_takes_what_may_be_warmer(three):
    assert "NLB-C1-S1" not in room_for(three.units[F1], -8000, ["x"] * 9).to.values()
    assert "NLB-C1-S1" in room_for(three.units[F1], -2000, ["x"]).to.values()


def test_another_freezer_that_fails_too_is_no_place(three, curator):
    actions.begin(curator, new_id(), Unit.objects.get(code="NLB-F2"), "power")
    assert room_for(three.units[F1], -8000, ["NLB-B003"]).to == {}


@pytest.mark.parametrize("kind", ["rack", "shelf", "drawer", "canister", "goblet"])
def test_whatever_holds_boxes_is_named_without_a_number_while_it_is_empty(three, kind):
    add(three, "NLB-F9", "freezer", centi=-8000)
    add(three, "NLB-F9-1", kind, "NLB-F9")
    names = {one.unit: (one.never, one.boxes) for one in room_for(three.units[F1], -8000, []).places}
    assert names["NLB-F9-1"] == (True, 0)
    assert "NLB-F9" not in names, "boxes go into what stands in it"


def test_a_cold_room_with_nothing_in_it_is_no_place(three):
    add(three, "NLB-X9", "room", centi=-8000)
    names = {one.unit for one in room_for(three.units[F1], -8000, []).places}
    assert "NLB-X9" not in names


def test_an_empty_freezer_is_named_without_a_number(three):
    add(three, "NLB-F9", "freezer", centi=-8000)
    room = room_for(three.units[F1], -8000, [])
    assert [(one.unit, one.never, one.boxes) for one in room.places][-1] == ("NLB-F9", True, 0)


# out and in ---------------------------------------------------------------------------------------


def stages(going):
    return {row.box.unit: (row.stage, row.where) for row in queries.run(going).rows}


def test_a_box_out_and_in_are_two_events_of_the_ledger_and_nothing_else(curator, going):
    before = ledger.size()
    out = scan(curator, going, "nlb-b003")
    assert out.hold == ("NLB-B003",)
    assert stages(going)["NLB-B003"] == ("hand", "")
    done = scan(curator, going, F2R1, out.hold)
    assert (done.hold, stages(going)["NLB-B003"]) == ((), ("safe", F2R1))
    assert ledger.size() == before + 2
    assert [one.header["kind"] for one in ledger.recent(2)] == ["moved", "moved"]
    assert ledger.recent(1)[0].header["data"]["reason"] == f"evacuation of {F1}"


def test_by_a_cooler_and_out_of_it_again(curator, going):
    both = scan(curator, going, "NLB-B002", scan(curator, going, "NLB-B003").hold)
    assert both.hold == ("NLB-B003", "NLB-B002")
    assert scan(curator, going, "NLB-CO1", both.hold).hold == ()
    assert {stages(going)[box] for box in both.hold} == {("way", "NLB-CO1")}
    size = ledger.size()
    again = scan(curator, going, "NLB-B003")
    assert ledger.size() == size, "taking it up again is no event"
    scan(curator, going, F2R1, again.hold)
    run = queries.run(going)
    assert (len(run.waiting), len(run.carried), len(run.safe)) == (1, 1, 1)
    assert (run.percent, run.irreplaceable) == (33, (1, 1))


def test_a_whole_rack_takes_its_boxes_along(curator, going):
    out = scan(curator, going, "NLB-R1")
    assert {stage for stage, _ in stages(going).values()} == {"hand"}
    scan(curator, going, "NLB-F2", out.hold)
    assert {stage for stage, _ in stages(going).values()} == {"safe"}


def test_a_box_put_into_the_wrong_place_is_taken_up_and_put_again(curator, going):
    scan(curator, going, F2R1, scan(curator, going, "NLB-B003").hold)
    scan(curator, going, "NLB-F2", scan(curator, going, "NLB-B003").hold)
    assert stages(going)["NLB-B003"] == ("safe", "NLB-F2")


def test_a_scan_sent_twice_is_one_event(curator, going):
    key, size = new_id(), ledger.size()
    first = actions.scan(curator, key, going, "NLB-B003")
    assert actions.scan(curator, key, going, "NLB-B003").hold == first.hold
    assert ledger.size() == size + 1
    key = new_id()
    for _ in range(2):
        assert actions.scan(curator, key, going, F2R1, first.hold).hold == ()
    assert ledger.size() == size + 2


def test_enter_twice_with_a_fresh_page_between_is_one_event_too(curator, going):
    size = ledger.size()
    hold = scan(curator, going, "NLB-B003", scan(curator, going, "NLB-B003").hold).hold
    assert (hold, ledger.size()) == (("NLB-B003",), size + 1)


def test_what_is_refused_and_says_so(curator, going, three):
    tube = codes.make("K7R2M", 1)
    hold = scan(curator, going, "NLB-B003").hold
    with refused("unit_unknown"):
        scan(curator, going, "NLB-B999")
    with refused("tube_where_unit"):
        scan(curator, going, tube, hold)
    with refused("nothing_in_hand", F2R1):
        scan(curator, going, F2R1)
    with refused("unit_is_emptied", F1):
        scan(curator, going, F1, hold)
    with refused("not_of_this_unit", "NLB-B101"):
        scan(curator, going, "NLB-B101", hold)
    with refused("not_of_this_unit", "NLB-B101"):
        scan(curator, going, F2R1, ["NLB-B101"])
    with refused("not_taken_out", B1):
        scan(curator, going, F2R1, [B1])


def test_a_warmer_place_asks_why_and_keeps_the_answer(curator, going):
    hold = scan(curator, going, "NLB-B003").hold
    with refused("wrong_temperature_class", "−18 to −35 °C"):
        scan(curator, going, "NLB-C1-S1", hold)
    scan(curator, going, "NLB-C1-S1", hold, "nothing colder left")
    assert ledger.recent(1)[0].header["data"]["note"] == "nothing colder left"


def test_a_place_of_which_nobody_knows_how_cold_it_is_asks_why(curator, going, three):
    add(three, "NLB-X1", "room")
    hold = scan(curator, going, "NLB-B003").hold
    with refused("wrong_temperature_class", "NLB-X1"):
        scan(curator, going, "NLB-X1", hold)


def test_begun_twice_is_one_and_a_second_one_is_refused(curator, three):
    key = new_id()
    one = actions.begin(curator, key, three.units[F1], "power")
    assert actions.begin(curator, key, three.units[F1], "power").pk == one.pk
    with refused("evacuation_goes_on", F1):
        actions.begin(curator, new_id(), three.units[F1], "power")
    with refused("unit_is_a_box"):
        actions.begin(curator, new_id(), three.units[B1], "power")
    with refused("reason_required"):
        actions.begin(curator, new_id(), Unit.objects.get(code="NLB-F2"), " ")


def test_it_ends_when_all_boxes_are_safe_or_somebody_says_why_not(curator, going):
    scan(curator, going, F2R1, scan(curator, going, "NLB-B003").hold)
    scan(curator, going, "NLB-B002")
    with refused("boxes_are_out", "1 box still in it and 1 box in no new place (NLB-B002)"):
        actions.end(curator, new_id(), going)
    key = new_id()
    assert actions.end(curator, key, going, "it cools again").ended
    actions.end(curator, key, going, "it cools again")
    with refused("evacuation_ended"):
        actions.end(curator, new_id(), going, "again")
    with refused("evacuation_ended"):
        actions.scan(curator, new_id(), Evacuation.objects.get(), B1)


def test_an_empty_box_keeps_nobody_and_all_safe_needs_no_word(curator, going, three):
    add(three, "NLB-B004", "box", "NLB-R1")
    for box in ("NLB-B001", "NLB-B002", "NLB-B003"):
        scan(curator, going, "NLB-F2", scan(curator, going, box).hold)
    assert actions.end(curator, new_id(), going).ended


def test_an_ended_evacuation_stays_as_it_was_whatever_moves_later(curator, going):
    scan(curator, going, F2R1, scan(curator, going, "NLB-B003").hold)
    ended = actions.end(curator, new_id(), going, "it cools again")
    Evacuation.objects.update(ended=timezone.now() - timedelta(milliseconds=1))
    ended.refresh_from_db()
    before = stages(ended)
    line = {"u": "NLB-B003", "role": "subj", "to": "NLB-R1"}
    perform(curator, "moved", key=new_id(), lines=[line])
    assert stages(ended) == before
    assert before["NLB-B003"] == ("safe", F2R1)


def test_moves_are_told_newest_first(curator, going):
    scan(curator, going, F2R1, scan(curator, going, "NLB-B003").hold)
    assert [(one.unit, one.to) for one in queries.run(going).moves] == [
        ("NLB-B003", F2R1),
        ("NLB-B003", None),
    ]


def test_a_loop_of_units_ends():
    loop = {"A": "B", "B": "A", "C": "A"}
    assert set(tree.below("A", loop)) == {"B", "C"}
    assert tree.upwards("A", loop) == ["B"]


def many(three, of="R"):
    for n in range(30):
        add(three, f"NLB-B4{n:02d}", "box", "NLB-R1")
        filled_box(three, f"NLB-B4{n:02d}", f"{of}{n:02d}AA", 3, "W-1")


def asked(*does):
    with CaptureQueriesContext(connection) as seen:
        for do in does:
            do()
    return len(seen)


def test_queries_do_not_grow_with_boxes_and_tubes(three, going):
    does = [cache.clear, lambda: queries.run(going), lambda: queries.plan(three.units[F1])]
    few = asked(*does)
    many(three)
    assert len(queries.run(going).rows) == 33
    assert asked(*does) == few <= 54


# the order is worked out once ---------------------------------------------------------------------


def seen(going):
    return [(row.box.unit, row.stage, row.where, row.to) for row in queries.run(going).rows]


def anew(going):
    cache.clear()
    return seen(going)


def never(*_):
    raise AssertionError("ranked again")


def test_a_scan_ranks_nothing_and_asks_as_often_for_33_boxes_as_for_3(curator, going, three, monkeypatch):
    def out_and_in(box):
        scan(curator, going, "NLB-F2", scan(curator, going, box).hold)
        queries.run(going)

    queries.run(going)
    with monkeypatch.context() as patched:
        patched.setattr("biobank.evacuation.order.rank", never)
        patched.setattr("biobank.evacuation.order.berths_of", never)
        out_and_in("NLB-B003")  # from now on something has moved since it began, which is one look more
        few = asked(lambda: out_and_in("NLB-B002"))
    many(three)
    queries.run(going)
    monkeypatch.setattr("biobank.evacuation.order.rank", never)
    assert asked(lambda: out_and_in(B1)) == few
    assert asked(lambda: queries.run(going)) <= 9


def test_what_is_kept_says_the_same_as_what_is_worked_out_anew(curator, going, three):
    add(three, "NLB-B004", "box", "NLB-R1")
    filled_box(three, "NLB-B004", "N7R2M", 2, "W-1")
    moved(three, "NLB-B102", None, AT + HOUR)  # room for one more box in the rack of Freezer 2
    assert [row[3] for row in seen(going)][:2] == [F2R1, ""]
    for box, to in [("NLB-B003", "NLB-CO1"), ("NLB-B002", "NLB-CO1"), ("NLB-B003", F2R1)]:
        out = scan(curator, going, box)
        assert seen(going) == anew(going), f"{box} is out"
        scan(curator, going, to, out.hold)
        assert seen(going) == anew(going), f"{box} stands in {to}"
    assert [row[3] for row in seen(going) if row[1] != "safe"] == ["", "", ""], "the rack is full"


def test_a_box_that_is_out_keeps_its_place_and_one_put_elsewhere_leaves_it_to_the_next(curator, going):
    first = {row[0]: row[3] for row in seen(going)}
    assert first == {"NLB-B003": F2R1, "NLB-B002": "", B1: ""}
    hold = scan(curator, going, "NLB-B003").hold
    assert queries.run(going).room_for(hold) == [F2R1]
    assert {row[0]: row[3] for row in seen(going)} == first
    scan(curator, going, "NLB-C1-S1", hold, "the nearest")
    assert {row[0]: row[3] for row in seen(going)} == {"NLB-B003": "", "NLB-B002": F2R1, B1: ""}


def test_a_rack_in_the_hand_asks_for_room_for_its_boxes(curator, going):
    hold = scan(curator, going, "NLB-R1").hold
    assert queries.run(going).room_for(hold) == [F2R1]
    assert queries.run(going).room_for([]) == []


def test_tubes_that_come_into_a_box_put_it_into_its_turn_at_once(going, three):
    assert [row.box.unit for row in queries.run(going).rows][-1] == B1
    filled_box(three, B1, "N7R2M", 1, start=10)
    assert next(row for row in queries.run(going).rows if row.box.unit == B1).box.scarce == 1


def test_another_freezer_that_fails_meanwhile_is_no_place_at_once(curator, going):
    assert seen(going)[0][3] == F2R1
    actions.begin(curator, new_id(), Unit.objects.get(code="NLB-F2"), "power")
    assert seen(going)[0][3] == ""


def test_a_reserve_that_is_made_meanwhile_counts_after_ten_minutes(curator, going, three):
    assert queries.run(going).rows[-1].box.unit == B1
    line = {"t": codes.make("K7R2M", 1), "role": "subj"}
    perform(curator, "reserved", key=new_id(), at=AT + HOUR, lines=[line])
    before = queries.run(going)
    assert (before.rows[-1].box.unit, before.rows[-1].box.rank) == (B1, 4)
    with time_machine.travel(timezone.now() + timedelta(seconds=KEEP_S + 1), tick=True):
        after = queries.run(going)
    assert next(row for row in after.rows if row.box.unit == B1).box.rank == 1
    assert after.ranked_ms > before.ranked_ms, "and the page says so"


# two people at once -------------------------------------------------------------------------------


@pytest.fixture
def overtaken(monkeypatch):
    """The first look for this row finds nothing, as if another request wrote it right afterwards."""

    def of(model):
        real, looks = model.objects.filter, []

        def filter_(*args, **said):
            looks.append(said)
            return model.objects.none() if len(looks) == 1 else real(*args, **said)

        monkeypatch.setattr(model.objects, "filter", filter_)

    return of


def test_two_who_begin_at_once_are_told_and_one_form_sent_twice_at_once_is_one(curator, three, overtaken):
    key, unit = new_id(), three.units[F1]
    one = actions.begin(curator, key, unit, "power")
    other = three.actor("labtech")
    with refused("evacuation_goes_on", F1):
        actions.begin(other, new_id(), unit, "alarm")  # no look goes before the write: the database says no
    overtaken(Evacuation)
    assert actions.begin(curator, key, unit, "power").pk == one.pk
    assert Evacuation.objects.count() == 1


def test_a_thermal_event_sent_twice_at_once_is_one(curator, three, overtaken):
    said = (curator, new_id(), three.units[F1], AT, AT + HOUR, "door seal")
    one = actions.say_thermal_event(*said)
    overtaken(ThermalEvent)
    assert actions.say_thermal_event(*said).pk == one.pk
    assert ThermalEvent.objects.count() == 1


# letters ------------------------------------------------------------------------------------------


def test_who_holds_and_who_drew_is_told(three, curator, going):
    scan(curator, going, F2R1, scan(curator, going, "NLB-B003").hold)
    found = {one.agency.code: one for one in letters.letters(going, tree.crew(going))}
    assert set(found) == {"NLB", "SSS"}, "the field day is led by the survey; the biobank holds them"
    assert (found["NLB"].tubes, found["NLB"].held, found["NLB"].drawn) == (12, 12, 0)
    assert (found["SSS"].tubes, found["SSS"].held, found["SSS"].drawn) == (12, 0, 12)
    assert set(found["SSS"].boxes) == {B1, "NLB-B002", "NLB-B003"}, "the box that is out already too"


# how warm it became -------------------------------------------------------------------------------


def rule(matrix="SER", limit=-6000, allowed_s=1800):
    assay = Assay.objects.create(code="T", name="Frozen serum")
    AssayTakes.objects.create(assay=assay, matrix=matrix)
    law = RuleSet.objects.create(code="T", status="in_force", valid_from=date(2026, 1, 1))
    return Rule.objects.create(
        rule_set=law, code="deep", assay=assay, kind="temperature", severity="stop", evidence="human",
        source="a test", phase="frozen", side="above", limit_centi=limit, allowed_s=allowed_s,
    )  # fmt: skip


@pytest.fixture
def measured(three):
    """Loggers in both freezers that saw −80 °C from 10:00 to 22:00; serum in both from 12:00."""
    for n, unit in enumerate((F1, "NLB-F2")):
        logger = loggers.add_logger(three.actor("curator"), f"T-{n}", 300, "probe", f"SN{n}")
        loggers.place(
            three.actor("curator"), logger, Unit.objects.get(code=unit), ms(moment(9)), medium="air"
        )
        take_in(three, logger, rows_from("2026-05-03 08:00", 145, value=lambda k: -80))
    rule()
    return codes.make("M7R2M", 1), codes.make("M5555", 1)


def words(tubes, hour=20):
    found = verdicts_of(tubes, ms(moment(hour)))
    return [found[tube][0].word for tube in tubes]


def say(people, start, stop, most=None, unit=F1, **more):
    return actions.say_thermal_event(
        people.actor("curator"),
        new_id(),
        Unit.objects.get(code=unit),
        start,
        stop,
        "compressor",
        most,
        **more,
    )


def test_what_was_measured_makes_a_fit_tube_not_fit_and_leaves_the_other_alone(three, measured):
    assert words(measured) == ["fit", "fit"]
    say(three, moment(14), moment(15), -4500)
    assert words(measured) == ["not_fit", "fit"]


def test_unknown_is_cannot_tell_and_never_good(three, measured):
    say(three, moment(14), moment(15))
    assert words(measured) == ["cannot_tell", "fit"]


def test_a_maximum_below_the_limit_and_a_short_time_change_nothing(three, measured):
    say(three, moment(14), moment(15), -6500)
    say(three, moment(16), moment(16, 30), -4000)  # 30 min are allowed
    assert words(measured) == ["fit", "fit"]
    say(three, moment(17), moment(17, 1), -4000)
    assert words(measured) == ["not_fit", "fit"]


def test_a_tube_that_came_later_or_left_before_is_not_concerned(three, measured):
    say(three, moment(10), moment(12))  # the tubes came at 12:00
    assert words(measured) == ["fit", "fit"]
    moved(three, "NLB-B003", "NLB-F2-R1", moment(13))
    say(three, moment(14), moment(15))
    assert words(measured) == ["fit", "fit"]
    say(three, moment(14), moment(15), unit="NLB-F2")
    assert words(measured) == ["cannot_tell", "cannot_tell"]


def test_half_in_the_event_counts_half(three, measured):
    moved(three, "NLB-B003", "NLB-F2-R1", moment(14, 20))
    say(three, moment(14), moment(18), -4000)
    tube = measured[0]
    found = phases_of([tube], [-6000], ms(moment(20)))[tube]
    assert sum(one.above[-6000] for one in found if one.above) == 20 * 60_000
    assert words(measured) == ["fit", "fit"], "20 of 30 allowed minutes"


def test_an_event_of_the_rack_and_one_of_the_freezer_together_are_the_worse(three, measured):
    say(three, moment(14), moment(15), -7500, unit="NLB-R1")
    say(three, moment(14), moment(15), -4000)
    assert words(measured) == ["not_fit", "fit"]


def test_what_a_logger_saw_above_a_limit_stays_when_somebody_says_not_known(three):
    logger = loggers.add_logger(three.actor("curator"), "T-9", 300, "probe", "SN9")
    loggers.place(three.actor("curator"), logger, three.units[F1], ms(moment(9)), medium="air")
    take_in(three, logger, rows_from("2026-05-03 08:00", 145, value=lambda k: -40 if 48 <= k <= 66 else -80))
    rule()
    tube = codes.make("M7R2M", 1)
    assert words([tube]) == ["not_fit"]
    say(three, moment(13), moment(18))
    assert words([tube]) == ["not_fit"], "a doubt never makes it better"


def test_an_event_never_makes_a_set_point_without_a_logger_good(three):
    rule()
    tube = codes.make("M7R2M", 1)
    assert words([tube]) == ["cannot_tell"], "a set point alone is assumed"
    say(three, moment(12), moment(20), -7000)
    assert words([tube]) == ["cannot_tell"]


def test_the_times_of_a_phase_still_add_up(three, measured):
    say(three, moment(14), moment(15), -4000)
    say(three, moment(16), moment(17))
    for one in phases_of([measured[0]], [-6000], ms(moment(20)))[measured[0]]:
        assert one.measured_ms + one.assumed_ms + one.no_data_ms == one.end_ms - one.start_ms


def test_withdrawn_it_counts_no_more_and_is_kept(three, measured, curator):
    event = say(three, moment(14), moment(15))
    assert words(measured) == ["cannot_tell", "fit"]
    with refused("reason_required"):
        actions.withdraw(curator, event, " ")
    actions.withdraw(curator, event, "the other freezer")
    assert words(measured) == ["fit", "fit"]
    with refused("event_withdrawn"):
        actions.withdraw(curator, ThermalEvent.objects.get(), "again")
    said = [(one.history_change_reason, one.history_user) for one in event.history.order_by("history_id")]
    assert said == [("compressor", three.user("curator")), ("the other freezer", three.user("curator"))]


def test_an_event_is_said_once_and_what_cannot_be_is_refused(three, curator):
    key = new_id()
    said = (three.units[F1], moment(14), moment(15), "compressor", -4000, "probe in glycol")
    assert (
        actions.say_thermal_event(curator, key, *said).pk == actions.say_thermal_event(curator, key, *said).pk
    )
    assert ThermalEvent.objects.count() == 1
    with refused("time_reversed"):
        say(three, moment(15), moment(14))
    with refused("time_in_future"):
        say(three, moment(15), timezone.now() + HOUR)
    with refused("probe_without_measurement"):
        say(three, moment(14), moment(15), probe="glass bottle")
    with refused("unit_of_another_agency", "Northlight"):
        actions.say_thermal_event(three.actor("labtech"), new_id(), *said)


def test_one_query_more_however_many_tubes_and_events(three, measured):
    tubes = [codes.make("K7R2M", n) for n in range(1, 10)]
    with CaptureQueriesContext(connection) as before:
        phases_of(tubes[:1], [-6000], ms(moment(20)))
    for minute in range(5):
        say(three, moment(14, minute), moment(15), -4000)
    with CaptureQueriesContext(connection) as after:
        phases_of(tubes, [-6000], ms(moment(20)))
    assert len(after) == len(before)
