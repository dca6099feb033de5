"""Everything that one tube's page shows, put together from the ledger, the loggers and the rules.

Promises: nothing is worked out here; each part comes from the room that owns it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from biobank.amend.queries import Entry, names, timeline
from biobank.checks.fit_panel import Panel, panel_of
from biobank.models import Tube, Unit
from biobank.temperature.queries import phases_of
from custody import queries as ledger
from custody.core.gaps import Custody
from custody.core.state import Problem, Stay, TubeState

LIMITS = (-6_000, -1_800, 400, 800, 2_500)  # hundredths of °C above which time is summed on the page


@dataclass(frozen=True)
class Place:
    """A unit on the way up from the tube: its code, and what it is called."""

    code: str
    name: str


@dataclass(frozen=True)
class Story:
    """One tube, whole."""

    state: TubeState
    parent: TubeState | None
    children: list[TubeState]
    timeline: list[Entry]
    custody: Custody
    stays: list[Stay]
    places: list[Place]
    slot: str
    phases: list[Any]
    fit: Panel
    problems: list[Problem]


def story(tube: Tube, now_ms: int) -> Story | None:
    """None when the ledger has not heard of the tube."""
    state = ledger.state(tube.code)
    if state is None:
        return None
    places, slot = whereabouts(state)
    return Story(
        state=state,
        parent=ledger.state(state.parent) if state.parent else None,
        children=list(ledger.states(ledger.children(tube.code)).values()),
        timeline=timeline(ledger.history(tube.code), names()),
        custody=ledger.custody(tube.code, now_ms),
        stays=ledger.stays(tube.code),
        places=places,
        slot=slot,
        phases=phases_of([tube.code], LIMITS, now_ms).get(tube.code, []),
        fit=panel_of(tube.code, now_ms),
        problems=ledger.findings(tube.code),
    )


def whereabouts(state: TubeState) -> tuple[list[Place], str]:
    """Units from the outermost in, and the slot as its box calls it. At most 2 queries."""
    if state.unit is None:
        return [], ""
    codes = _upwards(state.unit, ledger.units())
    rows = {unit.code: unit for unit in Unit.objects.filter(code__in=codes)}
    places = [Place(code, rows[code].name if code in rows else code) for code in reversed(codes)]
    box = rows.get(state.unit)
    if box is None or state.row is None or state.col is None or box.kind != "box":
        return places, ""
    return places, box.grid.name(state.row, state.col)


def _upwards(unit: str, parents: dict[str, str | None]) -> list[str]:
    found, at = [unit], parents.get(unit)
    while at is not None and at not in found:
        found.append(at)
        at = parents.get(at)
    return found
