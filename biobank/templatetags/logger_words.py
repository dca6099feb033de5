"""How the records of a logger are said: times with seconds, differences of temperature."""

from __future__ import annotations

from typing import Any

from django import template

from biobank.templatetags.words import MINUS, UNKNOWN, local, shown_zone

register = template.Library()


@register.filter
def when_seconds(moment: Any, tz: str = "") -> str:
    """`3 May 2026 09:12:30`, with thousandths where there are any."""
    at = local(moment, shown_zone(tz))
    if at is None:
        return UNKNOWN
    part = f".{at.microsecond // 1000:03d}" if at.microsecond else ""
    return f"{at.day} {at:%b %Y %H:%M:%S}{part}"


@register.filter
def kelvin(centi: int | None) -> str:
    """A difference of temperature, without its sign: 35 as `0.35 K`."""
    return UNKNOWN if centi is None or centi == "" else f"{abs(int(centi)) / 100:.2f} K"


@register.filter
def kelvin_signed(centi: int | None) -> str:
    """A difference of temperature: −5 as `−0.05 K`, 5 as `+0.05 K`."""
    if centi is None or centi == "":
        return UNKNOWN
    return f"{MINUS if int(centi) < 0 else '+'}{kelvin(centi)}"
