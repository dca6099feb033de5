"""How a shipment's cold is said: kilograms, lengths of time in minutes, coolants.

Promises: what is not known is said to be so, never shown as nought.
"""

from __future__ import annotations

from django import template

from biobank.models.shipments import COOLANTS
from biobank.shipping.hours import DAYS
from biobank.templatetags.words import UNKNOWN, span

register = template.Library()
WORDS = dict(COOLANTS)


@register.filter
def kg(grams: int | None) -> str:
    """`2.35 kg`, to ten grams."""
    return UNKNOWN if grams is None or grams == "" else f"{grams / 1000:.2f}".rstrip("0").rstrip(".") + " kg"


@register.filter
def minutes(n: int | None) -> str:
    """A length in minutes as `41 min`, `2 h 41 min`, `3 d 4 h`; the sign is left to the words around it."""
    return UNKNOWN if n is None or n == "" else span(abs(int(n)) * 60_000)


@register.filter
def lasting(ms: int | None) -> str:
    """The same of milliseconds."""
    return UNKNOWN if ms is None or ms == "" else span(abs(int(ms)))


@register.filter
def coolant(code: str) -> str:
    return WORDS.get(code, str(code))


@register.filter
def weekday(n: int) -> str:
    return DAYS[n]
