"""Dry ice: what is left, how long it lasts, what to pack. The published figures are in tests/outside."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.dry_ice import RATES, lasts, left, may_be_gone, need, plan

HOUR, DAY = 60, 1440
forms = st.sampled_from(sorted(RATES))
grams = st.integers(1, 100_000)
minutes = st.integers(0, 10 * DAY)


def test_a_day_of_five_kilograms_of_pellets():
    # quickest: 24 h at 2.84 % of 5 kg; slowest: 24 times 2.53 % of what is there
    assert (left(5000, "pellets", DAY).least, left(5000, "pellets", DAY).most) == (
        int(5000 * (1 - 24 * 0.0284)),
        int(5000 * (1 - 0.0253) ** 24),
    )


def test_what_is_to_be_left_after_a_day_of_blocks():
    found = need(DAY, "blocks", 1000)
    assert found.by_rate.least == 1267  # 1000 / 0.9902 ** 24 = 1266.6
    assert found.by_rate.most == 1624  # 1000 / (1 - 0.384) = 1623.4
    assert (found.by_plan.least, found.by_plan.most) == (3300, 5500)
    assert (found.least_g, found.pack_g) == (1267, 5500)


def test_a_long_way_has_no_amount_that_is_surely_enough():
    over = may_be_gone("pellets") + HOUR
    found = need(over, "pellets", 500)
    assert found.by_rate.most is None and found.pack_g is None
    assert found.by_plan.most is not None  # the planning figure alone would have said yes
    assert left(50_000, "pellets", over).least == 0


def test_nothing_to_keep_has_no_last_moment_and_too_little_lasts_no_time():
    assert lasts(2000, "pellets", 0).most is None
    assert lasts(2000, "pellets", 0).least == may_be_gone("pellets")
    assert (lasts(500, "blocks", 500).least, lasts(500, "blocks", 500).most) == (0, 0)


@given(grams, forms, minutes)
def test_what_is_left_is_a_range_within_what_was_put_in(g, form, m):
    found = left(g, form, m)
    assert 0 <= found.least <= found.most <= g


@given(grams, forms, minutes, minutes)
def test_longer_leaves_no_more(g, form, one, other):
    first, second = left(g, form, min(one, other)), left(g, form, max(one, other))
    assert second.least <= first.least and second.most <= first.most


@given(st.integers(1, 20_000), forms, minutes)
def test_what_a_careful_packer_takes_leaves_what_was_asked(keep, form, m):
    found = need(m, form, keep)
    if found.pack_g is not None:
        assert left(found.pack_g, form, m).least >= keep - 1  # rounded down to a gram
    assert left(found.by_rate.least, form, m).most >= keep - 1


@given(st.integers(2, 100_000), forms, st.data())
def test_it_lasts_as_long_as_enough_is_left(g, form, data):
    keep = data.draw(st.integers(1, g - 1))
    found = lasts(g, form, keep)
    assert found.least <= found.most
    assert left(g, form, found.least).least >= keep - 1
    assert left(g, form, found.most).most >= keep - 1
    assert left(g, form, found.most + 2).most <= keep


@given(forms, minutes, st.integers(0, 5000))
def test_more_to_keep_needs_more(form, m, keep):
    less, more = need(m, form, keep), need(m, form, keep + 100)
    assert less.by_rate.least <= more.by_rate.least and less.by_plan.most < more.by_plan.most
    assert less.by_rate.most is None or less.by_rate.most <= more.by_rate.most


@pytest.mark.parametrize("form", sorted(RATES))
def test_no_time_needs_no_more_than_what_is_kept(form):
    assert need(0, form, 700).pack_g == 700 and plan(0).most == 0
