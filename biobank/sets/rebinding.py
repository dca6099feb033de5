"""A set was bound to the wrong workup, and its tubes may be drawn already.

Promises: what was said stays; its binding and its draws are corrected by events, all or none, and the rows
with them. When the right workup has a set of its own the two change places, for so it goes wrong: two bags
beside two animals. The clocks of both workups follow the needles.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from biobank.access import may_amend
from biobank.acting import Actor, act, perform_all, saving
from biobank.field.clock import changed, check_draw, set_times, widened
from biobank.field.drawing import BLOOD
from biobank.labels.actions import unchanged
from biobank.models import TubeSet, Workup
from custody import queries as ledger
from custody.core import amend
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.core.state import Happening
from custody.record import known

Times = Mapping[str, datetime | None]


@dataclass(frozen=True)
class Move:
    """A set that goes from one workup to another; drawn: when each tube was, needles: those with blood."""

    tube_set: TubeSet
    old: Workup
    new: Workup
    said: Sequence[Happening]
    needles: Sequence[datetime]
    drawn: Mapping[str, datetime]

    @property
    def times(self) -> Times:
        """First needle and last tube, as they follow from this set alone."""
        return widened(Workup(), list(self.needles), list(self.drawn.values()))


def rebind(actor: Actor, key: str, tube_set: TubeSet, workup: Workup, why: str) -> None:
    """Bind a set to this workup instead.

    Refused: set_not_bound, nothing_changed, reason_required, not_yours, time_before_capture,
    time_after_release, clock_runs_backwards, set_changed, key_reused.
    """
    if known(key):
        return
    moves = _moves(tube_set, workup)
    if not why.strip():
        raise Refused("reason_required", "Say how you know that it was another workup.")
    acts = [one for move in moves for one in _corrections(actor, move, why.strip())]
    acts = [replace(one, id=derived_id(key, str(n)) if n else key) for n, one in enumerate(acts)]
    perform_all(actor, acts, before=lambda: _change_places(actor, moves, why.strip()))


def _moves(tube_set: TubeSet, workup: Workup) -> list[Move]:
    old = tube_set.workup
    if old is None or tube_set.state == TubeSet.State.VOID:
        raise Refused("set_not_bound", f"The set {tube_set.code} is bound to no workup. Bind it first.")
    if old.pk == workup.pk:
        raise Refused("nothing_changed", f"The set {tube_set.code} is bound to {workup} already.")
    other = TubeSet.objects.select_related("workup").filter(workup=workup).first()
    return [_move(tube_set, old, workup)] + ([_move(other, workup, old)] if other else [])


def _move(tube_set: TubeSet, old: Workup, new: Workup) -> Move:
    tubes = dict(tube_set.tubes.values_list("code", "matrix"))
    said = [one for some in ledger.histories(list(tubes)).values() for one in some if not one.voided]
    drawn = {
        one.line["t"]: datetime.fromtimestamp(one.at_ms / 1000, UTC) for one in said if one.kind == "drawn"
    }
    needles = [when for code, when in drawn.items() if tubes[code] in BLOOD]
    return Move(tube_set, old, new, said, needles, drawn)


def _corrections(actor: Actor, move: Move, why: str) -> Iterator[Act]:
    """What corrects the binding and each draw; what older corrections said goes on to count."""
    for code, when in move.drawn.items():
        check_draw(move.new, code, when)
    ids = list(dict.fromkeys(one.id for one in move.said if one.kind in {"bound", "drawn"}))
    for told in ledger.told(ids).values():
        if not may_amend(actor.person, org := told.said.header["org"]):
            raise Refused("not_yours", f"Only {org}, who said this, or a curator may amend it.")
        fields = amend.merged(told.set, {"data": {"workup": move.new.code}})
        data = {"of": told.said.id, "reason": "incorrect_data", "note": why, "set": fields}
        yield act(actor, "corrected", key=told.said.id, data=data)


def _change_places(actor: Actor, moves: Sequence[Move], why: str) -> None:
    fresh = [unchanged(move.tube_set) for move in moves]
    states = [one.state for one in fresh]
    if not _as_shown(moves):
        raise Refused("set_changed", "Somebody else bound a set meanwhile. Open the page again.")
    there = TubeSet.objects.filter(pk__in=[one.pk for one in fresh])
    there.update(state=TubeSet.State.PRINTED, workup=None)  # for a moment, as a workup has one set at most
    for one, state, move in zip(fresh, states, moves, strict=True):
        one.workup, one.state = move.new, state
        with saving(actor.person.user, why[:100], one):
            one.save(update_fields=["workup", "state"])
    _clocks(actor, moves, why)


def _as_shown(moves: Sequence[Move]) -> bool:
    """Whether the right workup has no set but the one that changes places with this one."""
    now = set(TubeSet.objects.filter(workup=moves[0].new).values_list("pk", flat=True))
    return now <= {move.tube_set.pk for move in moves}


def _clocks(actor: Actor, moves: Sequence[Move], why: str) -> None:
    came = {move.new.pk: move for move in moves}
    went = {move.old.pk: move for move in moves}
    for workup in Workup.objects.select_for_update().filter(pk__in={*came, *went}):
        _clock(actor, workup, went.get(workup.pk), came.get(workup.pk), why)


def _clock(actor: Actor, workup: Workup, went: Move | None, came: Move | None, why: str) -> None:
    """Times that followed from the set that went go with it; those that somebody set stay."""
    bare = Workup(first_needle=workup.first_needle, last_tube=workup.last_tube)
    for name, when in (went.times if went else {}).items():
        if when is not None and getattr(bare, name) == when:
            setattr(bare, name, None)
    clock: Times = {"first_needle": bare.first_needle, "last_tube": bare.last_tube}
    if came:
        clock = widened(bare, list(came.needles), list(came.drawn.values()))
    if names := changed(workup, clock):
        set_times(workup, clock)
        with saving(actor.person.user, why[:100], workup):
            workup.save(update_fields=names)
