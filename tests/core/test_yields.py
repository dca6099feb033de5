"""How much a tube gives, and which vials it fills: never over, the reserve kept, the lowest dropped first."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.yields import (
    Vial,
    check_hct,
    expected_ul,
    loss_ul,
    most_ul,
    share,
    yield_pct,
)
from custody.core.refusal import Refused

room = st.integers(-1_000, 20_000)
blood = st.integers(0, 50_000)
hct = st.none() | st.integers(1, 90)


SIZES = st.integers(1, 3_000)


@st.composite
def racks(draw, size=SIZES):
    some = draw(st.lists(st.tuples(size, st.integers(1, 5), st.booleans()), max_size=12))
    return [Vial(f"v{n}", *one) for n, one in enumerate(some)]


@st.composite
def even_racks(draw):
    return draw(racks(st.just(draw(st.integers(1, 3_000)))))


def rank(vial: Vial, rack: list[Vial]) -> tuple[bool, int, int]:
    return not vial.reserve, vial.priority, rack.index(vial)


# sharing out ------------------------------------------------------------------------------------


@given(room, racks())
def test_what_is_shared_out_is_never_more_than_there_is_and_nothing_is_forgotten(available, rack):
    shared = share(available, rack)
    filled = sum(one.ul for one in rack if one.code in shared.filled)
    assert filled + shared.left_ul == max(0, available) and shared.left_ul >= 0
    assert sorted([*shared.filled, *shared.dropped]) == sorted(one.code for one in rack)


@given(room, racks())
def test_both_lists_stand_in_rack_order(available, rack):
    order = [one.code for one in rack]
    shared = share(available, rack)
    for some in (shared.filled, shared.dropped):
        assert list(some) == sorted(some, key=order.index)


@given(room, even_racks())
def test_of_vials_of_one_size_the_lowest_are_dropped_first(available, rack):
    shared = share(available, rack)
    kept = [rank(one, rack) for one in rack if one.code in shared.filled]
    gone = [rank(one, rack) for one in rack if one.code in shared.dropped]
    assert not kept or not gone or max(kept) < min(gone)


@given(room, racks())
def test_a_vial_gives_way_only_to_those_that_come_before_it(available, rack):
    shared = share(available, rack)
    for vial in (one for one in rack if one.code in shared.dropped):
        before = [one.ul for one in rack if one.code in shared.filled and rank(one, rack) < rank(vial, rack)]
        assert sum(before) + vial.ul > max(0, available)


@given(room, racks())
def test_the_reserve_is_kept_as_if_there_were_nothing_else(available, rack):
    alone = share(available, [one for one in rack if one.reserve])
    among = share(available, rack)
    assert set(alone.filled) == {one.code for one in rack if one.reserve and one.code in among.filled}


def test_an_example_by_hand():
    rack = [Vial("serology 1", 500, 2), Vial("serology 2", 500, 2), Vial("toxins", 500, 3)]
    rack += [Vial("archive", 500, 1, reserve=True), Vial("small", 200, 4)]
    shared = share(1_749, rack)
    assert shared.filled == ("serology 1", "serology 2", "archive", "small")
    assert (shared.dropped, shared.left_ul) == (("toxins",), 49)
    assert share(1_499, rack).filled == ("serology 1", "archive", "small")  # of equals the later falls away
    assert share(499, rack).filled == ("small",) and share(0, rack).filled == ()
    assert share(2_000, rack).dropped == ("small",) and share(2_200, rack).dropped == ()


# how much there is ------------------------------------------------------------------------------


@given(blood, hct)
def test_less_is_expected_than_is_plausible_and_less_than_the_blood(ul, packed):
    assert 0 <= expected_ul(ul, packed) <= most_ul(ul, packed) <= ul


@given(blood, st.integers(1, 89))
def test_more_cells_less_plasma(ul, packed):
    assert expected_ul(ul, packed + 1) <= expected_ul(ul, packed)


def test_a_measured_haematocrit_counts_before_the_rule():
    # common practice: volume × (1 − haematocrit) × 0.8 (trade notes, "Yield"); no published source
    assert expected_ul(10_000, 60) == 3_200 and expected_ul(10_000, 50) == expected_ul(10_000)
    assert most_ul(10_000, 60) == 4_000 and most_ul(10_000) == 5_000


def test_what_is_expected_is_cut_down_never_rounded_up():
    assert (expected_ul(4_999), expected_ul(999, 33)) == (1_999, 535)


@pytest.mark.parametrize("packed", [0, -1, 91, 100])
def test_what_is_no_haematocrit_is_refused(packed):
    for ask in (check_hct, lambda one: expected_ul(1_000, one), lambda one: most_ul(1_000, one)):
        with pytest.raises(Refused) as no:
            ask(packed)
        assert no.value.code == "hct_out_of_range"
    check_hct(1), check_hct(90), check_hct(None)


def test_a_yield_is_recovered_of_drawn_in_per_cent():
    assert [yield_pct(ul, 10_000) for ul in (4_000, 4_049, 4_050, 0, 10_000)] == [40, 40, 41, 0, 100]
    with pytest.raises(ValueError):
        yield_pct(100, 0)


@given(st.integers(0, 100_000))
def test_a_loss_is_expected_of_what_was_measured_and_none_of_an_estimate(ul):
    assert loss_ul(ul, measured=False) == 0
    lost = loss_ul(ul, measured=True)
    assert 0 <= lost <= ul and lost * 50 >= ul and (lost == 0) == (ul == 0)
