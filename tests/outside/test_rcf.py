"""RCF against a published worked example and against physics."""

from math import pi

import pytest

from custody.core.spin import rcf, rpm_for

STANDARD_GRAVITY = 9.80665  # m/s², exact by definition (3rd CGPM, 1901)


def test_published_example():
    """Radius 5 cm at 10 000 rpm is 5590 × g: worked example of the practical-supplies page at
    clinical2labpracticalsuppliesprocedures.passetra.com, which also prints 1.118e-5 · r(cm) · rpm²."""
    assert rcf(10_000, 50) == pytest.approx(5590, abs=0.5)
    assert rpm_for(5590, 50) == pytest.approx(10_000, rel=1e-4)


@pytest.mark.parametrize(("rpm", "radius_mm"), [(10_000, 50), (3000, 100), (3000, 170), (500, 95)])
def test_against_angular_velocity(rpm, radius_mm):
    """The handbook constant is rounded: omega² · r / g is 1.11824e-5, 0.022 % more."""
    omega = 2 * pi * rpm / 60
    exact = omega**2 * (radius_mm / 1000) / STANDARD_GRAVITY
    assert rcf(rpm, radius_mm) == pytest.approx(exact, rel=3e-4)
    assert rcf(rpm, radius_mm) < exact
