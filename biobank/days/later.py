"""What was changed of a field day after it was signed off.

Promises: read from the ledger and from the history of rows; nothing of it can be left out by who changes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from biobank.acting import ms
from biobank.core import codes
from biobank.models import FieldDay, Person, Tube, TubeSet, Workup
from custody import queries as ledger
from custody.core.kinds import KINDS
from custody.core.state import Happening

from .actions import SIGNED

OF_THE_DAY = {"label_printed", "packed", "issued", "returned", "bound", "drawn", "not_collected"}


@dataclass(frozen=True)
class Later:
    """One change: when it was written down, by whom, what, and why."""

    at_ms: int
    who: str
    what: str
    why: str
    event: str = ""


def changed_after(day: FieldDay) -> list[Later]:
    """Changes since the sign-off, newest first; none of a day that is open. At most 12 queries."""
    if day.closed_at is None:
        return []
    found = [*_said(day), *_rows(day)]
    return sorted(found, key=lambda one: one.at_ms, reverse=True)


def _said(day: FieldDay) -> Iterator[Later]:
    assert day.closed_at is not None
    since = ms(day.closed_at)
    tubes = Tube.objects.filter(tube_set__workup__day=day) | Tube.objects.filter(tube_set__day=day)
    said = {
        one.id: one
        for some in ledger.histories(list(tubes.values_list("code", flat=True).distinct())).values()
        for one in some
        if one.kind in OF_THE_DAY or one.at_ms <= since
    }
    names = dict(Person.objects.values_list("code", "name"))
    yield from (
        _new(one, names) for one in said.values() if one.recorded_ms > since and one.kind in OF_THE_DAY
    )
    for told in ledger.told(one.id for one in said.values() if one.amended).values():
        for mark in told.amendments:
            if mark.said.recorded_ms > since:
                yield _amended(told, mark.said, names)


def _new(one: Happening, names: dict[str, str]) -> Later:
    why = str(one.data.get("reason") or one.data.get("why") or one.data.get("note") or "")
    what = f"{KINDS[one.kind].words}: {codes.show(one.line['t'])}"
    return Later(one.recorded_ms, names.get(one.rec_by, one.rec_by), what, why, one.id)


def _amended(told: ledger.Told, said: ledger.Said, names: dict[str, str]) -> Later:
    kind, tubes = KINDS[told.said.header["kind"]].words, [one["t"] for one in told.said.lines if "t" in one]
    first = codes.show(tubes[0]) + (f" and {len(tubes) - 1} more" if len(tubes) > 1 else "") if tubes else ""
    what = f"{'Voided' if said.header['kind'] == 'voided' else 'Corrected'}: {kind.lower()} {first}"
    who, data = said.header["rec_by"], said.header["data"]
    return Later(said.recorded_ms, names.get(who, who), what, str(data.get("note") or ""), told.said.id)


def _rows(day: FieldDay) -> Iterator[Later]:
    yield from _versions(day, Workup.history.filter(day=day), "Workup")
    yield from _versions(day, TubeSet.history.filter(id__in=_sets(day)), "Set")
    yield from _versions(day, FieldDay.history.filter(id=day.pk), "Day")


def _sets(day: FieldDay) -> Sequence[int]:
    found = TubeSet.objects.filter(workup__day=day) | TubeSet.objects.filter(day=day)
    return list(found.values_list("pk", flat=True))


def _versions(day: FieldDay, history: Any, name: str) -> Iterator[Later]:
    """Versions newer than the sign-off, each beside the one before it. 1 query."""
    newest: dict[int, Any] = {}
    for row in history.select_related("history_user__person").order_by("history_date", "history_id"):
        older = newest.get(row.id)
        newest[row.id] = row
        why = row.history_change_reason or ""
        if row.history_date <= day.closed_at or why.startswith(SIGNED):
            continue
        changed = row.diff_against(older).changed_fields if older else ["new"]
        person = getattr(row.history_user, "person", None)
        what = f"{name} {getattr(row, 'code', '')}: {', '.join(one.replace('_', ' ') for one in changed)}"
        yield Later(ms(row.history_date), person.name if person else "", what.replace(" :", ":"), why)
