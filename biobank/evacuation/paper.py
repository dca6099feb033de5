"""Papers of a failed unit: the list to print in advance, and the letter to an agency whose tubes were in it.

Promises: each says when it was printed and what it rests on; what is supposed is called so; no animal, site
or coordinate is on either.
"""

from __future__ import annotations

from django.utils import timezone

from biobank.acting import ms
from biobank.evacuation import queries
from biobank.evacuation.letters import Letter
from biobank.evacuation.tree import Crew
from biobank.handoffs.paper import pdf
from biobank.models import Evacuation, Person
from biobank.store.classes import path_of, set_point
from biobank.temperature.queries import unit_excursions
from custody import queries as ledger


def list_pdf(plan: queries.Plan, tz: str) -> bytes:
    """The ranked list of a unit with its free-space map, to hang beside it."""
    left = queries.time_left(plan.path, None, ms(timezone.now()))
    return pdf("print/evacuation.html", {"plan": plan, "left": left, "size": ledger.size(), "tz": tz})


def letter_pdf(evacuation: Evacuation, crew: Crew, letter: Letter, writer: Person) -> bytes:
    """What happened, which of its tubes were there, what is known of the temperature, what we ask."""
    unit, until = evacuation.unit, evacuation.ended or timezone.now()
    start = min(evacuation.warm_since or evacuation.opened, evacuation.opened)
    path = path_of(unit.code) or [unit]
    events = [one for one in queries.events_of(path) if one.withdrawn is None and one.to_ms > ms(start)]
    return pdf("print/evacuation_letter.html", {
        "evacuation": evacuation, "unit": unit, "letter": letter, "writer": writer.name, "until": until,
        "boxes": _rows(letter, crew), "centi": set_point(path), "events": events,
        "excursions": unit_excursions(unit, ms(start), ms(until)), "alarm": unit.alarm_above_centi,
        "size": ledger.size(), "tz": writer.programme.tz,
    })  # fmt: skip


def _rows(letter: Letter, crew: Crew) -> list[dict[str, object]]:
    """The boxes with their tubes and where each stands now."""
    return [
        {"unit": code, "tubes": letter.boxes[code], "stage": crew.stage(code) if code != crew.unit else "in",
         "where": crew.where(code)}
        for code in sorted(letter.boxes)
    ]  # fmt: skip
