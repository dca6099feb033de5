"""Quantities as people write them: "3 h", "−70 °C", "91 %".

Promises: a number without its unit, a unit of another kind, or more than the column can hold exactly is
refused with a sentence that says what to write. Nothing is rounded.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from fractions import Fraction

# A month is 30 days and a year 365: what is stated in months or years is no exact border anyway.
SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86_400, "wk": 604_800, "mo": 2_592_000, "y": 31_536_000}
FOR_EVER = "for ever"
QUANTITY = re.compile(r"([−-]?\d+(?:\.\d+)?) ?([^\d\s].*)")

Bands = tuple[tuple[int | None, int | None], ...]


def duration(said: object) -> int:
    """Seconds of "30 min", "2.5 d", "6 mo"."""
    return _whole(said, SECONDS, "3 h")


def temperature(said: object) -> int:
    """Hundredths of °C of "−70 °C"."""
    return _whole(said, {"°C": 100}, "−70 °C", least=-27_315)


def volume(said: object) -> int:
    """Microlitres of "150 µL" or "1.5 mL"."""
    return _whole(said, {"µL": 1, "mL": 1000}, "150 µL", least=1)


def percent(said: object) -> int:
    return _whole(said, {"%": 1}, "91 %")


def force(said: object) -> int:
    """Multiples of g of "1300 × g"."""
    return _whole(said, {"× g": 1}, "1300 × g")


def minutes(said: object) -> int:
    return _whole(said, {"min": 1}, "10 min")


def per_decilitre(said: object) -> int:
    """Hundredths of mg/dL of "149.99 mg/dL"."""
    return _whole(said, {"mg/dL": 100}, "50 mg/dL")


def count(said: object) -> int:
    """A bare number of times or a grade; it has no unit."""
    if isinstance(said, bool) or not isinstance(said, int) or said < 0:
        raise ValueError(f"{said!r} is not a whole number of 0 or more.")
    return said


def bands(said: object) -> Bands:
    """["8 °C for 5 d", "warmer for 8 h"]: up to and with that temperature; `for ever` bears it always."""
    if not isinstance(said, list) or not said:
        raise ValueError('Bands are a list such as ["8 °C for 5 d", "warmer for 8 h"].')
    return tuple(_band(one) for one in said)


def _band(said: object) -> tuple[int | None, int | None]:
    edge, found, time = str(said).partition(" for ")
    if not found:
        raise ValueError(f'"{said}" is no band: write for example "8 °C for 5 d" or "warmer for 8 h".')
    warmest = None if edge == "warmer" else temperature(edge)
    return warmest, None if time == "ever" else duration(time)


def _whole(said: object, units: Mapping[str, int], example: str, least: int = 0) -> int:
    """The quantity as a whole number of the smallest unit. ValueError, with a sentence."""
    known = ", ".join(units)
    if isinstance(said, (int, float)):
        raise ValueError(f'{said} has no unit: write for example "{example}" ({known}).')
    match = QUANTITY.fullmatch(str(said).strip())
    if match is None:
        raise ValueError(f'"{said}" is not a number with its unit: write for example "{example}" ({known}).')
    number, unit = match.groups()
    if unit not in units:
        raise ValueError(f'"{said}": {unit} is no unit for this; write for example "{example}" ({known}).')
    value = Fraction(number.replace("−", "-")) * units[unit]
    if value.denominator != 1 or value < least:
        raise ValueError(f'"{said}" is less than it can be, or finer than can be kept.')
    return int(value)


PARSERS: dict[str, tuple[str, Callable[[object], object]]] = {
    "limit": ("limit_s", duration),
    "at_least": ("at_least_s", duration),
    "allowed": ("allowed_s", duration),
    "above": ("limit_centi", temperature),
    "below": ("limit_centi", temperature),
    "bands": ("bands", bands),
    "never_above": ("forbidden_centi", temperature),
    "volume": ("min_ul", volume),
    "fill": ("min_percent", percent),
    "force": ("min_g", force),
    "spun_for": ("min_minutes", minutes),
    "index": ("max_cmgdl", per_decilitre),
    "grade": ("max_grade", count),
    "thaws": ("max_thaws", count),
    "spins": ("max_spins", count),
}
