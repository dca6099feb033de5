"""Order of draw. Every list that is checked here was read in the source that is named beside it."""

from __future__ import annotations

from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import order
from biobank.core.order import HOSPITAL, REFERENCE, STANDARD, Tube, advice


def said(*additives: str, winged: bool = True) -> list[order.Advice]:
    return advice([Tube(f"{one} {n}", one) for n, one in enumerate(additives)], winged)


# additives in the order of each list
LISTS = {
    # University of Chicago, blood specimen page: culture, citrate, serum, heparin, EDTA, fluoride, others;
    # royal blue without additive with serum, royal blue with EDTA with EDTA
    HOSPITAL.name: ["BCB", "C32", "CLOT", "TRCN", "HEPN", "HEPL", "EDTK", "TRCE", "NAF", "ACDA"],
    # another reference laboratory: culture, trace metal, citrate, gel, heparin, EDTA
    REFERENCE.name: ["BCB", "TRCN", "C32", "SST", "HEPL", "EDTK"],
    # CLSI GP41 and WHO 2010 table 2.3 as quoted by two phlebotomy courses
    STANDARD.name: ["BCB", "C32", "SST", "HEPL", "EDTK", "NAF"],
}


@pytest.mark.parametrize("name", LISTS)
def test_a_list_has_nothing_to_say_against_its_own_order(name):
    assert not [one for one in said(*LISTS[name]) if name in one.sources]


@pytest.mark.parametrize("name", LISTS)
def test_a_list_speaks_up_for_each_exchange_of_two_neighbours(name):
    """But for those named in one breath: serum with royal blue, the two heparins, EDTA with royal blue."""
    together = {("CLOT", "TRCN"), ("HEPN", "HEPL"), ("EDTK", "TRCE")}
    whole = LISTS[name]
    for n, pair in enumerate(pairwise(whole)):
        swapped = [*whole[:n], pair[1], pair[0], *whole[n + 2 :]]
        heard = any(name in one.sources for one in said(*swapped))
        assert heard == (pair not in together), pair


def test_trace_element_tubes_are_where_the_sources_disagree_and_both_are_named():
    (one,) = said("NONE", "C32", "CLOT", "TRCN")
    assert one.sentence == "Trace-element serum after serum and citrate"
    assert one.sources == (REFERENCE.name,) and HOSPITAL.name in one.against and order.FLUSHED in one.against
    (other,) = said("TRCN", "C32")[1:]
    assert other.sources == (HOSPITAL.name,) and other.against == (REFERENCE.name,)


def test_a_trace_element_tube_is_never_the_first_through_a_needle():
    """A paediatric trace-element protocol: flush the needle by drawing other tubes first."""
    first = said("TRCE", "EDTK")[0]
    assert (first.code, first.sources) == ("flush_before_trace", (order.FLUSHED,)) and first.disputed
    assert "flush_before_trace" not in [one.code for one in said("CLOT", "TRCN")]


@pytest.mark.parametrize(
    ("additives", "winged", "asked"),
    [
        (("C32", "CLOT"), True, True),
        (("NONE", "C32", "CLOT"), True, False),  # the discard tube
        (("BCB", "C32"), True, False),  # a culture bottle primes the tubing too
        (("C32", "CLOT"), False, False),
        (("EDTK",), True, False),
    ],
)
def test_a_discard_tube_is_asked_for_before_citrate_with_a_winged_needle(additives, winged, asked):
    """University of Chicago, blood specimen page."""
    found = said(*additives, winged=winged)
    assert any(one.code == "discard_before_citrate" for one in found) == asked


def test_a_clot_activator_may_not_stand_before_citrate_but_a_plain_tube_may():
    """CLSI GP41, as quoted."""
    assert not said("NONE", "C32")
    assert STANDARD.name in said("CLOT", "C32")[0].sources


def test_cards_and_unknown_additives_are_no_part_of_the_order():
    assert not advice([Tube("EDTA", "EDTK"), Tube("Card", "HEPL", primes=False), Tube("Odd", "")])


@given(st.lists(st.sampled_from(sorted(order.GROUPS)), max_size=12))
def test_advice_never_refuses_and_never_repeats_itself(additives):
    found = said(*additives)
    assert len(found) == len(set(found))
    assert all(one.sources and not set(one.sources) & set(one.against) for one in found)


def test_of_all_orders_of_the_six_common_groups_only_the_published_one_pleases_everybody():
    six = ["BCB", "C32", "SST", "HEPL", "EDTK", "NAF"]
    assert [one for one in permutations(six) if not said(*one)] == [tuple(six)]
