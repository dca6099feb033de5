"""A swap of freezers as a job: what is listed, how far it has come, what is refused, how it ends."""

from __future__ import annotations

import pytest

from biobank.models import Swap, Unit
from biobank.store import actions, swap
from biobank.store.carry import carry
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.boxes import more_boxes, stored, tubes
from tests.biobank.lab import refused
from tests.biobank.test_places import added

pytestmark = pytest.mark.django_db


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def freezers(store, curator):
    """Northlight's F1 (shelf, rack R1 with boxes 1 to 3) and F2 (box 21) into F3 (rack R31)."""
    more_boxes(store, 2)
    added(curator, "NLB-F2", "freezer", nominal=-8000)
    added(curator, "NLB-B021", "box", "NLB-F2", rows=9, cols=9)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    added(curator, "NLB-R31", "rack", "NLB-F3")
    return store


@pytest.fixture
def opened(freezers, curator) -> Swap:
    return swap.begin(curator, new_id(), ["NLB-F1", "nlb-f2"], ["NLB-F3"], "three into two")


def seen(opened: Swap) -> swap.Job:
    found = swap.job(opened.pk)
    assert found is not None
    return found


def words(opened: Swap) -> dict[str, str]:
    return {step.box: step.word for step in seen(opened).steps}


def scan(actor, opened, text, **more):
    return swap.scan(actor, more.pop("key", new_id()), seen(opened), text, **more)


def test_a_job_lists_the_boxes_in_walking_order_and_is_opened_once(freezers, curator):
    key = new_id()
    made = swap.begin(curator, key, ["NLB-F2", "NLB-F1"], ["NLB-F3"], " old ones ")
    assert swap.begin(curator, key, ["NLB-F2", "NLB-F1"], ["NLB-F3"], "old ones").pk == made.pk
    assert [step.box for step in seen(made).steps] == ["NLB-B021", "NLB-B001", "NLB-B002", "NLB-B003"]
    assert seen(made).steps[1].was == ["NLB-R1", "NLB-S1", "NLB-F1"]
    assert (made.why, made.opened_by, made.closed) == ("old ones", curator.person, None)
    assert seen(made).counts == {"on_the_way": 0, "to_go": 4, "elsewhere": 0, "arrived": 0}


@pytest.mark.parametrize(
    "out_of, into, why, code",
    [
        (["NLB-F1"], ["NLB-F3"], " ", "reason_required"),
        ([], ["NLB-F3"], "x", "swap_units"),
        (["NLB-F1"], [], "x", "swap_units"),
        (["NLB-F8"], ["NLB-F3"], "x", "unit_unknown"),
        (["NLB-F1"], ["NLB-B001"], "x", "unit_holds_tubes"),
        (["NLB-F1"], ["nlb-f1"], "x", "swap_inside"),
        (["NLB-F1"], ["NLB-R1"], "x", "swap_inside"),
        (["NLB-F1", "NLB-S1"], ["NLB-F3"], "x", "swap_inside"),
        (["NLB-F3"], ["NLB-F1"], "x", "swap_empty"),
    ],
)
def test_a_job_that_makes_no_sense_is_refused(freezers, curator, out_of, into, why, code):
    with refused(code):
        swap.begin(curator, new_id(), out_of, into, why)
    assert not Swap.objects.exists()


def test_a_unit_is_emptied_by_one_swap_at_a_time(opened, curator):
    with refused("swap_open", opened.opened_by.name):
        swap.begin(curator, new_id(), ["NLB-F2"], ["NLB-F3"], "again")


def test_a_place_stays_for_the_boxes_that_follow(opened, curator):
    size = ledger.size()
    assert scan(curator, opened, "nlb-r31") == swap.Heard(to="NLB-R31")
    assert ledger.size() == size  # a place alone moves nothing
    for box in ("NLB-B001", "NLB-B002"):
        assert scan(curator, opened, box, to="NLB-R31") == swap.Heard(to="NLB-R31", moved=box)
    assert ledger.units()["NLB-B002"] == "NLB-R31" and ledger.size() == size + 2
    assert words(opened) == {
        "NLB-B001": "arrived", "NLB-B002": "arrived", "NLB-B003": "to_go", "NLB-B021": "to_go",
    }  # fmt: skip


def test_a_box_first_and_then_its_place(opened, curator):
    assert scan(curator, opened, "NLB-B001") == swap.Heard(unit="NLB-B001")
    assert scan(curator, opened, "NLB-B002", unit="NLB-B001") == swap.Heard(unit="NLB-B002")
    heard = scan(curator, opened, "NLB-R31", unit="NLB-B002", to="NLB-F3")
    assert heard == swap.Heard(to="NLB-R31", moved="NLB-B002")
    assert ledger.units()["NLB-B001"] == "NLB-R1"


def test_a_rack_takes_its_boxes_along_and_is_then_a_place(opened, curator):
    key = new_id()
    for _ in range(2):  # the scanner sends Enter twice
        assert scan(curator, opened, "NLB-R1", to="NLB-F3", key=key) == swap.Heard("", "NLB-F3", "NLB-R1")
    assert seen(opened).counts["arrived"] == 3
    assert scan(curator, opened, "NLB-R1") == swap.Heard(to="NLB-R1")
    scan(curator, opened, "NLB-B021", to="NLB-R1")
    assert seen(opened).counts["arrived"] == 4 and seen(opened).percent == 100


def test_what_others_move_on_other_pages_counts_and_nothing_is_copied(opened, curator, store):
    stored(store, tubes(3))
    added(curator, "TFL-C1", "cooler", nominal=-8000)
    carry(curator, new_id(), "NLB-R1", "TFL-C1")
    assert seen(opened).counts == {"on_the_way": 3, "to_go": 1, "elsewhere": 0, "arrived": 0}
    actions.move_unit(store.actor("labtech"), new_id(), "NLB-R1", "NLB-F3", "by hand")
    assert seen(opened).counts["arrived"] == 3
    assert (seen(opened).tubes_arrived, seen(opened).tubes) == (3, 3)
    carry(curator, new_id(), "NLB-B001", "NLB-F2")  # and back into an old one
    assert words(opened)["NLB-B001"] == "to_go"


def test_a_rack_on_its_way_is_put_down_in_the_new_unit(opened, curator):
    added(curator, "TFL-C1", "cooler", nominal=-8000)
    assert scan(curator, opened, "NLB-R1", to="TFL-C1").moved == "NLB-R1"
    assert scan(curator, opened, "NLB-R1", to="NLB-F3").moved == "NLB-R1"  # it moves, though in no old unit
    assert seen(opened).counts["arrived"] == 3


def test_what_the_scan_field_refuses(opened, curator):
    added(curator, "NLB-F9", "freezer", nominal=-8000)
    added(curator, "NLB-B099", "box", "NLB-F9", rows=9, cols=9)
    added(curator, "NLB-F8", "freezer", nominal=-2000)
    for text, more, code in [
        ("NLB-X1", {}, "unit_unknown"),
        (tubes(1)[0], {}, "tube_where_unit"),
        ("NLB-F1", {}, "swap_old_unit"),
        ("NLB-B099", {"to": "NLB-R31"}, "swap_not_listed"),
        ("NLB-B001", {"to": "NLB-F9"}, "swap_elsewhere"),
        ("NLB-B021", {"to": "NLB-F2", "note": "x"}, "unit_already_there"),
    ]:
        with refused(code):
            scan(curator, opened, text, **more)
    assert scan(curator, opened, "NLB-B001", to="NLB-F9", note="no room").moved == "NLB-B001"
    assert words(opened)["NLB-B001"] == "elsewhere"
    assert scan(curator, opened, "NLB-B099", to="NLB-R31", note="with them").moved == "NLB-B099"
    assert "NLB-B099" not in words(opened)


def test_a_warmer_new_unit_asks_why_and_keeps_it(store, curator, freezers):
    Unit.objects.filter(code="NLB-F3").update(nominal_centi=-2000)
    opened = swap.begin(curator, new_id(), ["NLB-F1"], ["NLB-F3"], "no other")
    with refused("wrong_temperature_class"):
        scan(curator, opened, "NLB-B001", to="NLB-R31")
    key = new_id()
    scan(curator, opened, "NLB-B001", to="NLB-R31", note="for a night", key=key)
    assert ledger.event(key).header["data"] == {"note": "for a night"}


def test_a_box_that_comes_later_and_tubes_without_a_box_are_on_the_list_too(opened, curator, store):
    added(curator, "NLB-B022", "box", "NLB-F2", rows=2, cols=2)
    late = [step for step in seen(opened).steps if step.late]
    assert [(step.box, step.word) for step in late] == [("NLB-B022", "to_go")]
    scan(curator, opened, "NLB-B022", to="NLB-R31")
    assert [step for step in seen(opened).steps if step.late] == []

    added(curator, "NLB-G1", "fridge", "NLB-F2", nominal=-8000)
    from tests.biobank.boxes import filled

    actions.put_away(curator, new_id(), filled(store, tubes(2, 50)), "NLB-G1")
    assert seen(opened).loose == [("NLB-G1", 2)]


def test_it_closes_when_all_have_arrived_or_with_a_reason_that_is_kept(opened, curator, store):
    with pytest.raises(Refused) as no:
        swap.close(curator, new_id(), opened)
    assert no.value.code == "swap_not_done"
    assert "4 of 4 boxes have not arrived: NLB-B001, NLB-B002, NLB-B003, NLB-B021" in no.value.sentence
    for unit in ("NLB-R1", "NLB-B021"):
        scan(curator, opened, unit, to="NLB-F3")
    carry(curator, new_id(), "NLB-B003", "NLB-F2")
    key = new_id()
    for _ in range(2):
        swap.close(curator, key, opened, " one stays for now ")
    closed = Swap.objects.get(pk=opened.pk)
    assert closed.left == [["NLB-B003", "to_go", ["NLB-F2"]]]
    assert (closed.closed_by, closed.closed_why) == (curator.person, "one stays for now")
    for again in (lambda: swap.close(curator, new_id(), opened), lambda: scan(curator, opened, "NLB-B003")):
        with refused("swap_closed", curator.person.name):
            again()
    again = swap.begin(
        curator, new_id(), ["NLB-F2"], ["NLB-F3"], "the rest"
    )  # and the unit is free for another
    scan(curator, again, "NLB-B003", to="NLB-R31")
    swap.close(curator, new_id(), again)
    assert Swap.objects.get(pk=again.pk).left == []


@pytest.mark.parametrize("boxes", [2, 29])
def test_a_job_asks_as_often_for_3_boxes_as_for_30(store, curator, boxes, django_assert_num_queries):
    more_boxes(store, boxes)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    opened = swap.begin(curator, new_id(), ["NLB-F1"], ["NLB-F3"], "old")
    with django_assert_num_queries(6):
        assert len(seen(opened).steps) == boxes + 1
