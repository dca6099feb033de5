"""Temperature classes, which box is filled first, siblings over two freezers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.places import Room, candidates, class_of, fill, in_one_device, split, warmer

# MIABIS storage temperatures as trade.md 5 quotes them [S48]: RT, 2-10, -18 to -35, -60 to -85, < -135
MIABIS = [
    ("ambient", 20_00, 25_00),
    ("cold", 2_00, 10_00),
    ("frozen", -35_00, -18_00),
    ("deep", -85_00, -60_00),
    ("nitrogen", -196_00, -136_00),
]


@pytest.mark.parametrize(("name", "low", "high"), MIABIS)
def test_the_classes_are_those_of_miabis(name, low, high):
    assert {class_of(low), class_of((low + high) // 2), class_of(high)} == {name}


def test_what_lies_between_two_classes_counts_as_the_warmer():
    assert [class_of(centi) for centi in (11_00, -10_00, -40_00, -100_00)] == [
        "ambient", "cold", "frozen", "deep",
    ]  # fmt: skip


@given(st.integers(-20_000, 4_000), st.integers(-20_000, 4_000))
def test_colder_than_planned_is_never_called_warmer(centi, target):
    assert not (centi <= target and warmer(centi, target))


def test_what_is_not_known_asks_nothing():
    assert not warmer(None, -8000) and not warmer(-2000, None)
    assert warmer(-2000, -8000) and not warmer(-19000, -8000) and not warmer(-7000, -8000)


def room(unit, device="F1", centi=-8000, held=0, free=5):
    return Room(unit, device, centi, held, free)


def units(rooms):
    return [one.unit for one in rooms]


def test_started_boxes_come_first_and_the_fullest_of_them():
    rooms = [room("A"), room("B", held=2, free=7), room("C", held=7, free=2), room("D", held=9, free=0)]
    assert units(candidates(rooms, -8000)) == ["C", "B", "A"]


def test_only_the_planned_class_and_a_colder_one_when_there_is_none():
    rooms = [room("W", centi=-2000), room("N", centi=-19000), room("U", centi=None), room("D")]
    assert units(candidates(rooms, -8000)) == ["D"]
    assert units(candidates(rooms[:3], -8000)) == ["N"]
    assert candidates(rooms[:1], -8000) == []


def test_tubes_fill_one_box_after_the_other():
    assert fill([room("A", free=2), room("B", free=1)], ["t1", "t2", "t3", "t4"]) == {
        "t1": "A", "t2": "A", "t3": "B",
    }  # fmt: skip


TWO = [room("A", "F1", free=9), room("B", "F2", free=9), room("C", "F3", free=9)]


def devices(chosen, rooms=TWO):
    of = {one.unit: one.device for one in rooms}
    return [of[unit] for unit in chosen.values()]


def test_siblings_are_shared_between_two_devices_and_not_three():
    chosen = split(TWO, ["a", "b", "c", "d"], dict.fromkeys("abcd", "P"), {})
    assert devices(chosen) == ["F1", "F2", "F1", "F2"]
    assert in_one_device(TWO, chosen, dict.fromkeys("abcd", "P"), {}) == []


def test_siblings_that_are_stored_already_count():
    assert devices(split(TWO, ["a"], {"a": "P"}, {"P": {"F1": 1}})) == ["F2"]
    assert devices(split(TWO, ["a"], {"a": "P"}, {"P": {"F3": 2}})) == ["F1"]


def test_strangers_fill_the_first_box():
    assert devices(split(TWO, ["a", "b", "c"], {}, {})) == ["F1", "F1", "F1"]


def test_one_device_takes_all_and_it_is_said_that_one_failure_takes_them():
    rooms, family = [room("A")], {"a": "P", "b": "P", "c": "Q"}
    chosen = split(rooms, ["a", "b", "c"], family, {})
    assert chosen == {"a": "A", "b": "A", "c": "A"}
    assert in_one_device(rooms, chosen, family, {}) == ["P"]
    assert in_one_device(rooms, chosen, family, {"Q": {"F1": 1}}) == ["P", "Q"]
    assert in_one_device(rooms, chosen, family, {"P": {"F2": 1}}) == []


@given(
    st.lists(st.tuples(st.sampled_from(["F1", "F2", "F3"]), st.integers(0, 4)), max_size=6),
    st.lists(st.sampled_from("PQR"), max_size=14),
)
def test_no_box_gets_more_than_it_has_room_for_and_none_is_left_out_while_there_is(given, families):
    rooms = [room(f"B{n}", device, free=free) for n, (device, free) in enumerate(given)]
    tubes = [f"t{n}" for n in range(len(families))]
    chosen = split(rooms, tubes, dict(zip(tubes, families, strict=True)), {})
    assert len(chosen) == min(len(tubes), sum(one.free for one in rooms))
    for one in rooms:
        assert list(chosen.values()).count(one.unit) <= one.free


@given(st.lists(st.sampled_from("PQR"), min_size=2, max_size=20))
def test_with_room_in_two_devices_no_family_of_two_stands_in_one(families):
    rooms = [room("A", "F1", free=20), room("B", "F2", free=20)]
    tubes = [f"t{n}" for n in range(len(families))]
    family = dict(zip(tubes, families, strict=True))
    assert in_one_device(rooms, split(rooms, tubes, family, {}), family, {}) == []
