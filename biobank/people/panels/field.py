"""What waits in the field: days ahead, sets to go on with, animals in hand, tubes in our hands."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from django.urls import reverse

from biobank.acting import ms
from biobank.models import FieldDay, Person, Tube, TubeSet, Workup
from biobank.people.lines import Line, Section, many, mine, since, to, tube_line
from biobank.templatetags.words import span, when
from custody import queries as ledger


def field_days(who: Person, now: datetime) -> Section:
    today = now.astimezone(ZoneInfo(who.programme.tz)).date()
    days = FieldDay.objects.filter(site__programme=who.programme_id, closed=False, date__gte=today)
    lines = [
        Line(
            f"{day.site.name}, {when(day.date)}",
            reverse("day", args=[day.pk]),
            f"{many(day.expected_animals, 'animal')} expected",
            "now" if day.date == today else "",
            "today",
        )
        for day in days.select_related("site").order_by("date")
    ]
    return Section("Field days ahead", lines, "No field day is planned.", to("days", "All field days"))


SET_NEXT = {
    "printed": "bind to a workup",
    "packed": "issue",
    "issued": "bind to an animal's workup",
    "bound": "draw",
}


NEWEST = 50  # bound sets that are looked at; older ones are a matter for the list of sets


def sets_to_do(who: Person, now: datetime) -> Section:
    sets = TubeSet.objects.filter(plan__programme=who.programme_id, state__in=SET_NEXT)
    bound = sets.filter(state=TubeSet.State.BOUND).order_by("-pk")[:NEWEST]
    waiting = [*unfilled(bound), *sets.exclude(state=TubeSet.State.BOUND).order_by("day__date", "code")]
    lines = [
        Line(
            one.code,
            reverse("set", args=[one.code]),
            f"{one.get_state_display().lower()}; next: {SET_NEXT[one.state]}",
            code=True,
        )
        for one in waiting
    ]
    return Section("Tube sets to go on with", lines, "No printed set waits.", to("sets", "All tube sets"))


def unfilled(sets: Iterable[TubeSet]) -> list[TubeSet]:
    """Those with a primary of which nothing was said yet. 2 queries."""
    found = list(sets)
    primaries = dict(
        Tube.objects.filter(tube_set__in=found, parent_hint="").values_list("code", "tube_set_id")
    )
    states = ledger.states(primaries).values()
    open_ = {primaries[state.tube] for state in states if state.status == "labelled"}
    return [one for one in found if one.pk in open_]


def open_workups(who: Person, now: datetime) -> Section:
    found = Workup.objects.filter(day__site__programme=who.programme_id, day__closed=False, released=None)
    lines = [
        Line(
            one.code,
            reverse("workup", args=[one.code]),
            f"net closed {span(ms(now) - ms(one.net_closed))} ago" if one.net_closed else "clock not started",
            "now" if one.net_closed else "",
            "animal in hand",
        )
        for one in found.order_by("net_closed", "code")
    ]
    return Section("Animals in hand", lines, "No workup is open.")


def in_our_hands(who: Person, now: datetime) -> Section:
    held = mine(who, ledger.find(custodian=who.agency.code, status="held"))
    lines = [tube_line(one.tube, since(one.drawn_ms, now, "drawn")) for one in held]
    title = f"Tubes held by {who.agency.name}"
    return Section(title, lines, "None: every tube is handed on or put away.", to("handoff_new", "Hand off"))
