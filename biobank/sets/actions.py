"""What becomes of a tube set between its printing and the draw: packed, issued, bound, returned.

Promises: a form sent twice is one act; a refusal changes nothing, neither ledger nor rows. A set is packed
only when every tube of it was scanned into its bag.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from django.db import transaction

from biobank.acting import Actor, act, perform_all, saving
from biobank.core import codes
from biobank.labels.actions import unchanged
from biobank.models import Agency, FieldDay, PackScan, Person, Tube, TubeSet
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.record import known

from .binding import bind
from .rebinding import rebind

__all__ = ["Taker", "bind", "give_back", "issue", "pack", "rebind", "scan_into_bag", "unpacked"]

State = TubeSet.State
UNUSED = {State.PRINTED, State.PACKED, State.ISSUED}


def scan_into_bag(actor: Actor, tube_set: TubeSet, scanned: Sequence[str]) -> int:
    """Note tubes as being in the bag of this set; how many are new. All or none.

    Refused: set_not_printed, tube_of_another_set (with what it is), tube_is_for_aliquots.
    """
    _is(tube_set, {State.PRINTED}, "packed", "set_not_printed")
    found = [_of_this_bag(tube_set, code) for code in dict.fromkeys(scanned)]
    there = set(tube_set.scans.values_list("tube_id", flat=True))
    new = [tube for tube in found if tube.code not in there]
    with transaction.atomic():
        PackScan.objects.bulk_create(
            [PackScan(tube_set=tube_set, tube=tube, by=actor.person) for tube in new], ignore_conflicts=True
        )
    return len(new)


def _of_this_bag(tube_set: TubeSet, code: str) -> Tube:
    tube = Tube.objects.select_related("tube_set").filter(code=code).first()
    show = codes.show(code)
    if tube is None:
        raise Refused("tube_unknown", f"No label with the code {show} was printed here.", code)
    if tube.tube_set_id != tube_set.pk:
        whose = f"of the set {tube.tube_set.code}" if tube.tube_set else "of no set"
        sentence = f"{show} is {tube.label} {whose}. Take it out of the bag of {tube_set.code}."
        raise Refused("tube_of_another_set", sentence, code)
    if tube.parent_hint:
        raise Refused(
            "tube_is_for_aliquots",
            f"{show} is a label for an aliquot. Tick the sheet of labels instead.",
            code,
        )
    return tube


def unpacked(tube_set: TubeSet) -> list[Tube]:
    """Tubes to draw that nobody has scanned into the bag yet, in order of draw. 1 query."""
    found = tube_set.tubes.filter(parent_hint="", pack_scan=None).select_related("planned")
    return list(found.order_by("planned__order_of_draw", "code"))


def pack(actor: Actor, key: str, tube_set: TubeSet, sheet: bool = False, at: datetime | None = None) -> None:
    """The bag is complete and closed. sheet: the labels for aliquots are in it.

    Refused: set_not_printed, bag_incomplete (with what is missing), sheet_missing, set_changed.
    """
    if known(key):
        return
    _is(tube_set, {State.PRINTED}, "packed", "set_not_printed")
    _complete(tube_set, sheet)

    def rows(fresh: TubeSet) -> None:
        _complete(fresh, sheet)
        fresh.state = State.PACKED

    said = _act(actor, "packed", key, tube_set, at, {})
    perform_all(actor, [said], before=lambda: _change(actor, tube_set, "packed", rows))


def _complete(tube_set: TubeSet, sheet: bool) -> None:
    if left := unpacked(tube_set):
        named = ", ".join(codes.show(tube.code) for tube in left[:5])
        more = f" and {len(left) - 5} more" if len(left) > 5 else ""
        verb = "is" if len(left) == 1 else "are"
        raise Refused("bag_incomplete", f"{named}{more} {verb} not in the bag yet.", left[0].code)
    if not sheet and tube_set.tubes.exclude(parent_hint="").exists():
        raise Refused("sheet_missing", "The labels for the aliquots belong in the bag too. Tick them.")


@dataclass(frozen=True)
class Taker:
    """Who takes a bag along: an agency, and a person of it where one is known."""

    agency: Agency
    person: Person | None = None

    @property
    def code(self) -> str:
        return self.person.code if self.person else self.agency.code


def issue(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    to: Taker,
    day: FieldDay | None = None,
    at: datetime | None = None,
) -> None:
    """Somebody takes the packed bag along. day: for a spare that was printed for no day.

    Refused: set_not_packed, set_has_a_day, day_closed, set_changed.
    """
    if known(key):
        return
    _is(tube_set, {State.PACKED}, "issued", "set_not_packed")
    if day is not None and tube_set.day_id not in (None, day.pk):
        raise Refused("set_has_a_day", f"The set {tube_set.code} was printed for {tube_set.day}.")
    if day is not None and day.closed:
        raise Refused("day_closed", f"The field day {day} is closed.")

    def rows(fresh: TubeSet) -> None:
        fresh.state, fresh.out_with, fresh.out_org = State.ISSUED, to.person, to.agency
        fresh.day = day or fresh.day

    said = _act(actor, "issued", key, tube_set, at, {"to": to.code})
    perform_all(actor, [said], before=lambda: _change(actor, tube_set, f"issued to {to.code}", rows))


def give_back(
    actor: Actor,
    key: str,
    sets: Sequence[TubeSet],
    why: str = "",
    opened: bool = False,
    at: datetime | None = None,
) -> None:
    """Unused sets come back to the store, for any later day. opened: the bags must be packed anew.

    Refused: nothing_said, set_in_use, set_is_void, set_changed.
    """
    if known(key):
        return
    if not sets:
        raise Refused("nothing_said", "There is no unused set to return.")
    for one in sets:
        _is(one, UNUSED, "returned", "set_in_use")
    said = {"why": why.strip()} if why.strip() else {}
    acts = [
        _act(actor, "returned", derived_id(key, str(n)) if n else key, one, at, said)
        for n, one in enumerate(sets)
    ]

    def rows() -> None:
        for one in sets:
            _change(actor, one, "returned unused", partial(_into_the_store, opened=opened))

    perform_all(actor, acts, before=rows)


def _into_the_store(fresh: TubeSet, opened: bool) -> None:
    keeps = fresh.state in {State.PACKED, State.ISSUED} and not opened
    fresh.state = State.PACKED if keeps else State.PRINTED
    fresh.day, fresh.out_with, fresh.out_org = None, None, None
    if not keeps:
        fresh.scans.all().delete()


def _is(tube_set: TubeSet, states: set[Any], done: str, code: str) -> None:
    if tube_set.state == State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void. Take another set.")
    if tube_set.state not in states:
        words = " or ".join(sorted(str(state) for state in states))
        now = tube_set.get_state_display().lower()
        raise Refused(code, f"The set {tube_set.code} is {now}. Only a {words} set can be {done}.")


def _act(
    actor: Actor, kind: str, key: str, tube_set: TubeSet, at: datetime | None, said: dict[str, Any]
) -> Act:
    """One event about all tubes of a set."""
    lines = [{"t": code, "role": "subj"} for code in tube_set.tubes.values_list("code", flat=True)]
    return act(actor, kind, key=key, at=at, data={"set": tube_set.code} | said, lines=lines)


def _change(actor: Actor, tube_set: TubeSet, why: str, change: Callable[[TubeSet], None]) -> None:
    """The row of a set as it is now, changed; Refused when it is no longer as it was shown."""
    fresh = unchanged(tube_set)
    change(fresh)
    with saving(actor.person.user, why, fresh):
        fresh.save(update_fields=["state", "day", "out_with", "out_org"])
