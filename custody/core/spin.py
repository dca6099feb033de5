"""Centrifuge speed and force.

Promises: a speed without a radius never becomes a force. Both functions use the handbook form
RCF = 1.118e-5 * r(cm) * rpm^2 (with r in millimetres 1.118e-6), which is within 0.03 % of
omega^2 * r / 9.80665.
"""

from __future__ import annotations

from math import sqrt

PER_MM = 1.118e-6


def rcf(rpm: float, radius_mm: float) -> float:
    """Relative centrifugal force in multiples of g.

    rpm        revolutions a minute, 0 or more
    radius_mm  from the axis to the point of interest in the tube, millimetres, above 0
    ValueError for a negative speed or a radius that is not above 0.
    """
    _check(rpm, radius_mm)
    return PER_MM * radius_mm * rpm**2


def rpm_for(g: float, radius_mm: float) -> float:
    """The speed in revolutions a minute that gives this many g at this radius (millimetres).

    ValueError for a negative force or a radius that is not above 0.
    """
    _check(g, radius_mm)
    return sqrt(g / (PER_MM * radius_mm))


def _check(amount: float, radius_mm: float) -> None:
    if amount < 0:
        raise ValueError("speed and force are 0 or more")
    if radius_mm <= 0:
        raise ValueError("the radius must be above 0 mm")
