"""Cases that this person looks after: what did not match at a receipt."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from django.urls import reverse

from biobank.models import HandoffCase, Person
from biobank.people.lines import Line, Section, to
from biobank.templatetags.words import tube_code


def when_any(who: Person, now: datetime) -> list[Section]:
    """Open cases by the day by which they are due; nothing when there is none. 1 query."""
    today = now.astimezone(ZoneInfo(who.programme.tz)).date()
    lines = [
        Line(
            f"{tube_code(one.tube) if one.tube else 'A handoff'}: {one.code}",
            reverse("case", args=[one.pk]), f"by {one.due:%d %b %Y}",
            *(("act", "overdue") if one.due < today else ("note", "open")),
        )
        for one in HandoffCase.objects.filter(owner=who, closed=None)
    ]  # fmt: skip
    return [Section("Cases that you look after", lines, action=to("cases", "All cases"))] if lines else []
