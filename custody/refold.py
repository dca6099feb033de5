"""From the ledger's rows to states: read the histories, fold them, write what is derived.

Promises: the same code after every write and in a full rebuild. A few queries read any number of
histories. Only `custody.record` and the rebuild call what writes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, TypeVar

from custody.core import canon
from custody.core.fold import Amendment, contested, effective, fold, fold_unit, inside_itself
from custody.core.kinds import AMENDING
from custody.core.state import Happening, Problem, TubeState, UnitState
from custody.models import Event, Finding, Line
from custody.models import TubeState as TubeRow
from custody.models import UnitState as UnitRow

SLICE = 500  # names in one query; SQLite takes 999 and more, this is safe everywhere
Subject = tuple[str, str]  # ("t", tube code) or ("u", unit code)
Wrong = tuple[str, str, str | None]
T = TypeVar("T")


def slices(names: Iterable[T]) -> Iterator[list[T]]:
    """The names in lists short enough for one query."""
    found = list(names)
    for start in range(0, len(found), SLICE):
        yield found[start : start + SLICE]


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


def histories(what: str, names: Iterable[str] | None) -> dict[str, list[Happening]]:
    """Every happening of each tube (what t) or unit (u) as it counts today, by log number. None: of all."""
    rows = _lines(what, names)
    ids = {row["event_id"] for row in rows}
    amendments = _amendments(ids if names is not None else None)
    refs = _moments({row["event__ref"] for row in rows if row["event__ref"]})
    said: dict[str, list[Happening]] = {name: [] for name in names or []}
    for row in rows:
        said.setdefault(row["subject"], []).append(_happening(row, refs))
    return {name: effective(ones, amendments) for name, ones in said.items()}


FIELDS = [
    "subject", "text", "n", "event_id", "event__seq", "event__kind", "event__body", "event__recorded_ms",
    "event__login", "event__via", "event__ref",
]  # fmt: skip


def _lines(what: str, names: Iterable[str] | None) -> list[dict[str, Any]]:
    lines = Line.objects.filter(what=what).order_by("event__seq", "n")
    if names is None:
        return list(lines.values(*FIELDS))
    return [row for part in slices(names) for row in lines.filter(subject__in=part).values(*FIELDS)]


def _amendments(ids: set[Any] | None) -> list[Amendment]:
    """What voids or corrects these events, and what voids those, and so on. None: all there are."""
    found: dict[str, Amendment] = {}
    events = Event.objects.filter(kind__in=AMENDING)
    parts = [events] if ids is None else [events.filter(of__in=part) for part in slices(ids)]
    fresh = [_amendment(event) for part in parts for event in part]
    while fresh:
        found |= {one.id: one for one in fresh}
        fresh = (
            [_amendment(event) for event in events.filter(of__in=[one.id for one in fresh])] if ids else []
        )
        fresh = [one for one in fresh if one.id not in found]
    return list(found.values())


def _amendment(event: Event) -> Amendment:
    fields = canon.read(event.body)["data"].get("set") or {}
    return Amendment(event.seq, str(event.event_id), str(event.of), event.kind, fields)


def _moments(ids: set[Any]) -> dict[Any, int]:
    found: dict[Any, int] = {}
    for part in slices(ids):
        found |= dict(Event.objects.filter(event_id__in=part).values_list("event_id", "at_ms"))
    return found


def _happening(row: Mapping[str, Any], refs: Mapping[Any, int]) -> Happening:
    said = canon.read(row["event__body"])
    return Happening(
        seq=row["event__seq"], id=said["id"], kind=said["kind"], at_ms=said["at"], off_min=said["off"],
        tz=said["tz"], unc_s=said["unc_s"], by=said["by"], org=said["org"], rec_by=said["rec_by"],
        rec_at=said["rec_at"], recorded_ms=row["event__recorded_ms"], login=row["event__login"],
        via=row["event__via"], data=said["data"], line=canon.read(row["text"]), n=row["n"],
        ref=said.get("ref"), ref_at_ms=refs.get(row["event__ref"]),
    )  # fmt: skip


def all_states() -> tuple[dict[str, TubeState], dict[str, UnitState], set[Problem]]:
    """Everything that is derived, folded anew from the whole ledger."""
    tubes: dict[str, TubeState] = {}
    problems: set[Problem] = set()
    for name, said in histories("t", None).items():
        folded = fold(name, said)
        tubes[name] = folded.state
        problems |= set(folded.problems)
    clash = contested(tubes)
    tubes |= {name: replace(tubes[name], contested=True) for name in clash}
    units = {name: fold_unit(name, said) for name, said in histories("u", None).items()}
    return tubes, units, problems


def touch(subjects: set[Subject], new: Sequence[str], *, refuse_contest: bool) -> list[Wrong]:
    """Fold these tubes and units anew and write their rows. What the new events broke comes back."""
    tubes = sorted(name for what, name in subjects if what == "t")
    units = sorted(name for what, name in subjects if what == "u")
    wrong = _touch_units(units) if units else []
    return wrong + (_touch_tubes(tubes, refuse_contest) if tubes else [])


def _touch_tubes(tubes: list[str], refuse_contest: bool) -> list[Wrong]:
    folded = {name: fold(name, said) for name, said in histories("t", tubes).items()}
    states = {name: one.state for name, one in folded.items()}
    problems = {problem for one in folded.values() for problem in one.problems}
    wrong = _new_findings(tubes, problems)
    before = _places(tubes)
    for part in slices(tubes):
        TubeRow.objects.filter(tube__in=part).delete()
    clash = _settle_slots(states, before)
    if clash and refuse_contest:
        wrong.append(_slot_taken(states, clash))
    TubeRow.objects.bulk_create(TubeRow(**asdict(state)) for state in states.values())
    return wrong


def _new_findings(subjects: list[str], problems: set[Problem]) -> list[Wrong]:
    """Rewrite the findings about these subjects; those that were not there before come back."""
    old: set[tuple[str, str, str]] = set()
    for part in slices(subjects):
        findings = Finding.objects.filter(subject__in=part)
        old |= set(findings.values_list("code", "subject", "event"))
        if old:
            findings.delete()
    Finding.objects.bulk_create(Finding(**asdict(one)) for one in _once(problems))
    fresh = [one for one in _once(problems) if (one.code, one.subject, one.event) not in old]
    return [(one.code, one.sentence, one.subject) for one in fresh]


def _once(problems: set[Problem]) -> list[Problem]:
    unique = {
        (one.code, one.subject, one.event): one for one in sorted(problems, key=lambda one: one.sentence)
    }
    return [unique[key] for key in sorted(unique)]


def _places(tubes: list[str]) -> list[tuple[str, int, int]]:
    found = []
    for part in slices(tubes):
        rows = TubeRow.objects.filter(tube__in=part, row__isnull=False)
        found += list(rows.values_list("unit", "row", "col"))
    return found


def _settle_slots(states: dict[str, TubeState], before: list[tuple[str, int, int]]) -> set[str]:
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
    UnitRow.objects.bulk_create(UnitRow(**asdict(state)) for state in states.values())
    looped = [name for name in units if inside_itself(parents.get, name) or _into_itself(name, said[name])]
    return [("unit_inside_itself", "A unit cannot stand inside itself.", name) for name in looped]


def _into_itself(unit: str, said: Sequence[Happening]) -> bool:
    return any(one.line.get("to") == unit for one in said)


def forget() -> None:
    """Drop everything derived, to be remade."""
    Finding.objects.all().delete()
    TubeRow.objects.all().delete()
    UnitRow.objects.all().delete()


def store_all(tubes: Mapping[str, TubeState], units: Mapping[str, UnitState], problems: set[Problem]) -> None:
    """Write what `all_states` gave into empty tables."""
    TubeRow.objects.bulk_create((TubeRow(**asdict(one)) for one in tubes.values()), batch_size=SLICE)
    UnitRow.objects.bulk_create((UnitRow(**asdict(one)) for one in units.values()), batch_size=SLICE)
    Finding.objects.bulk_create((Finding(**asdict(one)) for one in _once(problems)), batch_size=SLICE)


__all__ = ["all_states", "histories", "line_texts", "slices", "subjects_of", "touch"]
