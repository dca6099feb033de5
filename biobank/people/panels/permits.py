"""Papers that end soon or have ended, for those who look after them."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django.urls import reverse

from biobank.models import Person
from biobank.people.lines import Line, Section, to
from biobank.permits import queries
from biobank.permits.matching import name_of


def ending(who: Person, now: datetime) -> list[Section]:
    """From 90 days before the last day on; nothing when none ends. 2 queries."""
    today = now.astimezone(ZoneInfo(who.programme.tz)).date()
    lines = [_line(one) for one in queries.warned(who.programme, today)]
    return [Section("Permits that end", lines, action=to("permits", "All permits"))] if lines else []


def _line(one: queries.Shown) -> Line:
    permit = one.permit
    after = f", followed by {one.follower.number}" if one.follower else ""
    hint = f"to {permit.get_allows_display()}, {permit.agency.name}{after}"
    return Line(
        name_of(permit), reverse("permit", args=[permit.pk]), hint, one.standing.mark, one.standing.words
    )
