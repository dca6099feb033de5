"""SPREC, version 2: elements 4 and 5, centrifugation.

Source: the enumerations of an open code library for version 2.0 of the code (Lehmann 2012, doi
10.1089/bio.2012.0012, is the paper; its table of spins was not in what could be read). H is left out: the
library prints F twice, and no source was read for H.
"""

import pytest

from custody.core.sprec_spin import Spin, code, elements

RT, COLD = 2_200, 500
TABLE = [  # letter, °C, g inside the range, brake
    ("A", RT, 1_500, False), ("B", RT, 1_500, True), ("C", COLD, 1_500, False), ("D", COLD, 1_500, True),
    ("E", RT, 4_500, True), ("F", COLD, 4_500, True), ("G", RT, 8_000, True), ("I", RT, 12_000, True),
    ("J", COLD, 12_000, True),
]  # fmt: skip


@pytest.mark.parametrize(("letter", "centi", "g", "brake"), TABLE)
@pytest.mark.parametrize("minutes", [10, 12, 15])
def test_the_table(letter, centi, g, brake, minutes):
    assert code(Spin(g, minutes, centi, brake)) == letter


def test_the_thirty_minutes_below_1000_g():
    assert code(Spin(900, 30, RT, False), first=True) == "M"


@pytest.mark.parametrize(
    ("sample", "spins"),
    [
        ("SER-SST-A-B-N-B-A", [Spin(2_000, 10, RT, True)]),  # room, 10-15 min, below 3000 g, brake; no second
        ("PL2-PED-B-D-F-A-V", [Spin(2_000, 10, COLD, True), Spin(4_000, 10, COLD, True)]),
        ("BLD-PED-A-N-N-N-A", []),
    ],
)
def test_elements_of_whole_codes(sample, spins):
    """Codes put together from the published tables; no worked example of a paper could be read."""
    assert elements(spins) == tuple(sample.split("-")[3:5])
