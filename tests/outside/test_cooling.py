"""Newton's law of cooling fitted to published measurements, beside published answers and scipy.

Water: 222 readings of a mug of hot water, a reading a minute, taken by Stan Wagon; data set CoolingWater of
the R package mosaicData (as table in github.com/vincentarelbundock/Rdatasets, csv/mosaicData). The answer of
R's nls for temp ~ A + B exp(−k time) stands in "Is cooling exponential?"
(prep2013.mosaic-web.org/Notes/Cooling/CoolingCoffee.html): A 27.00446, B 62.13545, k 0.02096; an earlier
print of it gives more digits (rstudio-pubs 558). The same page says that the curve does not fit.
Coffee: black and with cream, every two minutes, room 17 °C; the two tables of Gould and Tobochnik,
"An Introduction to Computer Simulation Methods", as used in physics.indiana.edu/~sg/p609/assignment.1.2006.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import t as student

from biobank.core.least import inverse_of, least_squares, t_quantile
from biobank.core.warmup import Fit, curve, fit, newton

MIN = 60_000
# fmt: off
WATER = [
    98.2, 94.4, 91.4, 89.1, 86.9, 84.9, 83.1, 81.2, 79.5, 78, 76.5, 75.2, 73.8, 72.6, 71.4, 70.3, 69.3,
    68.2, 67.2, 66.3, 65.3, 64.3, 63.7, 62.9, 62.1, 61.5, 60.7, 60, 59.4, 58.6, 58.1, 57.4, 56.8, 56.1,
    55.6, 55, 54.5, 54, 53.5, 53, 52.5, 52.1, 51.7, 51.3, 50.8, 50.5, 50, 49.6, 49.2, 48.8, 48.5, 48.1,
    47.7, 47.3, 47, 46.6, 46.3, 46, 45.7, 45.3, 45.1, 44.7, 44.5, 44.2, 43.8, 43.6, 43.2, 43, 42.7, 42.5,
    42.2, 42, 41.6, 41.5, 41.2, 41, 40.7, 40.6, 40.3, 40.2, 40, 39.5, 39.3, 39.1, 38.8, 38.7, 38.4, 38.2,
    38.1, 37.9, 37.7, 37.5, 37.3, 37.1, 37, 36.8, 36.6, 36.5, 36.3, 36.2, 36, 35.8, 35.7, 35.6, 35.4, 35.3,
    35.1, 35, 34.9, 34.7, 34.5, 34.4, 34.2, 34.1, 33.9, 33.8, 33.7, 33.5, 33.4, 33.3, 33.2, 33, 32.9, 32.8,
    32.7, 32.6, 32.4, 32.3, 32.2, 32.1, 32, 31.9, 31.8, 31.7, 31.5, 31.5, 31.4, 31.3, 31.1, 31.1, 31, 30.9,
    30.7, 30.7, 30.6, 30.5, 30.4, 30.3, 30.2, 30.1, 30.1, 30, 30, 29.8, 29.8, 29.7, 29.6, 29.5, 29.4, 29.4,
    29.2, 29.2, 29.1, 29, 29, 28.9, 28.8, 28.7, 28.6, 28.6, 28.5, 28.4, 28.4, 28.3, 28.2, 28.2, 28.1, 28,
    28, 27.9, 27.8, 27.8, 27.7, 27.7, 27.6, 27.5, 27.5, 27.4, 27.4, 27.3, 27.2, 27.2, 27.1, 27.1, 27, 27,
    26.9, 26.9, 26.8, 26.8, 26.7, 26.7, 26.6, 26.6, 26.5, 26.5, 26.4, 26.4, 26.4, 26.3, 26.2, 26.2, 26.2,
    26.1, 26.1, 26.1, 26, 26, 26, 25.9, 25.9, 25.8,
]
# fmt: on
BLACK = [82.3, 78.5, 74.3, 70.7, 67.6, 65.0, 62.5, 60.1, 58.1, 56.1, 54.3, 52.8, 51.2, 49.9, 48.6, 47.2, 46.1]
BLACK += [45.0, 43.9, 43.0, 41.9, 41.0, 40.1, 39.5]
CREAM = [68.8, 64.8, 62.1, 59.9, 57.7, 55.9, 53.9, 52.3, 50.8, 49.5, 48.1, 46.8, 45.9, 44.8, 43.7, 42.6, 41.7]
CREAM += [40.8, 39.9, 39.3, 38.6, 37.7, 37.0, 36.4]


def mirrored(celsius, every_min):
    """A body that cools in a room, seen upside down, warms up: readings for `fit`, in whole hundredths."""
    return [(round(k * every_min * MIN), -round(100 * one)) for k, one in enumerate(celsius)]


def test_the_published_fit_of_the_water_is_met():
    points = [(float(k), one) for k, one in enumerate(WATER)]
    gap, rate, room = least_squares(points, (-30.0, math.log(2) / 40, 70.0), lambda v, t: newton(*v, t))
    # R's nls stops at a relative offset of 1e-5, so its last digits are its own
    assert room == pytest.approx(27.0044582029391, abs=1e-5)
    assert -gap == pytest.approx(62.13545433946, abs=1e-5)
    assert rate == pytest.approx(0.0209644103144356, abs=1e-7)


def test_the_water_does_not_fit_and_it_is_said():
    found = fit(mirrored(WATER, 1), room_centi=-2570)
    assert found is not None
    assert found.kind == "line", "the first minutes are far too steep for one body"


@pytest.mark.parametrize("celsius", [BLACK, CREAM], ids=["black", "with cream"])
def test_coffee_is_fitted_as_scipy_fits_it(celsius):
    readings = mirrored(celsius, 2)
    hours = np.array([at for at, _ in readings]) / 3_600_000
    warm = np.array([centi for _, centi in readings]) / 100
    said, cov = curve_fit(lambda t, gap, rate: -17 - gap * np.exp(-rate * t), hours, warm, p0=(60, 1.5))
    base = Fit("curve", 0, readings[-1], len(readings), 2 * MIN, (), (), 0, 0.0, 1.0, -17.0)
    found = curve(base, list(zip(hours.tolist(), warm.tolist(), strict=True)), -17.0)
    assert found is not None
    assert found.values == pytest.approx(said, rel=1e-3)
    assert np.array(found.cov) == pytest.approx(cov, rel=1e-3)
    assert found.tau_ms / MIN == pytest.approx(60 / said[1], rel=1e-3)
    assert found.tau_error_ms / MIN == pytest.approx(60 * math.sqrt(cov[1][1]) / said[1] ** 2, rel=1e-3)


def test_a_noisy_freezer_is_fitted_as_scipy_fits_it_with_and_without_the_room():
    chance = np.random.default_rng(7)
    hours = np.arange(0, 6, 1 / 12)
    true = 22 - 102 * np.exp(-hours / 5)
    readings = [
        (round(t * 3_600_000), round(100 * c))
        for t, c in zip(hours, true + chance.normal(0, 0.2, len(hours)), strict=True)
    ]
    warm = np.array([centi for _, centi in readings]) / 100
    for room in (2200, None):
        found = fit(readings, room_centi=room)
        assert found is not None and found.kind == "curve"
        if room is None:
            said, cov = curve_fit(lambda t, g, k, r: r - g * np.exp(-k * t), hours, warm, p0=(100, 0.2, 20))
            assert found.fitted
        else:
            said, cov = curve_fit(lambda t, g, k: 22 - g * np.exp(-k * t), hours, warm, p0=(100, 0.2))
        assert found.values == pytest.approx(said, rel=1e-3)
        assert np.array(found.cov) == pytest.approx(cov, rel=1e-3)
        at = 3_600_000 * 7
        slopes = np.array(newton(found.values[0], found.values[1], found.room, 7.0)[1][: len(said)])
        half = student.ppf(0.975, found.free) * math.sqrt(slopes @ cov @ slopes) * found.stretch
        low, high = found.band(at)
        assert (high - low) / 2 == pytest.approx(half, rel=1e-3)


@pytest.mark.parametrize("free", [1, 2, 3, 5, 9, 10, 12, 20, 30, 60, 120, 298])
def test_student_s_t_is_that_of_scipy(free):
    assert t_quantile(free) == pytest.approx(student.ppf(0.975, free), abs=1e-3)


def test_a_small_matrix_is_turned_over_as_numpy_does_it():
    chance = np.random.default_rng(3)
    for n in (1, 2, 3):
        given = chance.normal(size=(n, n))
        assert np.array(inverse_of(given.tolist())) == pytest.approx(np.linalg.inv(given), rel=1e-9)
    assert inverse_of([[1.0, 2.0], [2.0, 4.0]]) is None
