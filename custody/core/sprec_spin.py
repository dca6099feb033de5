"""The centrifugation elements of the Standard PREanalytical Code, version 2, from a spin as it was done.

Promises: what is not known is X and what the table has no letter for is Z, never the nearest letter. Source:
the enumerations of an open code library for version 2.0 (standards: elements 4 and 5). H is not in it (it
prints F twice); it is the one letter that the run leaves free, and no source was read for it. Where two
ranges of force meet, the table does not say whose the border is: ours goes to the higher one, but 10 000 × g,
which is not above 10 000.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NONE, UNKNOWN, OTHER = "N", "X", "Z"
ROOM, COLD = (1_800, 2_800), (200, 1_000)  # hundredths of °C
MINUTES = (10, 15)
SLOW, MEDIUM, FAST = 3_000, 6_000, 10_000
LONG_MINUTES, LONG_G = 30, 1_000  # M, for the first spin only


@dataclass(frozen=True)
class Spin:
    """g: multiples of g; centi_c: hundredths of °C, brake: whether it was on; None: not noted."""

    g: int
    minutes: int
    centi_c: int | None = None
    brake: bool | None = None

    @property
    def cold(self) -> bool | None:
        """Whether at 2 to 10 °C; False: at 18 to 28 °C; None: neither."""
        for said, (least, most) in ((True, COLD), (False, ROOM)):
            if self.centi_c is not None and least <= self.centi_c <= most:
                return said
        return None


def elements(spins: Sequence[Spin]) -> tuple[str, str]:
    """Elements 4 and 5: the first and the second centrifugation of a sample, N where there was none."""
    first = code(spins[0], first=True) if spins else NONE
    return first, code(spins[1]) if len(spins) > 1 else NONE


def code(spin: Spin, first: bool = False) -> str:
    """The letter of one spin: A to J, M (first only); X: a part is not noted; Z: no letter for it."""
    if spin.centi_c is None or spin.brake is None:
        return UNKNOWN
    if spin.cold is None:
        return OTHER
    if first and _long_and_slow(spin):
        return "M"
    if not MINUTES[0] <= spin.minutes <= MINUTES[1]:
        return OTHER
    if spin.g < SLOW:
        return {(False, False): "A", (False, True): "B", (True, False): "C", (True, True): "D"}[
            spin.cold, spin.brake
        ]
    return _fast(spin) if spin.brake else OTHER


def _long_and_slow(spin: Spin) -> bool:
    return not spin.cold and not spin.brake and spin.minutes == LONG_MINUTES and spin.g < LONG_G


def _fast(spin: Spin) -> str:
    pair = "EF" if spin.g < MEDIUM else "GH" if spin.g <= FAST else "IJ"
    return pair[1 if spin.cold else 0]
