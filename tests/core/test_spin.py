"""Speed and force belong to each other."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from custody.core.spin import rcf, rpm_for


@given(st.integers(1, 20_000), st.integers(10, 400))
def test_speed_and_force_are_each_others_inverse(rpm, radius_mm):
    assert rpm_for(rcf(rpm, radius_mm), radius_mm) == pytest.approx(rpm, rel=1e-12)


def test_nothing_turns_without_speed():
    assert rcf(0, 100) == 0
    assert rpm_for(0, 100) == 0


@pytest.mark.parametrize("call", [rcf, rpm_for])
@pytest.mark.parametrize(("amount", "radius_mm"), [(-1, 100), (1000, 0), (1000, -5)])
def test_what_cannot_be_is_refused(call, amount, radius_mm):
    with pytest.raises(ValueError):
        call(amount, radius_mm)
