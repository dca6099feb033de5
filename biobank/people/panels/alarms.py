"""Open alarms, for people who can do something about them."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from biobank.acting import ms
from biobank.alarms import queries
from biobank.models import Person
from biobank.people.lines import Line, Section, to
from biobank.templatetags.words import span


def when_open(who: Person, now: datetime) -> list[Section]:
    """Alarms that are open or were never acknowledged, and a watch that has stopped; nothing when there is
    neither. At most 4 queries."""
    lines = [_line(one, now) for one in queries.waiting()]
    heart = queries.heart(now)
    if not heart.beats and heart.ran is not None:
        lines.insert(
            0,
            Line("Nobody is watching", reverse("alarms"), "the watching command has stopped", "stop", "look"),
        )
    return [Section("Alarms", lines, action=to("alarms", "All alarms"))] if lines else []


def _line(one: queries.Shown, now: datetime) -> Line:
    alarm = one.alarm
    ago = f"since {span(ms(now) - alarm.begun_ms)}"
    hint = ", ".join(part for part in (alarm.get_kind_display(), one.figures, ago) if part)
    return Line(
        f"{alarm.unit.name} ({alarm.unit.code})", reverse("alarm", args=[alarm.pk]), hint, one.mark, one.state
    )
