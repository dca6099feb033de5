"""Where loggers stood and which one governed; a unit's set point over time; two loggers in one unit.

Figures are worked by hand. 1.0 °C between two loggers without certificates is common practice, no source.
The scenario is the invented Skarvik Bay survey.
"""

from __future__ import annotations

import pytest
from django.db import IntegrityError, transaction

from biobank.models import Logger, LoggerPlacement, NominalTemperature, Unit
from biobank.temperature import blocks, pairs, placing, queries
from biobank.temperature import record_actions as records
from biobank.temperature.places import ALWAYS, NEVER, Kept, Placed, Tree, class_of
from biobank.temperature.record_actions import Paper
from custody.core.refusal import Refused
from custody.core.state import UnitStay
from tests.biobank.logged import HOUR, MINUTE, rows_from, take_in, utc


@pytest.fixture
def logger(store):
    return placing.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


@pytest.fixture
def other(store):
    return placing.add_logger(store.actor("curator"), "T-02", 300)


class refused:
    def __init__(self, code):
        self.code = code

    def __enter__(self):
        return self

    def __exit__(self, kind, no, trace):
        assert isinstance(no, Refused) and no.code == self.code, repr(no)
        return True


# --- placements -----------------------------------------------------------------------------------


def test_placing_ends_the_placement_before_and_keeps_who_and_why(store, logger):
    actor = store.actor("curator")
    placing.place(actor, logger, store.units["NLB-F1"], 1000)
    placing.place(
        actor, logger, store.units["NLB-S1"], 5000, probe="middle", medium="buffered", reason="Test"
    )
    first, second = LoggerPlacement.objects.order_by("from_ms")
    assert (first.to_ms, second.to_ms) == (5000, None)
    assert second.history.get().history_user == store.user("curator")
    assert second.history.get().history_change_reason == "Test"


def test_a_logger_is_in_one_place_and_a_unit_has_one_governing_logger(store, logger, other):
    actor = store.actor("curator")
    freezer, shelf = store.units["NLB-F1"], store.units["NLB-S1"]
    placing.place(actor, logger, freezer, 1000, 5000)
    for start, end in ((0, 1001), (4999, 9000), (2000, 3000), (0, None)):
        with refused("placement_overlaps"):
            placing.place(actor, logger, shelf, start, end)
        with refused("unit_has_logger"):
            placing.place(actor, other, freezer, start, end)
    placing.place(actor, other, freezer, 2000, 3000, governing=False)
    placing.place(actor, logger, shelf, 5000)
    with refused("placement_backwards"):
        placing.place(actor, other, shelf, 10, 5)
    with pytest.raises(IntegrityError), transaction.atomic():
        LoggerPlacement.objects.create(logger=logger, unit=freezer, from_ms=9000)
    with pytest.raises(IntegrityError), transaction.atomic():
        LoggerPlacement.objects.create(logger=other, unit=shelf, from_ms=9000)


def test_a_box_may_hold_a_logger(store, logger):
    placing.place(store.actor("curator"), logger, store.units["NLB-B001"], 1000)
    (piece,) = [p for p in queries.tree(["NLB-B001"]).over("NLB-B001", 1000, 2000)]
    assert (piece.start, piece.end, piece.logger) == (1000, 2000, logger.pk)


def test_a_placement_is_corrected_with_a_reason_and_what_was_said_stays(store, logger, other):
    actor, freezer = store.actor("curator"), store.units["NLB-F1"]
    first = placing.place(actor, logger, freezer, 1000, 5000, medium="air")
    second = placing.place(actor, logger, store.units["NLB-S1"], 5000)
    third = placing.place(actor, other, freezer, 6000)
    same = {"probe": "", "medium": "air", "governing": True}

    def correct(row, start, end, reason="Wrong date"):
        return placing.correct_placement(actor, row, reason, from_ms=start, to_ms=end, **same)

    for code, row, start, end in [
        ("placement_backwards", first, 1000, 1000), ("placement_overlaps", first, 1000, 5001),
        ("placement_overlaps", first, 1000, None), ("unit_has_logger", third, 4999, None),
        ("placement_overlaps", second, 4999, None),
    ]:  # fmt: skip
        with refused(code):
            correct(row, start, end)
    with refused("reason_required"):
        correct(first, 500, 5000, " ")
    for _ in range(2):
        correct(first, 500, 4000)
    now = LoggerPlacement.objects.get(pk=first.pk)
    assert (now.from_ms, now.to_ms) == (500, 4000)
    said = list(now.history.order_by("history_id").values_list("from_ms", "to_ms", "history_change_reason"))
    assert said == [(1000, 5000, "Placed"), (500, 4000, "Wrong date")]


def test_another_logger_governs_from_a_moment_on_in_one_act(store, logger, other):
    actor, freezer = store.actor("curator"), store.units["NLB-F1"]
    placing.place(actor, logger, freezer, 1000, medium="air", probe="top")
    placing.place(actor, other, freezer, 2000, medium="buffered", governing=False)
    with refused("logger_not_there"):
        placing.govern(actor, freezer, other, 1500, "Buffered is better")
    with refused("reason_required"):
        placing.govern(actor, freezer, other, 5000, "")
    for _ in range(2):
        placing.govern(actor, freezer, other, 5000, "Buffered is better")
    rows = LoggerPlacement.objects.order_by("logger__code", "from_ms")
    assert [(r.logger.code, r.from_ms, r.to_ms, r.governing, r.medium) for r in rows] == [
        ("T-01", 1000, 5000, True, "air"), ("T-01", 5000, None, False, "air"),
        ("T-02", 2000, 5000, False, "buffered"), ("T-02", 5000, None, True, "buffered"),
    ]  # fmt: skip
    governs = [(p.start, p.end, p.logger) for p in queries.tree(["NLB-F1"]).over("NLB-F1", 0, 9000)]
    assert governs == [(0, 1000, None), (1000, 5000, logger.pk), (5000, 9000, other.pk)]
    placing.govern(actor, freezer, logger, 5000, "No, it was the first")  # at the very moment: turned round
    rows = LoggerPlacement.objects.filter(from_ms=5000).order_by("logger__code")
    assert [(r.logger.code, r.governing) for r in rows] == [("T-01", True), ("T-02", False)]


def test_a_third_logger_that_governs_later_is_not_overruled(store, logger, other):
    actor, freezer = store.actor("curator"), store.units["NLB-F1"]
    third = placing.add_logger(actor, "T-03", 300)
    placing.place(actor, logger, freezer, 1000, 4000)
    placing.place(actor, other, freezer, 1000, governing=False)
    placing.place(actor, third, freezer, 6000)
    before = list(LoggerPlacement.objects.order_by("pk").values())
    with refused("unit_has_logger"):
        placing.govern(actor, freezer, other, 2000, "Better")
    assert list(LoggerPlacement.objects.order_by("pk").values()) == before


# --- the instrument -------------------------------------------------------------------------------


def test_an_instrument_is_edited_with_a_reason_and_retired_only_when_it_was_taken_out(store, logger):
    actor = store.actor("curator")
    row = placing.place(actor, logger, store.units["NLB-F1"], 1000)
    placing.edit_logger(actor, logger, "Typed wrongly", serial="SN2", between="step", interval_s=60)
    now = Logger.objects.get(pk=logger.pk)
    assert (now.serial, now.between, now.interval_s, now.name) == ("SN2", "step", 60, "Freezer probe")
    assert now.history.first().history_change_reason == "Typed wrongly"
    with refused("reason_required"):
        placing.edit_logger(actor, logger, "", serial="SN3")
    with refused("logger_still_placed"):
        placing.edit_logger(actor, logger, "Broken", retired=True)
    placing.end_placement(actor, row, 5000, "Broken")
    placing.edit_logger(actor, logger, "Broken", retired=True)
    with refused("logger_retired"):
        placing.place(actor, logger, store.units["NLB-F1"], 9000)


def test_a_logger_that_records_changes_holds_its_value(store, logger):
    """-80 at 10:00, -60 from 10:05 on. A line is above -70 from 10:02:30 on, a held value from 10:05 on."""
    rows = rows_from("2026-05-03 10:00", 3, value=lambda k: -80 if k == 0 else -60)
    take_in(store, logger, rows)
    at = utc("2026-05-03 10:00"), utc("2026-05-03 10:10")

    def above():
        return blocks.load(logger.pk, *at).series().above(-7000, *at)[0]

    assert above() == 7.5 * MINUTE
    placing.edit_logger(store.actor("curator"), logger, "It records changes", between="step")
    assert above() == 5 * MINUTE


# --- who governs ----------------------------------------------------------------------------------


def test_the_nearest_logger_and_the_nearest_set_point_win_moment_by_moment():
    tree = Tree(
        stays={"box": [UnitStay("shelf", 0, 100), UnitStay("cooler", 100, None)],
               "shelf": [UnitStay("freezer", 0, None)]},
        nominals={"freezer": -8000, "cooler": 400, "box": None, "shelf": None},
        placed={"freezer": [Placed(10, 60, 1)], "shelf": [Placed(50, 80, 2)],
                "cooler": [Placed(150, NEVER, 3)]},
    )  # fmt: skip
    said = [(p.start, p.end, p.logger, p.nominal) for p in tree.over("box", 0, 200)]
    assert said == [
        (0, 10, None, -8000), (10, 50, 1, -8000), (50, 80, 2, -8000), (80, 100, None, -8000),
        (100, 150, None, 400), (150, 200, 3, 400),
    ]  # fmt: skip


def test_a_dated_set_point_counts_in_its_time_and_the_nearest_unit_wins():
    tree = Tree(
        stays={"box": [UnitStay("shelf", 0, None)], "shelf": [UnitStay("freezer", 0, None)]},
        nominals={"freezer": -8000, "shelf": None, "box": None},
        placed={"freezer": [Placed(30, 40, 1)]},
        kept={"freezer": [Kept(10, 50, -2000), Kept(50, NEVER, -7000)], "shelf": [Kept(20, 25, 400)]},
    )
    said = [(p.start, p.end, p.logger, p.nominal) for p in tree.over("box", 0, 100)]
    assert said == [
        (0, 10, None, -8000), (10, 20, None, -2000), (20, 25, None, 400), (25, 30, None, -2000),
        (30, 40, 1, -2000), (40, 50, None, -2000), (50, 100, None, -7000),
    ]  # fmt: skip
    undated = Tree(tree.stays, {"freezer": -8000, "shelf": -2500}, {}, tree.kept)
    assert {p.nominal for p in undated.over("box", 30, 100)} == {-2500}  # the shelf's, undated, is nearer


def test_a_unit_that_stands_in_itself_is_no_endless_loop():
    tree = Tree({"a": [UnitStay("b", 0, None)], "b": [UnitStay("a", 0, None)]}, {"a": 400}, {})
    assert [(p.start, p.end, p.nominal) for p in tree.over("a", 0, 10)] == [(0, 10, 400)]


@pytest.mark.parametrize(
    ("nominal", "name"),
    [
        (-8000, "frozen"),
        (-1800, "frozen"),
        (-1799, "cold"),
        (1000, "cold"),
        (1001, "ambient"),
        (None, "ambient"),
    ],
)
def test_a_phase_is_named_after_the_set_point(nominal, name):
    assert class_of(nominal) == name


# --- set points over time -------------------------------------------------------------------------


def test_set_points_follow_each_other_and_never_overlap(store):
    actor, freezer = store.actor("curator"), store.units["NLB-F1"]
    Unit.objects.filter(pk=freezer.pk).update(nominal_centi=-8000)

    def said():
        return [(p.start, p.end, p.nominal) for p in queries.tree(["NLB-F1"]).over("NLB-F1", 0, 9000)]

    first = records.say_nominal(actor, freezer, 1000, None, -2000, 100, "Set to −20 for the move")
    assert said() == [(0, 1000, -8000), (1000, 9000, -2000)]
    records.say_nominal(actor, freezer, 5000, None, -7000, 0, "Set point of the display")
    assert said() == [(0, 1000, -8000), (1000, 5000, -2000), (5000, 9000, -7000)]
    for start, end in [(500, 1001), (4999, 5000), (2000, 3000), (500, None), (6000, 7000)]:
        with refused("nominal_overlaps"):
            records.say_nominal(actor, freezer, start, end, -3000, 0, "Display")
    with refused("nominal_backwards"):
        records.say_nominal(actor, freezer, 500, 500, -3000, 0, "Display")
    with refused("basis_required"):
        records.say_nominal(actor, freezer, 100, 500, -3000, 0, "  ")
    with refused("nominal_out_of_range"):
        records.say_nominal(actor, freezer, 100, 500, -20_001, 0, "Display")
    records.withdraw(actor, first, "It was another freezer")
    assert said() == [(0, 5000, -8000), (5000, 9000, -7000)]
    with refused("record_withdrawn"):
        records.withdraw(actor, first, "Again")
    last = NominalTemperature.objects.get(from_ms=5000)
    for _ in range(2):
        records.end_nominal(actor, last, 6000, "Switched off")
    assert said() == [(0, 5000, -8000), (5000, 6000, -7000), (6000, 9000, -8000)]
    with refused("nominal_ended"):
        records.end_nominal(actor, last, 7000, "Switched off")


def test_a_set_point_is_assumed_and_never_measured(store):
    records.say_nominal(store.actor("curator"), store.units["NLB-F1"], 1000, None, -2000, 0, "Display")
    (_, piece) = queries.tree(["NLB-F1"]).over("NLB-F1", 0, 9000)
    assert piece.logger is None and piece.nominal == -2000
    assert queries.tree(["NLB-F1"]).timeline("NLB-F1")[0].start == ALWAYS


# --- two loggers in one unit ----------------------------------------------------------------------


SPAN = utc("2026-05-03 00:00"), utc("2026-05-05 00:00")


def two(store, logger, other, apart):
    """Both in the freezer from 10:00 for an hour, every 5 min; the second reads `apart` more at 10:30."""
    actor, freezer, at = store.actor("curator"), store.units["NLB-F1"], utc("2026-05-03 10:00")
    placing.place(actor, logger, freezer, at)
    placing.place(actor, other, freezer, at, governing=False)
    take_in(store, logger, rows_from("2026-05-03 10:00", 13, value=lambda k: -80))
    take_in(store, other, rows_from("2026-05-03 10:00", 13, value=lambda k: -80 + (apart if k == 6 else 0)))
    return freezer


@pytest.mark.parametrize(("apart", "differ"), [(1.0, False), (1.01, True), (-1.01, True)])
def test_two_loggers_without_certificates_may_be_a_degree_apart(store, logger, other, apart, differ):
    freezer = two(store, logger, other, apart)
    (pair,) = pairs.pairs(freezer, SPAN)
    assert (pair.governing, pair.other, pair.allowed, pair.certified) == (logger, other, 100, False)
    assert (pair.compared, pair.apart, pair.differ) == (13, int(differ), differ)
    assert pair.worst == (round(apart * 100), utc("2026-05-03 10:30"))
    assert pairs.disagreements(freezer, SPAN) == ([pair] if differ else [])


def test_two_certified_loggers_may_be_their_uncertainties_apart(store, logger, other):
    """0.20 and 0.15 K: together 0.35 K. The second is corrected by +0.10 K, so 0.30 read are 0.40 apart."""
    freezer, actor = two(store, logger, other, 0.30), store.actor("curator")
    days = (records.date(2026, 1, 1), records.date(2026, 1, 1), records.date(2026, 12, 31))
    records.add_certificate(actor, logger, Paper("A", "Lab", *days, [(-8000, 0, 20)]))
    records.add_certificate(actor, other, Paper("B", "Lab", *days, [(-8000, 10, 15)]))
    (pair,) = pairs.disagreements(freezer, SPAN)
    assert (pair.allowed, pair.certified, pair.apart, pair.worst) == (
        35, True, 1, (40, utc("2026-05-03 10:30"))
    )  # fmt: skip


def test_what_cannot_be_compared_is_no_agreement(store, logger, other):
    freezer = two(store, logger, other, 5)
    at = utc("2026-05-03 10:28")
    row = records.exclude(store.actor("labtech"), logger, at, at + 4 * MINUTE, "defrost", "Defrost test")
    records.approve(store.actor("curator"), row)
    (pair,) = pairs.pairs(freezer, SPAN)
    assert (pair.compared, pair.apart) == (12, 0)  # that of 10:30 has no line of the other beside it
    assert pairs.pairs(freezer, (SPAN[1], SPAN[1] + HOUR))[0].worst is None


def test_pairs_take_the_same_queries_for_two_as_for_six(store, logger, other, django_assert_num_queries):
    freezer = two(store, logger, other, 5)
    with django_assert_num_queries(8):
        assert len(pairs.pairs(freezer, SPAN)) == 1
    for n in range(4):
        more = placing.add_logger(store.actor("curator"), f"X-{n}", 300)
        placing.place(store.actor("curator"), more, freezer, utc("2026-05-03 10:00"), governing=False)
    with django_assert_num_queries(8):
        assert len(pairs.pairs(freezer, SPAN)) == 15
