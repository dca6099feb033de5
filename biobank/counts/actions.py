"""Choosing boxes, reading them, and writing down once what was found.

Promises: every function raises Refused (code, sentence) and changes nothing, or does one thing; the same key
again does nothing more. A finished count is one `counted` event and one `discrepancy_noted` for each
difference, in one transaction with the numbers of its row and the neighbours that it queues.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from biobank.acting import Actor, act, perform, perform_all
from biobank.bench.hands import repeated
from biobank.core import codes, counting, risk
from biobank.counts import queries
from biobank.models import Agency, Count, CountDraw, CountRead, Unit
from biobank.store.actions import known_unit, stated
from custody import queries as ledger
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.core.state import TubeState

# What the ledger's `counted` calls each word. A tube in a wrong slot was seen; of one whose label nobody
# could read nobody can say that it was. The difference that answers the count says which of them it was.
IN_LEDGER = {
    counting.FOUND: "seen", counting.WRONG_PLACE: "seen", counting.NOT_FOUND: "not_seen",
    counting.UNREADABLE: "not_seen", counting.EXTRA: "foreign",
}  # fmt: skip


# choosing -----------------------------------------------------------------------------------------


def draw(actor: Actor, key: str, wanted: int) -> CountDraw:
    """Choose boxes and queue a count of each. Refused: no_box, count_wanted."""
    if there := CountDraw.objects.filter(key=key).first():
        return there
    if wanted < 1:
        raise Refused("count_wanted", "Say how many boxes, at least 1.")
    boxes = queries.weighed(actor.person.agency)
    if not boxes:
        raise Refused("no_box", "There is no box without an open count.")
    return _drawn(actor, key, wanted, boxes, secrets.token_hex(8))


@transaction.atomic
def _drawn(actor: Actor, key: str, wanted: int, boxes: list[risk.Weighed], seed: str) -> CountDraw:
    picks, now = risk.choose(boxes, wanted, seed), timezone.now()
    made = CountDraw.objects.create(
        key=key, at=now, by=actor.person, seed=seed, wanted=wanted,
        considered=[[one.unit, one.weight, list(one.reasons)] for one in boxes],
        chosen=[[one.unit, one.how] for one in picks],
    )  # fmt: skip
    units = {one.code: one for one in Unit.objects.filter(code__in=[one.unit for one in picks])}
    Count.objects.bulk_create(
        Count(unit=units[one.unit], draw=made, why=_why(one)[:400], weight=one.weight, asked=now)
        for one in picks
    )
    return made


def _why(pick: risk.Pick) -> str:
    reasons = "; ".join(pick.reasons)
    return reasons if pick.how == "risk" else f"drawn by lot{f' ({reasons})' if reasons else ''}"


def by_hand(actor: Actor, text: str) -> Count:
    """The open count of this box, a new one when there is none. Refused: unit_unknown, not_a_box,
    unit_of_another_agency."""
    unit = known_unit(text)
    if unit.kind != "box":
        raise Refused("not_a_box", f"{unit.code} is a {unit.kind}, not a box. Scan a box.")
    _ours(actor, unit)
    start = {"why": f"chosen by {actor.person.name}", "asked": timezone.now()}
    return Count.objects.get_or_create(unit=unit, finished=None, defaults=start)[0]


def _ours(actor: Actor, unit: Unit) -> None:
    if unit.agency_id != actor.person.agency_id:
        owner = Agency.objects.get(pk=unit.agency_id)
        raise Refused("unit_of_another_agency", f"{unit.code} is a box of {owner.name}; its people count it.")


# reading ------------------------------------------------------------------------------------------


def _open(actor: Actor, count: Count) -> Count:
    """This count, locked, still open, and begun by whoever reads first. In a transaction."""
    row = Count.objects.select_for_update(of=("self",)).select_related("unit").get(pk=count.pk)
    _ours(actor, row.unit)
    if row.finished:
        raise Refused("count_finished", f"The count of {row.unit.code} is finished. Choose the box again.")
    if row.started is None:
        row.started, row.by = timezone.now(), actor.person
    return row


@transaction.atomic
def read(actor: Actor, count: Count, text: str) -> str:
    """Keep one scan; returns what it was taken for. Refused: as `counting.scanned`, slot_read."""
    row = _open(actor, count)
    grid, there = row.unit.grid, CountRead.objects.filter(count=row)
    got = counting.scanned(text, grid)
    if counting.alone(text, grid):
        return _slot_first(row, queries.slot_name(grid, got.slot))
    slot = got.slot or (grid.parse(row.next_slot) if row.next_slot else None)
    row.next_slot = ""
    again = bool(got.tube) and there.filter(tube=got.tube).delete()[0]
    _keep(row, counting.Read(got.tube, slot))
    row.save(update_fields=["started", "by", "next_slot"])
    where = f" in {queries.slot_name(grid, slot)}" if slot else ""
    name = codes.show(got.tube) if got.tube else "A label that cannot be read"
    return f"{name}{where}{', read before, counts once' if again else ''}. {there.count()} read."


def _slot_first(row: Count, name: str) -> str:
    row.next_slot = name
    row.save(update_fields=["started", "by", "next_slot"])
    return f"{name}. Now scan the tube in it."


def _keep(row: Count, got: counting.Read) -> None:
    at = got.slot or (None, None)
    try:
        with transaction.atomic():
            CountRead.objects.create(count=row, tube=got.tube, row=at[0], col=at[1])
    except IntegrityError as why:
        name = queries.slot_name(row.unit.grid, got.slot)
        raise Refused("slot_read", f"{name} was read already. Take that reading back first.") from why


@transaction.atomic
def rack(actor: Actor, count: Count, text: str) -> int:
    """Take a rack reader's list in place of all that was read so far; how many it has. Refused: as
    `counting.rack`."""
    row = _open(actor, count)
    reads = counting.rack(text, row.unit.grid)
    CountRead.objects.filter(count=row).delete()
    CountRead.objects.bulk_create(
        CountRead(count=row, tube=one.tube, row=one.slot[0], col=one.slot[1]) for one in reads if one.slot
    )
    row.next_slot = ""
    row.save(update_fields=["started", "by", "next_slot"])
    return len(reads)


@transaction.atomic
def take_back(actor: Actor, count: Count) -> None:
    """Forget the newest reading. Refused: nothing_scanned."""
    row = _open(actor, count)
    newest = CountRead.objects.filter(count=row).order_by("-pk").first()
    if newest is None:
        raise Refused("nothing_scanned", "Nothing was read yet.")
    newest.delete()


# finishing ----------------------------------------------------------------------------------------


def finish(actor: Actor, key: str, count: Count, empty: bool = False) -> Count:
    """Compare, write down, queue the neighbours of a miss. `empty`: there is no tube in the box at all.

    Refused: nothing_scanned, count_finished, box_changed, and as `record`.
    """
    if there := Count.objects.filter(pk=count.pk, key=key).first():
        return there
    if repeated(actor, key, "counted") or Count.objects.filter(key=key).exists():
        raise Refused("key_reused", "This form was sent before with other content. Open the page again.")
    row = Count.objects.select_related("unit").get(pk=count.pk)
    _ours(actor, row.unit)
    reads, inside = queries.reads_of(row), queries.content(row.unit)
    if not reads and not empty:
        raise Refused("nothing_scanned", "Nothing was read. When the box is empty, say so.")
    found = counting.compare(queries.slots(inside), reads)
    states = inside | ledger.states({one.tube for one in found.lines if one.tube} - set(inside))
    acts = _acts(actor, key, row.unit, found, states)

    def save() -> None:
        _settle(actor, key, row, found, reads, inside, bool(acts))

    if acts:
        perform_all(actor, acts, before=save)
    else:
        with transaction.atomic():
            save()
    row.refresh_from_db()
    return row


def _acts(
    actor: Actor, key: str, unit: Unit, found: counting.Outcome, states: dict[str, TubeState]
) -> list[Act]:
    """The `counted` event and, answering it, one event for each difference."""
    lines = [
        {"t": one.tube, "role": "subj", "result": IN_LEDGER[one.word]}
        for one in found.lines
        if not queries.nameless(states.get(one.tube))
    ]
    now = timezone.now()
    counted = [act(actor, "counted", key=key, at=now, data={"unit": unit.code}, lines=lines)] if lines else []
    odd = [one for one in found.lines if one.word != counting.FOUND and one.tube]
    return counted + [
        _noted(actor, key, now, unit, one, states[one.tube])
        for one in odd
        if not queries.nameless(states.get(one.tube))
    ]


def _noted(actor: Actor, key: str, now: datetime, unit: Unit, one: counting.Line, state: TubeState) -> Act:
    return act(
        actor, "discrepancy_noted", key=derived_id(key, one.tube), at=now,
        data={"code": one.word, "note": sentence(unit, one, state)},
        lines=[{"t": one.tube, "role": "subj"}], ref=key,
    )  # fmt: skip


def sentence(unit: Unit, one: counting.Line, state: TubeState) -> str:
    """Where a tube was read and where the ledger has it."""
    grid = unit.grid
    read = queries.slot_name(grid, one.slot)
    here = f"{read} of {unit.code}" if read else unit.code
    says = queries.slot_name(grid, one.says)
    match one.word:
        case counting.WRONG_PLACE:
            return f"Read in {here}; the ledger says {says}."
        case counting.NOT_FOUND:
            return f"Not found in {unit.code}; the ledger says {says or 'it is there, without a slot'}."
        case counting.UNREADABLE:
            return f"A label in {here} cannot be read; the ledger says this tube is there."
    return f"Read in {here}; the ledger says {elsewhere(state)}."


def elsewhere(state: TubeState) -> str:
    """Where the ledger has a tube that is not in this box."""
    if state.unit:
        place = f", row {state.row}, column {state.col}" if state.row else ""
        return f"{state.unit}{place}"
    if state.status == "in_transit":
        return f"it is on its way to {state.pending_to}"
    return f"{state.custodian} has it in hand"


def _settle(
    actor: Actor,
    key: str,
    count: Count,
    found: counting.Outcome,
    reads: list[counting.Read],
    inside: dict[str, TubeState],
    said: bool,
) -> None:
    """The row of the count, in the transaction of its events; Refused when the box is not as compared."""
    row = _open(actor, count)
    now_inside = queries.slots(queries.content(row.unit))
    if queries.reads_of(row) != reads or now_inside != queries.slots(inside):
        raise Refused("box_changed", f"{row.unit.code} changed while this was compared. Finish once more.")
    row.by, row.finished, row.key, row.next_slot = actor.person, timezone.now(), UUID(key), ""
    row.event, row.expected = UUID(key) if said else None, len(inside)
    for word in counting.WORDS:
        setattr(row, word, found.number(word))
    row.save()
    for one in found.of(counting.UNREADABLE):
        if one.tube and one.slot:
            mine = CountRead.objects.filter(count=row, tube="", row=one.slot[0], col=one.slot[1])
            mine.update(taken_for=one.tube)
    if found.misses:
        _queue_neighbours(row, found.misses)


def _queue_neighbours(row: Count, misses: int) -> None:
    boxes = Unit.objects.filter(kind="box", agency_id=row.unit.agency_id).values_list("code", flat=True)
    near = risk.neighbours(row.unit.code, ledger.units(), boxes)
    for unit in Unit.objects.filter(code__in=near):
        why = f"next to {row.unit.code}, where {risk.many(misses, 'tube')} did not match"
        start: dict[str, Any] = {"why": why, "weight": risk.MISS, "asked": row.finished, "after": row}
        Count.objects.get_or_create(unit=unit, finished=None, defaults=start)


# closing ------------------------------------------------------------------------------------------


def close(actor: Actor, key: str, count: Count, event: str, note: str) -> str:
    """One `discrepancy_resolved` that answers the difference. Refused: reason_required, difference_unknown,
    difference_closed, unit_of_another_agency."""
    if repeated(actor, key, "discrepancy_resolved"):
        return key
    _ours(actor, count.unit)
    why, found = stated(note), _difference(queries.differences(count), event)
    if found.closed:
        raise Refused("difference_closed", f"{codes.show(found.tube)}: this difference is closed already.")
    lines = [{"t": found.tube, "role": "subj"}]
    data = {"code": found.word, "note": why}
    return perform(actor, "discrepancy_resolved", key=key, data=data, lines=lines, ref=event).id


def _difference(found: Iterable[queries.Difference], event: str) -> queries.Difference:
    for one in found:
        if one.event == event:
            return one
    raise Refused("difference_unknown", "This count noted no such difference.")
