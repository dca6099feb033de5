"""When an agency takes parcels: its hours by weekday, and the days on which it takes nothing.

Promises: who said or took out what stands in the history of the rows.
"""

from __future__ import annotations

from datetime import date, time
from typing import Any

from biobank.acting import saving
from biobank.models import Agency, ClosedDay, OpenHours
from custody.core.refusal import Refused

DAYS = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]


def open_on(agency: Agency, weekdays: list[int], opens: time, closes: time, user: Any) -> None:
    """One stretch on each weekday; said again, nothing new. Refused hours_reversed, hours_overlap."""
    if closes <= opens:
        raise Refused(
            "hours_reversed", "It closes after it opens. Say the hours after midnight on the next day."
        )
    there = list(OpenHours.objects.filter(agency=agency, weekday__in=weekdays))
    same = {one.weekday for one in there if (one.opens, one.closes) == (opens, closes)}
    for one in there:
        if one.weekday not in same and one.opens < closes and opens < one.closes:
            said = f"{DAYS[one.weekday]} has {one.opens:%H:%M} to {one.closes:%H:%M} already."
            raise Refused("hours_overlap", f"{said} Take that out first.")
    for day in sorted(set(weekdays) - same):
        row = OpenHours(agency=agency, weekday=day, opens=opens, closes=closes)
        with saving(user, "open then", row):
            row.save()


def close_on(agency: Agency, day: date, why: str, user: Any) -> None:
    """Nothing is taken on this day; said again, the newer reason stands."""
    row = ClosedDay.objects.filter(agency=agency, day=day).first() or ClosedDay(agency=agency, day=day)
    row.why = why
    with saving(user, why[:100], row):
        row.save()


def forget(agency: Agency, what: str, pk: int, user: Any) -> None:
    """Take out one stretch ("hours") or one closed day ("day"); what is gone already is gone."""
    model = OpenHours if what == "hours" else ClosedDay
    for row in model.objects.filter(agency=agency, pk=pk):
        with saving(user, "taken out", row):
            row.delete()
