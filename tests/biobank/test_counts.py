"""Choosing boxes, counting them, writing down what was found, closing what differs."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from biobank.acting import perform
from biobank.core import codes
from biobank.counts import actions, queries
from biobank.models import Count, CountDraw, CountRead, Unit
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.boxes import filled, more_boxes, stored, tubes
from tests.biobank.lab import refused

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"


@pytest.fixture
def curator(store):
    return store.actor("curator")


@pytest.fixture
def nine(store):
    """Nine tubes in the first row of the box."""
    return stored(store, tubes(9))


def opened(curator, unit=BOX):
    return actions.by_hand(curator, unit)


def rack_list(some):
    return "\n".join(f"{slot},{codes.show(tube)}" for slot, tube in some)


def names(unit=BOX):
    grid = Unit.objects.get(code=unit).grid
    return [grid.name(*slot) for slot in grid.all()]


def results(event):
    return {line["t"]: line["result"] for line in ledger.event(event).lines}


# counting ---------------------------------------------------------------------------------------


def test_a_box_as_the_ledger_says_is_one_event(curator, nine):
    one, size = opened(curator), ledger.size()
    for tube in nine:
        actions.read(curator, one, tube)
    done = actions.finish(curator, new_id(), one)
    done.refresh_from_db()
    assert ledger.size() == size + 1
    assert results(str(done.event)) == dict.fromkeys(nine, "seen")
    assert (done.expected, done.found, done.misses, done.unreadable) == (9, 9, 0, 0)
    assert (done.by.code, done.started <= done.finished) == (curator.code, True)
    assert queries.differences(done) == []


def test_a_box_of_81_with_three_planted_differences(store, curator):
    """One tube lies in another's slot, one is gone, one of another box is there."""
    some = stored(store, tubes(81))
    more_boxes(store, 1)
    (foreign,) = stored(store, tubes(1, 82), "NLB-B002")
    slots = dict(zip(some, names(), strict=True))
    moved, missing = some[4], some[60]
    lying = [(slots[tube], tube) for tube in some if tube not in {moved, missing}]
    lying += [(slots[missing], moved), (slots[moved], foreign)]
    one, size = opened(curator), ledger.size()
    assert actions.rack(curator, one, rack_list(lying)) == 81
    done = actions.finish(curator, new_id(), one)
    done.refresh_from_db()
    noted = {(diff.tube, diff.word): diff.note for diff in queries.differences(done)}
    assert noted == {
        (moved, "wrong_place"): f"Read in {slots[missing]} of {BOX}; the ledger says {slots[moved]}.",
        (missing, "not_found"): f"Not found in {BOX}; the ledger says {slots[missing]}.",
        (foreign, "extra"): f"Read in {slots[moved]} of {BOX}; the ledger says NLB-B002, row 1, column 1.",
    }
    assert (done.found, done.wrong_place, done.not_found, done.extra) == (79, 1, 1, 1)
    assert ledger.size() == size + 4
    said = results(str(done.event))
    assert (said[moved], said[missing], said[foreign]) == ("seen", "not_seen", "foreign")
    assert sum(result == "seen" for result in said.values()) == 80
    assert {one.tube for one in ledger.find(disputes=1)} == {moved, missing, foreign}


def test_counting_moves_no_tube(curator, nine):
    before = [(one.tube, one.unit, one.row, one.col) for one in ledger.find(unit=BOX)]
    one = opened(curator)
    actions.rack(curator, one, f"I9,{nine[0]}")
    actions.finish(curator, new_id(), one)
    assert [(one.tube, one.unit, one.row, one.col) for one in ledger.find(unit=BOX)] == before


def test_seen_tubes_were_seen_now_and_missed_ones_were_not(curator, nine):
    one = opened(curator)
    actions.read(curator, one, nine[0])
    then = ledger.state(nine[1]).seen_ms
    actions.finish(curator, new_id(), one)
    assert ledger.state(nine[0]).seen_ms > then
    assert ledger.state(nine[1]).seen_ms == then


def test_the_same_form_twice_is_one_count(curator, nine):
    one, key = opened(curator), new_id()
    actions.read(curator, one, nine[0])
    actions.finish(curator, key, one)
    size = ledger.size()
    actions.finish(curator, key, one)
    assert ledger.size() == size
    with refused("count_finished"):
        actions.finish(curator, new_id(), one)
    with refused("count_finished"):
        actions.read(curator, one, nine[1])


def test_a_key_of_another_act_is_refused(curator, nine):
    key = ledger.events("put_away")[0].id
    one = opened(curator)
    actions.read(curator, one, nine[0])
    with refused("key_reused"):
        actions.finish(curator, key, one)
    assert not Count.objects.get().finished


def test_a_label_that_cannot_be_read_in_the_slot_of_a_tube_is_that_tube(curator, nine):
    one = opened(curator)
    actions.rack(curator, one, rack_list(zip(names(), nine[:8], strict=False)) + "\nA9,?")
    done = actions.finish(curator, new_id(), one)
    done.refresh_from_db()
    assert (done.found, done.unreadable, done.not_found, done.misses) == (8, 1, 0, 0)
    (diff,) = queries.differences(done)
    assert (diff.tube, diff.word) == (nine[8], "unreadable")
    assert queries.unnamed(done, {diff.tube}) == []  # it stands among the differences


def test_a_label_that_cannot_be_read_and_is_nobody_s_stays_in_the_count(curator, nine):
    one = opened(curator)
    for text in [*nine, "? B4"]:
        actions.read(curator, one, text)
    done = actions.finish(curator, new_id(), one)
    assert (done.found, done.unreadable, done.misses) == (9, 1, 0)
    assert queries.unnamed(done, set()) == [("", "B4", "the label cannot be read")]


def test_tubes_of_which_the_ledger_knows_nothing_stay_in_the_count(store, curator, nine):
    unknown, gone = tubes(1, 90)[0], filled(store, tubes(1, 91))[0]
    line = {"t": gone, "role": "subj"}
    perform(curator, "discarded", key=new_id(), data={"why": "broken"}, lines=[line])
    one = opened(curator)
    for tube in [*nine, unknown, gone]:
        actions.read(curator, one, tube)
    done = actions.finish(curator, new_id(), one)
    done.refresh_from_db()
    assert (done.found, done.extra) == (9, 2)
    assert queries.differences(done) == []
    assert queries.unnamed(done, set()) == [
        (unknown, "", "no label with this code was printed"), (gone, "", "it was discarded"),
    ]  # fmt: skip


def test_an_empty_box_is_counted_without_an_event(store, curator):
    one, size, key = opened(curator), ledger.size(), new_id()
    with refused("nothing_scanned"):
        actions.finish(curator, key, one)
    actions.finish(curator, key, one, empty=True)
    actions.finish(curator, key, one, empty=True)
    one.refresh_from_db()
    assert (ledger.size(), one.event, one.finished is not None) == (size, None, True)


def test_a_box_that_is_said_to_be_empty_misses_all_that_is_in_it(curator, nine):
    one = opened(curator)
    actions.finish(curator, new_id(), one, empty=True)
    one.refresh_from_db()
    assert (one.found, one.not_found) == (0, 9)


# reading ----------------------------------------------------------------------------------------


def test_a_slot_scanned_ahead_belongs_to_the_next_tube_only(curator, nine):
    one = opened(curator)
    actions.read(curator, one, "a3")
    actions.read(curator, one, nine[0])
    actions.read(curator, one, nine[1])
    assert [(read.tube, read.slot) for read in queries.reads_of(one)] == [(nine[0], (1, 3)), (nine[1], None)]


def test_a_tube_scanned_twice_counts_once_where_it_was_last(curator, nine):
    one = opened(curator)
    actions.read(curator, one, f"A1 {nine[0]}")
    assert "read before" in actions.read(curator, one, f"A2 {nine[0]}")
    assert [(read.tube, read.slot) for read in queries.reads_of(one)] == [(nine[0], (1, 2))]


def test_two_tubes_are_not_in_one_slot(curator, nine):
    one = opened(curator)
    actions.read(curator, one, f"A1 {nine[0]}")
    with refused("slot_read"):
        actions.read(curator, one, f"A1 {nine[1]}")
    assert CountRead.objects.count() == 1


def test_a_refused_scan_changes_nothing_not_even_an_earlier_reading_of_the_tube(curator, nine):
    one = opened(curator)
    actions.read(curator, one, f"A1 {nine[0]}")
    actions.read(curator, one, f"A2 {nine[1]}")
    with refused("slot_read"):
        actions.read(curator, one, f"A2 {nine[0]}")
    assert {read.tube: read.slot for read in queries.reads_of(one)} == {nine[0]: (1, 1), nine[1]: (1, 2)}


def test_the_newest_reading_can_be_taken_back(curator, nine):
    one = opened(curator)
    with refused("nothing_scanned"):
        actions.take_back(curator, one)
    actions.read(curator, one, nine[0])
    actions.read(curator, one, nine[1])
    actions.take_back(curator, one)
    assert [read.tube for read in queries.reads_of(one)] == [nine[0]]


def test_a_rack_takes_the_place_of_what_was_read_and_a_bad_one_changes_nothing(curator, nine):
    one = opened(curator)
    actions.read(curator, one, nine[0])
    with refused("slot_twice"):
        actions.rack(curator, one, f"A1,{nine[1]}\nA1,{nine[2]}")
    assert [read.tube for read in queries.reads_of(one)] == [nine[0]]
    actions.rack(curator, one, f"A1,{nine[1]}")
    assert [read.tube for read in queries.reads_of(one)] == [nine[1]]


def test_only_boxes_of_the_own_agency_and_only_boxes(store, curator, nine):
    with refused("unit_of_another_agency"):
        opened(store.actor("labtech"))
    with refused("not_a_box"):
        opened(curator, "NLB-F1")
    with refused("unit_unknown"):
        opened(curator, "NLB-B999")


def test_a_tube_put_into_the_box_between_reading_and_comparing_is_no_difference(
    store, curator, nine, monkeypatch
):
    one = opened(curator)
    for tube in nine:
        actions.read(curator, one, tube)
    late, asked = filled(store, tubes(1, 20)), queries.content
    line = {"t": late[0], "role": "subj", "unit": BOX, "row": 9, "col": 9}

    def meanwhile(unit):
        found = asked(unit)
        monkeypatch.setattr(queries, "content", asked)
        perform(curator, "put_away", key=new_id(), lines=[line])
        return found

    monkeypatch.setattr(queries, "content", meanwhile)
    with pytest.raises(Refused) as no:
        actions.finish(curator, new_id(), one)
    assert no.value.code == "box_changed"
    assert not ledger.events("counted")


# choosing ---------------------------------------------------------------------------------------


def test_a_draw_can_be_redone_with_what_is_stored(store, curator, nine):
    more_boxes(store, 9)
    made = actions.draw(curator, new_id(), 4)
    assert made.chosen[0] == [BOX, "risk"]  # the only one with tubes in it
    assert queries.redone(made)
    heavy = [unit for unit, how in made.chosen if how == "risk"]
    rest = [unit for unit, _, _ in made.considered if unit not in heavy]
    by_hand = sorted(rest, key=lambda unit: hashlib.sha256(f"{made.seed}:{unit}".encode()).hexdigest())
    assert [unit for unit, how in made.chosen if how == "chance"] == by_hand[:2]
    made.chosen[-1][0] = by_hand[-1]
    assert not queries.redone(made)


def test_a_draw_queues_counts_once_and_leaves_those_that_wait_out(store, curator, nine):
    more_boxes(store, 2)
    key = new_id()
    made = actions.draw(curator, key, 2)
    assert actions.draw(curator, key, 2).pk == made.pk
    assert sorted(one.unit.code for one in queries.to_do()) == sorted(unit for unit, _ in made.chosen)
    assert len(queries.weighed(store.nlb)) == 1
    actions.draw(curator, new_id(), 5)
    assert Count.objects.count() == 3
    with refused("no_box"):
        actions.draw(curator, new_id(), 1)
    assert CountDraw.objects.count() == 2


def test_each_draw_has_a_seed_of_its_own(store, curator):
    more_boxes(store, 3)
    assert actions.draw(curator, new_id(), 1).seed != actions.draw(curator, new_id(), 1).seed


def reasons(store, unit=BOX):
    return next(one.words for one in queries.weighed(store.nlb) if one.unit == unit)


def counted(curator, some):
    one = opened(curator)
    for tube in some:
        actions.read(curator, one, tube)
    return actions.finish(curator, new_id(), one)


def test_what_speaks_for_a_box_comes_from_the_ledger(store, curator, nine):
    assert reasons(store) == "never counted"
    counted(curator, nine)
    assert reasons(store) == "nothing speaks for it"
    perform(curator, "reserved", key=new_id(), lines=[{"t": nine[0], "role": "subj"}])
    assert "1 tube in reserve" in reasons(store)
    assert "tubes were moved or handled" in reasons(store)


def test_a_pulled_tube_and_a_moved_box_speak_for_it(store, curator, nine):
    counted(curator, nine)
    perform(curator, "pulled", key=new_id(), data={"why": "assay"}, lines=[{"t": nine[0], "role": "subj"}])
    perform(curator, "moved", key=new_id(), lines=[{"u": BOX, "role": "subj", "to": "NLB-S1"}])
    assert "1 tube fewer than at the last count" in reasons(store)
    assert "the box was moved" in reasons(store)


def test_a_year_later_the_age_speaks_for_it(store, curator, nine):
    counted(curator, nine)
    (one,) = queries.weighed(store.nlb, timezone.now() + timedelta(days=365, hours=1))
    assert "365 days since the last count" in one.words


def test_open_differences_and_misses_speak_for_it(store, curator, nine):
    counted(curator, nine[:7])
    assert "2 open differences" in reasons(store)
    assert "2 misses at the last count" in reasons(store)


def test_the_last_aliquot_of_a_parent_speaks_for_a_box_and_one_of_two_does_not(store, curator):
    (parent,) = filled(store, tubes(1))
    first, second = tubes(2, 2)
    made = {"role": "to", "of": parent, "ul": 200, "matrix": "SER"}
    lines = [{"t": parent, "role": "from", "ul": 400}, {"t": first} | made, {"t": second} | made]
    perform(curator, "aliquoted", key=new_id(), data={"loss_ul": 0}, lines=lines)
    place = {"t": first, "role": "subj", "unit": BOX, "row": 1, "col": 1}
    perform(curator, "put_away", key=new_id(), lines=[place])
    assert "last aliquot" not in reasons(store)
    perform(curator, "discarded", key=new_id(), data={"why": "broken"}, lines=[{"t": second, "role": "subj"}])
    assert "1 last aliquot of a parent" in reasons(store)


def test_neighbours_of_a_box_with_a_miss_are_queued_once(store, curator, nine):
    more_boxes(store, 3)
    actions.by_hand(curator, "NLB-B002")
    done = counted(curator, nine[:8])
    assert not done.queued.exists()  # its one neighbour waited already
    one = actions.by_hand(curator, "NLB-B003")
    actions.read(curator, one, nine[8])
    actions.finish(curator, new_id(), one)
    assert [(near.unit.code, near.finished) for near in one.queued.all()] == [("NLB-B004", None)]
    assert "next to NLB-B003, where 1 tube" in one.queued.get().why
    assert Count.objects.filter(unit__code="NLB-B002").count() == 1


def test_no_miss_queues_nobody(store, curator, nine):
    more_boxes(store, 1)
    counted(curator, nine)
    assert Count.objects.count() == 1


# closing ----------------------------------------------------------------------------------------


def test_closing_a_difference_is_an_event_that_answers_it(curator, nine):
    done = counted(curator, nine[:8])
    (diff,) = queries.differences(done)
    key = new_id()
    actions.close(curator, key, done, diff.event, "It had fallen behind the rack; put back.")
    actions.close(curator, key, done, diff.event, "It had fallen behind the rack; put back.")
    (closed,) = queries.differences(done)
    assert (closed.closed.id, closed.closing_note) == (key, "It had fallen behind the rack; put back.")
    assert ledger.state(nine[8]).disputes == 0
    assert ledger.event(key).header["ref"] == diff.event
    with refused("difference_closed"):
        actions.close(curator, new_id(), done, diff.event, "again")


def test_closing_wants_a_reason_and_a_difference_of_this_count(store, curator, nine):
    done = counted(curator, nine[:8])
    (diff,) = queries.differences(done)
    with refused("reason_required"):
        actions.close(curator, new_id(), done, diff.event, "  ")
    with refused("difference_unknown"):
        actions.close(curator, new_id(), done, str(done.event), "why")
    with refused("unit_of_another_agency"):
        actions.close(store.actor("labtech"), new_id(), done, diff.event, "why")


# over time --------------------------------------------------------------------------------------


def test_accuracy_by_month_in_the_zone_of_the_programme(store, curator, nine):
    done = counted(curator, nine[:6])
    Count.objects.filter(pk=done.pk).update(finished=datetime(2026, 4, 30, 22, 30, tzinfo=UTC))
    (month,) = queries.months("Europe/Oslo")
    assert month.name == "2026-05"  # half past midnight there
    assert (month.boxes, month.found, month.all, month.misses) == (1, 6, 9, 3)
    assert month.share == "66.7 %"
