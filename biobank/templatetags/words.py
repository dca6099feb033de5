"""How things are said on a page: codes, times, volumes, temperatures, kinds, signs.

Promises: a value that is not known is said to be so, never shown as nought; every function takes
what the ledger holds (integers in microlitres, hundredths of °C, UTC milliseconds).
"""

from __future__ import annotations

import re
import time
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.core.exceptions import ValidationError
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from biobank.amend.undoing import UNDO_S
from biobank.core import codes
from biobank.models import ADDITIVES, MATRICES
from biobank.templatetags import happenings, signs

register = template.Library()

UNKNOWN = "not known"
BARE = re.compile(r"[A-Z][0-9A-Z]{4}[0-9]{3}[0-9A-Z]\Z")  # nine characters, as the ledger holds them
MINUS = "−"
MATRIX_WORDS = dict(MATRICES)
ADDITIVE_WORDS = dict(ADDITIVES)


@register.filter
def tube_code(code: str | None) -> str:
    """K7R2M103X as K7R2M-103-X; anything that is not a tube code (a unit's code) as it is."""
    text = str(code or "")
    return codes.show(text) if BARE.match(text) else text


@register.filter
def tube_number(code: str | None) -> str:
    """The three digits of a tube code, for a narrow cell beside its whole code."""
    text = str(code or "")
    return text[5:8] if BARE.match(text) else text


@register.filter
def tube_set(code: str | None) -> str:
    return str(code or "")[:5]


def local(moment: Any, tz: str) -> datetime | None:
    """Milliseconds or an aware datetime in a zone; None stays None."""
    if moment is None or moment == "":
        return None
    if isinstance(moment, datetime):
        return moment.astimezone(ZoneInfo(tz))
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=int(moment))).astimezone(ZoneInfo(tz))


def said(at: datetime) -> str:
    """`3 May 2026 09:12`: no leading nought on the day, the month as a word, so no one mistakes the order."""
    return f"{at.day} {at:%b %Y %H:%M}"


def offset(at: datetime) -> str:
    """`UTC+02:00`; `UTC` alone for none."""
    minutes = round((at.utcoffset() or timedelta()).total_seconds() / 60)
    sign, whole = ("+", minutes) if minutes >= 0 else (MINUS, -minutes)
    return f"UTC{sign}{whole // 60:02d}:{whole % 60:02d}" if minutes else "UTC"


def shown_zone(tz: Any) -> str:
    from biobank.context import programme_zone  # asked only without a zone: one cached look-up per request

    return str(tz or programme_zone())


@register.filter
def when(moment: Any, tz: str = "") -> str:
    """A moment (UTC ms or aware datetime) as `3 May 2026 09:12` in `tz`, else in the programme's zone.

    A date without a time stays a date: `3 May 2026`.
    """
    if isinstance(moment, date) and not isinstance(moment, datetime):
        return f"{moment.day} {moment:%b %Y}"
    at = local(moment, shown_zone(tz))
    return said(at) if at else UNKNOWN


@register.filter
def when_offset(moment: Any, tz: str = "") -> str:
    """As `when`, followed by the offset: `3 May 2026 09:12 UTC+02:00`. For paper and for disputes."""
    at = local(moment, shown_zone(tz))
    return f"{said(at)} {offset(at)}" if at else UNKNOWN


@register.simple_tag
def moment(ms: Any, tz: str = "", uncertain_s: int = 0) -> SafeString:
    """A `<time>` with the machine's form, the words, the offset, and how uncertain it is when it is."""
    at = local(ms, shown_zone(tz))
    if at is None:
        return mark_safe(UNKNOWN)
    about = f" ± {span(uncertain_s * 1000)}" if uncertain_s else ""
    iso = at.isoformat(timespec="seconds")
    return format_html('<time datetime="{}">{}</time> <small>{}{}</small>', iso, said(at), offset(at), about)


@register.filter
def volume(ul: int | None) -> str:
    """Microlitres as they are written on a tube: `500 µL`, `1.5 mL`, `10 mL`."""
    if ul is None or ul == "":
        return UNKNOWN
    n = int(ul)
    if abs(n) < 1000:
        return f"{n} µL".replace("-", MINUS)
    whole, part = divmod(abs(n), 1000)
    digits = f"{whole}.{part:03d}".rstrip("0").rstrip(".")
    return f"{MINUS if n < 0 else ''}{digits} mL"


@register.filter
def celsius(centi: int | None) -> str:
    """Hundredths of a degree as `−80.0 °C`. Two decimals only where the second is not nought."""
    if centi is None or centi == "":
        return UNKNOWN
    n = int(centi)
    whole, part = divmod(abs(n), 100)
    digits = f"{whole}.{part:02d}" if part % 10 else f"{whole}.{part // 10}"
    return f"{MINUS if n < 0 else ''}{digits} °C"


@register.filter
def span(ms: int | None) -> str:
    """A length of time in its two largest parts, cut, not rounded: `41 s`, `2 h 41 min`, `3 d 4 h`."""
    if ms is None or ms == "":
        return UNKNOWN
    n = int(ms)
    lead = MINUS if n < 0 else ""
    seconds = abs(n) // 1000
    if seconds < 60:
        return f"{lead}{seconds} s" if seconds else "0 s"
    if seconds < 3600:
        return f"{lead}{seconds // 60} min"
    if seconds < 48 * 3600:
        return lead + two(seconds // 3600, "h", seconds % 3600 // 60, "min")
    return lead + two(seconds // 86400, "d", seconds % 86400 // 3600, "h")


def two(first: int, name: str, second: int, other: str) -> str:
    return f"{first} {name} {second} {other}" if second else f"{first} {name}"


@register.filter
def kind_words(kind: str) -> str:
    """The words of the ledger's own table of kinds."""
    from custody.core.kinds import KINDS

    known = KINDS.get(kind)
    return getattr(known, "words", "") or str(kind).replace("_", " ")


@register.filter
def facts(happening: Any) -> list[tuple[str, str]]:
    """What a Happening says beyond its kind: `[("volume", "1.5 mL"), …]`, each in words and units."""
    say = {
        "volume": volume,
        "celsius": celsius,
        "code": tube_code,
        "matrix": matrix_words,
        "additive": additive_words,
        "when": lambda ms: when(ms, happening.tz),
    }
    return happenings.facts(happening.data, happening.line, say)


@register.filter
def matrix_words(code: str) -> str:
    return MATRIX_WORDS.get(code, str(code or UNKNOWN))


@register.filter
def additive_words(code: str) -> str:
    return ADDITIVE_WORDS.get(code, str(code or UNKNOWN))


@register.filter
def plain(word: Any) -> str:
    """A stored word for people: `in_transit` as `in transit`."""
    return str(word).replace("_", " ")


@register.simple_tag
def cap(additive: str, colour: str = "") -> SafeString:
    """Cap disc and additive. `colour` is the cap in hand; else the one recommended for the additive."""
    disc = signs.disc(colour or signs.USUAL_CAP.get(additive, ""))
    return format_html('<span class="cap">{} {}</span>', disc, additive_words(additive))


@register.simple_tag
def mark(name: str, word: str = "") -> SafeString:
    """A drawn sign and its word: fit, caution, not_fit, cannot_tell, pass, fail, info, or a tube's status."""
    return signs.mark(str(name or "note"), str(word or ""))


@register.simple_tag
def sign(name: str) -> SafeString:
    """The drawn sign alone, where the word stands elsewhere in the same cell."""
    return signs.sign(str(name))


@register.filter
def coded(errors: Any) -> list[tuple[str, str]]:
    """A form's or field's errors as (sentence, code), so that a refusal can be looked up and told apart."""
    found = []
    for error in errors.as_data():
        found += [(sentence, error.code or "") for sentence in ValidationError(error).messages]
    return found


@register.filter
def undo_of(tags: str | None) -> str:
    """The event that a message offers to undo (`undo:<event>:<recorded>`), while that is still allowed."""
    name, _, rest = str(tags or "").partition(":")
    event, _, recorded = rest.partition(":")
    fresh = name == "undo" and time.time() * 1000 - int(recorded) <= UNDO_S * 1000
    return event if fresh else ""


@register.tag
def keep(parser: template.base.Parser, token: template.base.Token) -> Keep:
    """`{% keep name %}…{% endkeep %}`: draw once, use twice (a page's title is also its heading)."""
    name = token.split_contents()[1]
    inside = parser.parse(("endkeep",))
    parser.delete_first_token()
    return Keep(name, inside)


class Keep(template.Node):
    def __init__(self, name: str, nodelist: template.NodeList) -> None:
        self.name, self.nodelist = name, nodelist

    def render(self, context: template.Context) -> str:
        context[self.name] = self.nodelist.render(context)
        return ""
