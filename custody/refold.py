"""From the ledger's rows to states: read the histories, fold them, write what is derived.

Promises: the same code after every write and in a full rebuild. A few queries read any number of
histories. Only `custody.record` and the rebuild call what writes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from django.db import connection
from django.db.models import AutoField, Count, Model, QuerySet

from custody import spread, stored
from custody.core.fold import (
    Amendment,
    Standing,
    as_amended,
    contested,
    fold,
    fold_unit,
    in_order,
    inside_itself,
    standing,
    unbalanced,
)
from custody.core.state import NOTHING, Happening, Problem, TubeState, UnitState, beside
from custody.models import Event, Fill, Finding, Line
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow

SLICE = 500  # names in one query; SQLite takes 999 and more, this is safe everywhere
Subject = tuple[str, str]  # ("t", tube code) or ("u", unit code)
Wrong = tuple[str, str, str | None]
T = TypeVar("T")
LOOP, LOOP_SENTENCE = "unit_inside_itself", "A unit cannot stand inside itself."


def slices(names: Iterable[T]) -> Iterator[list[T]]:
    """The names in lists short enough for one query."""
    found = list(names)
    for start in range(0, len(found), SLICE):
        yield found[start : start + SLICE]


def insert(model: type[Model], rows: Iterable[Mapping[str, Any]]) -> None:
    """Rows of a table, given by the names of its columns. No model object is made for each: of 300 tubes
    that takes longer than all the rest."""
    columns = [field.attname for field in model._meta.concrete_fields if not isinstance(field, AutoField)]
    named = ", ".join(connection.ops.quote_name(name) for name in columns)
    places = ", ".join(["%s"] * len(columns))
    if values := [[row[name] for name in columns] for row in rows]:
        with connection.cursor() as cursor:
            cursor.executemany(f"INSERT INTO {model._meta.db_table} ({named}) VALUES ({places})", values)


def line_texts(ids: Iterable[str]) -> dict[str, list[str]]:
    """The line texts of each event, in order."""
    texts: dict[str, list[str]] = {key: [] for key in ids}
    for names in slices(list(texts)):
        rows = (
            Line.objects.filter(event_id__in=names).order_by("event_id", "n").values_list("event_id", "text")
        )
        for event_id, text in rows:
            texts[str(event_id)].append(text)
    return texts


def subjects_of(ids: Sequence[str]) -> set[Subject]:
    """Tubes and units that these events name; a void of a void leads on to what the first one voided."""
    found: set[Subject] = set()
    todo = list(ids)
    while todo:
        found |= set(Line.objects.filter(event_id__in=todo).values_list("what", "subject"))
        todo = [
            str(of)
            for of in Event.objects.filter(event_id__in=todo, of__isnull=False).values_list("of", flat=True)
        ]
    return found


Row = tuple[Any, ...]  # of FIELDS
FIELDS = [
    "subject", "text", "n", "event__seq", "event__body", "event__recorded_ms", "event__login", "event__via",
]  # fmt: skip
FEW = 500  # amendments; so few are read whole rather than looked for


def histories(what: str, names: Iterable[str] | None) -> dict[str, list[Happening]]:
    """Every happening of each tube (what t) or unit (u) as it counts today, by log number. None: of all."""
    lines = Line.objects.filter(what=what).order_by("event__seq", "n")
    parts = [lines] if names is None else [lines.filter(subject__in=part) for part in slices(names)]
    said: dict[str, list[Happening]] = {name: [] for name in names or []}
    return said | _by_subject([row for part in parts for row in spread.raw(part.values_list(*FIELDS))])


def histories_of(lines: QuerySet[Line], known: Standing | None = None) -> dict[str, list[Happening]]:
    """The same for all that these lines are about, in any order; every line of a subject must be there.

    known  what stands of all amendments; asked for when it is not given
    """
    return _by_subject(spread.raw(lines.values_list(*FIELDS)), known)


def _by_subject(rows: list[Row], known: Standing | None = None) -> dict[str, list[Happening]]:
    """Each subject alone: what was corrected about others changes nothing, whoever is asked for with it."""
    events = _events(rows)
    said: dict[str, list[Happening]] = {}
    for row in rows:
        said.setdefault(row[0], []).append(beside(events[row[3]], row[2], stored.read(row[1])))
    known = known or standing(amendments({one.id for one in events.values()}))
    return {name: as_amended(ones, known) for name, ones in said.items()}


def _events(rows: list[Row]) -> dict[int, Happening]:
    """Each header is read once, however many tubes it names. Ids are taken from the headers, because making
    UUIDs of columns takes longer than reading the text."""
    headers = {row[3]: row for row in rows}
    said = {seq: stored.read(row[4]) for seq, row in headers.items()}
    at = _moments({one["ref"] for one in said.values() if "ref" in one})
    return {seq: _happening(seq, said[seq], at, *row[5:]) for seq, row in headers.items()}


def amendments(ids: set[str] | None) -> list[Amendment]:
    """What voids or corrects these events, and what voids those, and so on. None: all there are."""
    events = Event.objects.filter(of__isnull=False)
    if ids is None or (len(ids) > FEW and events.count() <= FEW):
        return [_amendment(event) for event in events.iterator()]
    found: dict[str, Amendment] = {}
    fresh = [_amendment(event) for part in slices(ids) for event in events.filter(of__in=part)]
    while fresh:
        found |= {one.id: one for one in fresh}
        fresh = [_amendment(event) for event in events.filter(of__in=[one.id for one in fresh])]
        fresh = [one for one in fresh if one.id not in found]
    return list(found.values())


def _amendment(event: Event) -> Amendment:
    said = stored.read(event.body)
    fields = said["data"].get("set") or {}
    return Amendment(event.seq, str(event.event_id), str(event.of), event.kind, fields, said["rec_at"])


def _moments(ids: set[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for part in slices(ids):
        rows = Event.objects.filter(event_id__in=part).values_list("event_id", "at_ms")
        found |= {str(event_id): at_ms for event_id, at_ms in rows}
    return found


def _happening(
    seq: int, said: Mapping[str, Any], moments: Mapping[str, int], recorded_ms: int, login: str, via: str
) -> Happening:
    """An event without its lines."""
    ref = said.get("ref")
    return Happening(
        seq, said["id"], said["kind"], said["at"], said["by"], said["org"], NOTHING, 0, said["off"],
        said["tz"], said["unc_s"], said["rec_by"], said["rec_at"], recorded_ms, login, via, said["data"], ref,
        moments.get(ref) if ref else None,
    )  # fmt: skip


def touch(subjects: set[Subject], new: Sequence[str], *, refuse_contest: bool) -> list[Wrong]:
    """Fold these tubes and units anew and write their rows. What the new events broke comes back."""
    tubes = sorted(name for what, name in subjects if what == "t")
    units = sorted(name for what, name in subjects if what == "u")
    wrong = _touch_units(units) if units else []
    return wrong + (_touch_tubes(tubes, refuse_contest) if tubes else [])


def _touch_tubes(tubes: list[str], refuse_contest: bool) -> list[Wrong]:
    told = histories("t", tubes)
    over = overdrawn(told)
    folded = {name: fold(name, said, over) for name, said in told.items()}
    states = {name: one.state for name, one in folded.items()}
    problems = {problem for one in folded.values() for problem in one.problems}
    wrong = _new_findings(tubes, problems)
    before = _places(tubes)
    for part in slices(tubes):
        TubeRow.objects.filter(tube__in=part).delete()
    clash = _settle_slots(states, [place for place, _ in before.values() if place[1] is not None])
    fresh = {tube for tube in clash if before.get(tube) != (_slot(states[tube]), True)}
    if fresh and refuse_contest:
        wrong.append(_slot_taken(states, fresh))
    insert(TubeRow, map(vars, states.values()))
    _recount({name: place[0] for name, (place, _) in before.items()}, states)
    return wrong


def _recount(before: Mapping[str, str], states: Mapping[str, TubeState]) -> None:
    """How many tubes stand in the units that gained or lost one."""
    moved = {(before.get(name), one.unit) for name, one in states.items() if before.get(name) != one.unit}
    for part in slices(sorted({unit for pair in moved for unit in pair if unit is not None})):
        Fill.objects.filter(unit__in=part).delete()
        insert(Fill, fills(TubeRow.objects.filter(unit__in=part)))


def fills(rows: QuerySet[TubeRow]) -> list[dict[str, Any]]:
    """Rows of Fill as these tubes give them. 1 query."""
    return list(rows.filter(unit__isnull=False).order_by().values("unit").annotate(tubes=Count("pk")))


def overdrawn(told: Mapping[str, list[Happening]], known: Standing | None = None) -> dict[str, str]:
    """Which of the aliquotings in these histories gave more than they took; asks for all their lines."""
    ids = {one.id for said in told.values() for one in said if one.kind == "aliquoted" and not one.voided}
    lines = Line.objects.order_by("event__seq", "n")
    rows = [row for part in slices(ids) for row in lines.filter(event_id__in=part).values_list(*FIELDS)]
    return unbalanced(one for said in _by_subject(rows, known).values() for one in said) if rows else {}


def _new_findings(subjects: list[str], problems: set[Problem]) -> list[Wrong]:
    """Rewrite the findings about these subjects; those that were not there before come back."""
    old: set[tuple[str, str, str]] = set()
    for part in slices(subjects):
        findings = Finding.objects.filter(subject__in=part).exclude(code=LOOP)
        old |= set(findings.values_list("code", "subject", "event"))
        if old:
            findings.delete()
    insert(Finding, map(vars, _once(problems)))
    fresh = [one for one in _once(problems) if (one.code, one.subject, one.event) not in old]
    return [(one.code, one.sentence, one.subject) for one in fresh]


def _once(problems: set[Problem]) -> list[Problem]:
    unique = {
        (one.code, one.subject, one.event): one for one in sorted(problems, key=lambda one: one.sentence)
    }
    return [unique[key] for key in sorted(unique)]


Slot = tuple[Any, Any, Any]


def _slot(state: TubeState) -> Slot:
    return state.unit, state.row, state.col


def _places(tubes: list[str]) -> dict[str, tuple[Slot, bool]]:
    """In which unit and slot each tube was so far, and whether that was contested."""
    found: dict[str, tuple[Slot, bool]] = {}
    for part in slices(tubes):
        rows = TubeRow.objects.filter(tube__in=part, unit__isnull=False)
        for tube, unit, row, col, contest in rows.values_list("tube", "unit", "row", "col", "contested"):
            found[tube] = ((unit, row, col), contest)
    return found


def _settle_slots(states: dict[str, TubeState], before: list[Slot]) -> set[str]:
    """Mark who contests a slot, among these tubes and all others; a contest that ended is unmarked.

    Returns those of the given tubes whose slot another tube claims.
    """
    claims = {(one.unit, one.row, one.col) for one in states.values() if one.row is not None} | set(before)
    others: dict[str, TubeState] = {}
    for part in slices(sorted({str(unit) for unit, _, _ in claims})):
        for tube, unit, row, col in TubeRow.objects.filter(unit__in=part, row__isnull=False).values_list(
            "tube", "unit", "row", "col"
        ):
            if (unit, row, col) in claims:
                others[tube] = TubeState(tube, unit=unit, row=row, col=col)
    clash = contested({**others, **states})
    if others:
        TubeRow.objects.filter(tube__in=set(others) & clash, contested=False).update(contested=True)
        TubeRow.objects.filter(tube__in=set(others) - clash, contested=True).update(contested=False)
    for tube in set(states) & clash:
        states[tube] = replace(states[tube], contested=True)
    return set(states) & clash


def _slot_taken(states: Mapping[str, TubeState], clash: set[str]) -> Wrong:
    tube = min(clash)
    return "slot_taken", f"Another tube is in that slot of {states[tube].unit} already.", tube


def _touch_units(units: list[str]) -> list[Wrong]:
    said = histories("u", units)
    states = {name: fold_unit(name, ones) for name, ones in said.items()}
    parents = dict(UnitRow.objects.values_list("unit", "parent")) | {
        name: one.parent for name, one in states.items()
    }
    UnitRow.objects.filter(unit__in=units).delete()
    insert(UnitRow, map(vars, states.values()))
    looped = sorted({one.subject for one in _new_loops(said, parents)} & set(units))
    return [(LOOP, LOOP_SENTENCE, name) for name in looped]


def _new_loops(said: dict[str, list[Happening]], parents: Mapping[str, str | None]) -> list[Problem]:
    """Rewrite the findings about units: these, all in a loop now, all in one before. The new come back."""
    old = set(Finding.objects.filter(code=LOOP).values_list("subject", "event"))
    named = {name for name, _ in old} | {name for name in parents if inside_itself(parents.get, name)}
    more = named - set(said)
    found = _once(loops(said | (histories("u", more) if more else {}), parents))
    if old:
        Finding.objects.filter(code=LOOP).delete()
    insert(Finding, map(vars, found))
    return [one for one in found if (one.subject, one.event) not in old]


def loops(said: Mapping[str, list[Happening]], parents: Mapping[str, str | None]) -> set[Problem]:
    """A unit that was moved into itself, or stands in one that stands in it (its newest move is named)."""
    found = set()
    for name, ones in said.items():
        moves = in_order(ones)
        wrong = [one for one in moves if one.line.get("to") == name]
        if moves and inside_itself(parents.get, name):
            wrong.append(moves[-1])
        found |= {Problem(LOOP, name, one.id, LOOP_SENTENCE) for one in wrong}
    return found


def forget() -> None:
    """Drop everything derived, to be remade."""
    Finding.objects.all().delete()
    Fill.objects.all().delete()
    TubeRow.objects.all().delete()
    UnitRow.objects.all().delete()


def store(units: Mapping[str, UnitState], problems: set[Problem]) -> None:
    """Write units and findings, and how full the units are, into empty tables."""
    insert(Fill, fills(TubeRow.objects.all()))
    insert(UnitRow, map(vars, units.values()))
    insert(Finding, map(vars, _once(problems)))


__all__ = ["amendments", "histories", "histories_of", "line_texts", "slices", "subjects_of", "touch"]
