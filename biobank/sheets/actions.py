"""What a field sheet says, typed in later: binding, clock, tubes and grades of one workup, in one act.

Promises: a form sent twice is one act; a refusal changes nothing, neither ledger nor rows; every event says
that it came from paper and names the photo it was typed from. What happened in the field happened: an act
that cannot be right is refused first, and kept as a finding when somebody has read the refusal and says so.
How much blood may be taken is not asked: it was taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from biobank.access import may
from biobank.acting import Actor, act, perform_all, saving
from biobank.field.clock import changed, reason_for, set_times, widened
from biobank.field.drawing import OTHER, Drawing, Filled, Missed, acts_of, check_times, may_be_drawn, named
from biobank.labels.actions import unchanged
from biobank.models import FieldDay, Person, SheetPhoto, TubeSet, Workup
from biobank.sets.binding import binding
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.record import Recorded, known

from .photos import keep

__all__ = ["Sheet", "enter", "keep"]

VIA = "paper"


@dataclass(frozen=True)
class Sheet:
    """What somebody read off a sheet.

    at      when it was known which tubes were not collected: the last time on the sheet
    grades  haemolysis 0 to 4, of tubes that were filled
    clock   times of the workup, of those that are not known yet
    workup, day  for a set that is not bound: an existing workup, or (None) a new one of that day
    why     this set on this day, or a change of a day that is signed off
    by      who filled the tubes (None: who types)
    kept    keep it even though it breaks something
    """

    filled: Sequence[Filled]
    missed: Sequence[Missed]
    at: datetime
    photos: Sequence[SheetPhoto] = ()
    no_photo: str = ""
    note: str = ""
    grades: Mapping[str, int] = field(default_factory=dict)
    clock: Mapping[str, datetime] = field(default_factory=dict)
    workup: Workup | None = None
    day: FieldDay | None = None
    why: str = ""
    by: Person | None = None
    kept: bool = False

    @property
    def begins(self) -> datetime:
        return min([self.at, *(one.at for one in self.filled if one.at)])

    @property
    def source(self) -> str:
        """How the ledger names what was typed from."""
        if self.photos:
            return f"sheet {', '.join(one.short for one in self.photos)}"
        return f"no photo of the sheet: {self.no_photo.strip()}"

    @property
    def words(self) -> str:
        return "; ".join(one for one in (self.note.strip(), self.why.strip(), self.source) if one)


def enter(actor: Actor, key: str, tube_set: TubeSet, sheet: Sheet) -> list[Recorded]:
    """Write what a sheet says.

    Refused: photo_required, reason_required, not_yours, day_closed; as `sets.binding.bind` for a set that is
    not bound; as `field.actions.draw`. With `kept` what breaks an invariant of the ledger is written and
    becomes a finding, and what cannot be by the workup's clock is written too.
    """
    if known(key):
        return []
    _may(actor, tube_set, sheet)
    workup, acts, rows = _workup(actor, key, tube_set, sheet)
    tubes = named(tube_set, [*sheet.filled, *sheet.missed])
    said = Drawing(workup, tubes, sheet.filled, sheet.missed, sheet.at, sheet.words)
    if not sheet.kept:
        check_times(said)
    acts += [*acts_of(actor, key, said), *_graded(actor, key, said, sheet.grades)]
    acts = [_by(one, sheet, derived_id(key, str(n)) if n else key) for n, one in enumerate(acts)]

    def before() -> None:
        rows()
        _wind(actor, said, sheet)

    return perform_all(actor, acts, via=VIA, before=before, strict=not sheet.kept)


def _may(actor: Actor, tube_set: TubeSet, sheet: Sheet) -> None:
    foreign = [one for one in sheet.photos if one.tube_set_id != tube_set.pk]
    if foreign or not (sheet.photos or sheet.no_photo.strip()):
        raise Refused("photo_required", "Add a photo of the sheet, or say why there is none.")
    if any(one.reason == OTHER for one in sheet.missed) and not sheet.note.strip():
        raise Refused("reason_required", "Say in the remark why a tube was not collected.")
    if sheet.by and (sheet.by.agency_id != actor.person.agency_id or not may(sheet.by, "draw")):
        raise Refused("not_yours", f"{sheet.by} does not fill tubes for {actor.org}.")


def _workup(
    actor: Actor, key: str, tube_set: TubeSet, sheet: Sheet
) -> tuple[Workup, list[Act], Callable[[], None]]:
    """The workup with the sheet's clock, unsaved; what binds the set to it; and what happens to its rows."""
    if tube_set.workup is None:
        made = binding(
            actor, key, tube_set, sheet.workup, clock=sheet.clock, at=sheet.begins, day=sheet.day,
            why=sheet.why,
        )  # fmt: skip
        data = {**made.act.data, "note": sheet.words}
        return made.workup, [replace(made.act, data=data)], made.rows
    workup = may_be_drawn(tube_set, sheet.why)
    reason_for(workup, changed(workup, sheet.clock), "")
    set_times(workup, sheet.clock)
    return workup, [], lambda: _same(tube_set)


def _same(tube_set: TubeSet) -> None:
    unchanged(tube_set)


def _graded(actor: Actor, key: str, said: Drawing, grades: Mapping[str, int]) -> Iterator[Act]:
    """One `graded`; the sheet does not say when, so it is as late as the last tube that was filled."""
    lines = [{"t": code, "role": "subj", "haemolysis": grade} for code, grade in grades.items()]
    if lines:
        yield act(
            actor, "graded", key=key, at=max(said.times.values()), data={"note": said.note}, lines=lines
        )


def _by(one: Act, sheet: Sheet, key: str) -> Act:
    """Under its own id, in the name of who filled the tubes. Who typed it stays beside that."""
    who: dict[str, Any] = {"by": sheet.by.code} if sheet.by else {}
    return replace(one, id=key, **who)


def _wind(actor: Actor, said: Drawing, sheet: Sheet) -> None:
    """The clock as it stands on the sheet; first needle and last tube follow what was filled."""
    fresh = Workup.objects.select_for_update().get(pk=said.workup.pk)
    old = Workup(**{name: getattr(fresh, name) for name in Workup.CLOCK})
    set_times(fresh, sheet.clock)
    try:
        set_times(fresh, widened(fresh, said.needles, list(said.times.values())))
    except Refused:
        if not sheet.kept:  # a tube that is kept in spite of the clock does not turn it
            raise
    names = changed(old, {name: getattr(fresh, name) for name in Workup.CLOCK})
    if names:
        with saving(actor.person.user, "from paper", fresh):
            fresh.save(update_fields=names)
