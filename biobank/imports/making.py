"""From a table as it was read to the rows and events that take it in.

Promises: nothing is written before `save`, which runs inside the ledger's own transaction; codes follow
from the form's key, so the same form makes the same tubes; what is known already is used, never changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from random import Random
from typing import Any

from simple_history.utils import bulk_create_with_history

from biobank.acting import Actor, act
from biobank.core import codes
from biobank.imports import queries
from biobank.imports.mapping import Mapping, TubeSpec
from biobank.imports.plan import Outcome, Reading, ReadRow, animal_codes
from biobank.models import (
    Animal,
    FieldDay,
    Identifier,
    PlannedTube,
    SamplePlan,
    Site,
    TableDraft,
    TableImport,
    Tube,
    TubeSet,
    Workup,
)
from custody.core.event import Act, derived_id


@dataclass
class Made:
    """Everything that one table makes: rows (unsaved) and events."""

    actor: Actor
    draft: TableDraft
    mapping: Mapping
    done: TableImport
    plan: SamplePlan
    planned: list[PlannedTube]
    rows: list[tuple[ReadRow, TubeSet, list[Tube]]] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)

    @property
    def reason(self) -> str:
        return f"as imported from {self.draft.file_name}"[:100]

    def create(self, model: Any, objects: Sequence[Any]) -> None:
        """Save new rows with their history's who and why."""
        bulk_create_with_history(
            objects,
            model,
            batch_size=500,
            default_user=self.actor.person.user,
            default_change_reason=self.reason,
        )

    def save(self) -> None:
        """Write the reference rows. Called inside the transaction that writes the events."""
        said = [row for row, _, _ in self.rows]
        if self.plan.pk is None:
            self.create(SamplePlan, [self.plan])
            self.create(PlannedTube, self.planned)
        days = self._days(said, self._sites(said))
        animals = self._animals(said)
        for row, tube_set, _ in self.rows:
            tube_set.day = days[row.site, row.day]
            assert tube_set.workup is not None
            tube_set.workup.day, tube_set.workup.animal = tube_set.day, animals[row.individual]
        self.create(Workup, [tube_set.workup for _, tube_set, _ in self.rows])
        self.create(TubeSet, [tube_set for _, tube_set, _ in self.rows])
        Tube.objects.bulk_create((tube for _, _, tubes in self.rows for tube in tubes), batch_size=500)
        self.done.save()
        TableDraft.objects.filter(pk=self.draft.pk).delete()

    def _sites(self, rows: Sequence[ReadRow]) -> dict[str, Site]:
        programme = self.actor.person.programme
        there = {site.name: site for site in Site.objects.filter(programme=programme)}
        wanted = {row.site: row.site_code for row in rows}
        new = [
            Site(programme=programme, name=name, code=wanted[name]) for name in wanted if name not in there
        ]
        self.create(Site, new)
        return there | {site.name: site for site in new}

    def _days(self, rows: Sequence[ReadRow], sites: dict[str, Site]) -> dict[tuple[str, date], FieldDay]:
        """Field days that are over: closed, and noted as imported."""
        wanted = dict.fromkeys((row.site, row.day) for row in rows)
        near = FieldDay.objects.filter(site__in=[sites[name] for name, _ in wanted]).select_related("site")
        there = {(day.site.name, day.date): day for day in near}
        new = {
            (name, when): FieldDay(site=sites[name], date=when, closed=True, note=self.reason)
            for name, when in wanted
            if (name, when) not in there
        }
        self.create(FieldDay, list(new.values()))
        return there | new

    def _animals(self, rows: Sequence[ReadRow]) -> dict[str, Animal]:
        kind = self.mapping.individual.kind
        there = {one.text: one.animal for one in queries.identifiers(kind, {row.individual for row in rows})}
        first: dict[str, ReadRow] = {}
        sexes: dict[str, str] = {}
        for row in sorted(rows, key=lambda one: one.at):
            first.setdefault(row.individual, row)
            if row.sex != "U":
                sexes[row.individual] = row.sex
        names = [name for name in first if name not in there]
        free = animal_codes(names, Animal.objects.values_list("code", flat=True))
        new = {name: self._animal(free[name], first[name], sexes.get(name, "U")) for name in names}
        self.create(Animal, list(new.values()))
        borne = [Identifier(animal=new[name], kind=kind, text=name, since=first[name].day) for name in names]
        self.create(Identifier, borne)
        return there | new

    def _animal(self, code: str, row: ReadRow, sex: str) -> Animal:
        return Animal(programme=self.actor.person.programme, code=code, species=row.species, sex=sex)


def make(actor: Actor, key: str, draft: TableDraft, reading: Reading) -> Made:
    """What taking in this draft would write."""
    mapping = queries.parsed(draft.mapping.spec)
    plan, planned = plan_for(actor, mapping)
    made = Made(actor, draft, mapping, _import(actor, key, draft, reading), plan, planned)
    sets = free_set_codes(key, len(reading.rows))
    for row, code in zip(reading.rows, sets, strict=True):
        tube_set = _set(made, row, code)
        tubes = [_tube(tube_set, one) for one in planned]
        made.rows.append((row, tube_set, tubes))
        made.acts += _acts(made, key, row, tube_set, tubes)
    return made


def _import(actor: Actor, key: str, draft: TableDraft, reading: Reading) -> TableImport:
    said = reading.outcomes
    return TableImport(
        mapping=draft.mapping, person=actor.person, key=key, file_name=draft.file_name, sha256=draft.sha256,
        mapping_spec=draft.mapping.spec, rows=len(reading.rows), animals=reading.animals, tubes=said.total(),
        drawn=said["drawn"], short=said["short"], not_collected=said["not_collected"],
    )  # fmt: skip


def plan_for(actor: Actor, mapping: Mapping) -> tuple[SamplePlan, list[PlannedTube]]:
    """The newest version of the plan where it has these very tubes, else a next version (unsaved)."""
    newest = SamplePlan.objects.filter(code=mapping.plan_code).order_by("-version").first()
    if newest and newest.programme_id == actor.person.programme_id:
        there = list(newest.tubes.order_by("number").prefetch_related("made"))
        if [_described(one) for one in there] == [_described(one) for one in mapping.tubes]:
            return newest, there
    plan = SamplePlan(
        programme=actor.person.programme, code=mapping.plan_code, version=newest.version + 1 if newest else 1,
        name=f"{mapping.plan_name}, as imported",
    )  # fmt: skip
    return plan, [_planned(plan, number, one) for number, one in enumerate(mapping.tubes, 1)]


def _described(tube: TubeSpec | PlannedTube) -> tuple[str, str, str, str, int | None, int]:
    aliquots = sum(one.count for one in tube.made.all()) if isinstance(tube, PlannedTube) else 0
    return tube.label, tube.matrix, tube.additive, tube.container, tube.volume_ul, aliquots


def _planned(plan: SamplePlan, number: int, tube: TubeSpec) -> PlannedTube:
    return PlannedTube(
        plan=plan, number=number, label=tube.label, matrix=tube.matrix, additive=tube.additive,
        container=tube.container, volume_ul=tube.volume_ul, order_of_draw=number, priority=number,
    )  # fmt: skip


def free_set_codes(key: str, count: int) -> list[str]:
    """Set codes drawn from the key that no set has. One query for 500 of them."""
    dice = Random(key)
    found: dict[str, None] = {}
    while len(found) < count:
        fresh = [codes.new_set_code(dice) for _ in range(min(500, count - len(found)))]
        taken = set(TubeSet.objects.filter(code__in=fresh).values_list("code", flat=True))
        found |= {code: None for code in fresh if code not in taken}
    return list(found)


def _set(made: Made, row: ReadRow, code: str) -> TubeSet:
    workup = Workup(code=f"{made.done.workup_prefix}{row.number:04d}", note=row.comment)
    return TubeSet(code=code, plan=made.plan, workup=workup, state=TubeSet.State.CLOSED)


def _tube(tube_set: TubeSet, planned: PlannedTube) -> Tube:
    return Tube(
        code=codes.make(tube_set.code, planned.number), tube_set=tube_set, planned=planned,
        label=planned.label, matrix=planned.matrix, additive=planned.additive, container=planned.container,
    )  # fmt: skip


def _acts(made: Made, key: str, row: ReadRow, tube_set: TubeSet, tubes: list[Tube]) -> Iterator[Act]:
    """What happened to the tubes of one row: labelled, bound, drawn or not; all at the time of the row."""
    assert tube_set.workup is not None
    workup = tube_set.workup.code
    note = f"as imported: {made.draft.file_name}, row {row.number}"
    plan = f"{made.plan.code}/{made.plan.version}"
    said = list(zip(tubes, row.tubes, strict=True))

    def one(kind: str, name: str, data: dict[str, Any], lines: list[dict[str, Any]]) -> Act:
        return act(
            made.actor, kind, key=derived_id(key, f"{row.number}/{name}"), at=row.at, data=data, lines=lines,
            unc_s=row.unc_s, tz=made.mapping.date.tz or None,
        )  # fmt: skip

    labels = [_label(tube) for tube in tubes]
    yield one("label_printed", "label", {"set": tube_set.code, "plan": plan, "copy": 0, "note": note}, labels)
    yield one("bound", "bound", {"set": tube_set.code, "workup": workup}, [_line(tube) for tube in tubes])
    if filled := [_filled(tube, what) for tube, what in said if what.outcome != "not_collected"]:
        yield one("drawn", "drawn", {"workup": workup}, filled)
    missed = [(tube, what.reason) for tube, what in said if what.outcome == "not_collected"]
    for n, reason in enumerate(dict.fromkeys(reason for _, reason in missed)):
        lines = [_line(tube) for tube, why in missed if why == reason]
        yield one("not_collected", f"missed/{n}", {"reason": reason}, lines)


def _label(tube: Tube) -> dict[str, Any]:
    """What is not known (an additive, say) is left out: not known is not the same as none."""
    line = {"t": tube.code, "role": "new", "label": tube.label, "matrix": tube.matrix}
    planned = tube.planned.volume_ul if tube.planned else None
    more = {"additive": tube.additive, "container": tube.container, "ul": planned}
    return line | {name: value for name, value in more.items() if value}


def _line(tube: Tube) -> dict[str, Any]:
    return {"t": tube.code, "role": "subj"}


def _filled(tube: Tube, said: Outcome) -> dict[str, Any]:
    """Never the planned volume: what was not measured is not known."""
    short = {"short": True, "note": said.reason} if said.outcome == "short" else {}
    return _line(tube) | {"ul": said.ul} | short
