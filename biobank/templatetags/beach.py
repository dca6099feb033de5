"""How small numbers are said on the page of a workup, where a word has little room.

Promises: as `words`, but without units where the page prints them beside the number.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import template

from biobank.field.scanning import hour as hour_in
from biobank.models import Vital
from biobank.templatetags.words import celsius, shown_zone, volume

register = template.Library()


@register.filter
def hour(moment: datetime | int, tz: str = "") -> str:
    """09:31; with the day when that is not today."""
    return hour_in(moment, shown_zone(tz))


@register.filter
def millilitres(ul: int | None) -> str:
    """12400 as 12.4."""
    return "" if ul is None else f"{ul / 1000:.3f}".rstrip("0").rstrip(".")


@register.filter
def tenths(ul: int) -> str:
    """12480 as 12.4: mL, cut and not rounded, so that no more seems left than is."""
    return millilitres(ul // 100 * 100)


@register.filter
def share(ul: int, percent: int) -> str:
    return volume(ul * percent // 100)


@register.filter
def field_words(name: str, form: Any) -> str:
    """What a field of this form is called."""
    return str(form[name].label)


@register.filter
def has_code(errors: Any, begins: str) -> bool:
    """Whether a form was refused with a code that begins so."""
    return any((one.code or "").startswith(begins) for some in errors.as_data().values() for one in some)


@register.filter
def kilograms(grams: int) -> str:
    return millilitres(grams)


@register.filter
def centimetres(mm: int) -> str:
    return f"{mm / 10:.1f}".removesuffix(".0")


@register.filter
def reading(vital: Any) -> str:
    """36.7 °C; 84 a minute."""
    return celsius(vital.value) if vital.kind == Vital.Kind.TEMPERATURE else f"{vital.value} a minute"
