"""Mean kinetic temperature against worked examples that others have published.

Formula and constants: USP 29 <1160>, dH = 83.144 kJ/mol, R = 8.3144e-3 kJ/(K mol). No worked example
with complete input was found in a pharmacopoeia; these are trade pages (secondary), test vectors only:
1  "What is Mean Kinetic Temperature?", systems.isopharm.co.uk/mean-kinetic-temperature/
2  tooljolt.com/tools/warehouse-mkt-calculator
3  tooljolt.com, controlled-room-temperature-mkt-calculator
4  e-com-net.com/article/1304841204579471360.htm: prints the two exponents -dH/(R T) for 23 and 25 °C,
   with 273.1 for 0 °C in kelvin (its final figure is cut off in the copy that was read)
"""

from __future__ import annotations

import math

import pytest

from custody.core.phase import DH_OVER_R
from custody.core.thermal import Series, Stretch, arrhenius, join, mean_kinetic_centi

HOUR = 3_600_000
EXAMPLES = [
    ([(20, 2), (2, 4), (25, 1)], "15.7"),
    ([(23, 200), (28, 20), (30, 8), (21, 300)], "22.36"),
    ([(24, 16), (26, 5), (28, 3), (21, 24)], "23.23"),
]


@pytest.mark.parametrize(("held", "published"), EXAMPLES)
def test_published_figures_come_out_of_readings(held, published):
    """A logger that held each temperature for its hours; the steps between take one millisecond."""
    times, centi, clock = [], [], 0
    for celsius, hours in held:
        times += [clock, clock + hours * HOUR - 1]
        centi += [celsius * 100] * 2
        clock += hours * HOUR
    series = Series(times, centi, clock)
    found = mean_kinetic_centi(float(series.rate(0, clock - 1)[0]), clock - 1)
    assert f"{found / 100:.{len(published.split('.')[1])}f}" == published


@pytest.mark.parametrize(("held", "published"), EXAMPLES)
def test_published_figures_come_out_of_set_points(held, published):
    stretches, clock = [], 0
    for celsius, hours in held:
        stretches.append(Stretch(clock, clock + hours * HOUR, None, celsius * 100))
        clock += hours * HOUR
    found = join("ambient", stretches, [])
    assert f"{found.mean_kinetic_centi / 100:.{len(published.split('.')[1])}f}" == published


@pytest.mark.parametrize(("celsius", "exponent"), [(23, -33.77237419790611), (25, -33.545790003354576)])
def test_published_exponents(celsius, exponent):
    """The page takes 273.1 K for 0 °C; our 273.15 is 0.05 K more, so ask for a temperature 0.05 K lower."""
    assert math.log(float(arrhenius((celsius - 0.05) * 100))) == pytest.approx(exponent, abs=1e-12)


def test_the_constant_is_ten_thousand_kelvin():
    assert pytest.approx(10_000, abs=1e-9) == DH_OVER_R
