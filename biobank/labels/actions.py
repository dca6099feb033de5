"""What can be done to labels: print sets of them, print one again, void a set.

Promises: a code is printed once and never used again; a reprint is a counted copy of the same tube; the set,
its tubes and the ledger's word about them are written together or not at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from random import Random
from typing import Any

from biobank.acting import Actor, act, perform, perform_all, saving
from biobank.core import codes
from biobank.models import MATRICES, FieldDay, PlannedAliquot, PlannedTube, SamplePlan, Tube, TubeSet
from custody import queries as ledger
from custody.core.event import Act, derived_id
from custody.core.refusal import Refused
from custody.record import known

MOST_SETS = 60
FIRST_ALIQUOT = 101


@dataclass(frozen=True)
class Wanted:
    """So many sets of one plan: one for each animal expected, and spares beyond them."""

    plan: SamplePlan
    sets: int
    spares: int = 0


def print_sets(
    actor: Actor, key: str, plan: SamplePlan, day: FieldDay | None, count: int, at: datetime | None = None
) -> list[TubeSet]:
    """New sets of one plan; as `print_many`."""
    return print_many(actor, key, [Wanted(plan, count)], day, at)


def print_many(
    actor: Actor, key: str, wanted: Sequence[Wanted], day: FieldDay | None, at: datetime | None = None
) -> list[TubeSet]:
    """New sets with their tubes, one `label_printed` each. The same key again gives the same sets.

    Refused: count_out_of_range, day_closed, plan_retired, plan_without_tubes, plan_too_large.
    """
    count = sum(one.sets + one.spares for one in wanted)
    if not 1 <= count <= MOST_SETS or any(min(one.sets, one.spares) < 0 for one in wanted):
        raise Refused("count_out_of_range", f"Print between 1 and {MOST_SETS} sets at a time, not {count}.")
    if day is not None and day.closed:
        raise Refused("day_closed", f"The field day {day} is closed.")
    if not known(derived_id(key, "0")):
        _print(actor, key, wanted, day, at)
    return sets_of(key, count)


def sets_of(key: str, count: int) -> list[TubeSet]:
    """The sets that this form made, in order."""
    printed = (ledger.event(derived_id(key, str(n))) for n in range(count))
    made = [said.header["data"]["set"] for said in printed if said]
    rows = {row.code: row for row in TubeSet.objects.select_related("plan", "day").filter(code__in=made)}
    return [rows[code] for code in made]


def _print(
    actor: Actor, key: str, wanted: Sequence[Wanted], day: FieldDay | None, at: datetime | None
) -> None:
    asked = [(one.plan, n >= one.sets) for one in wanted for n in range(one.sets + one.spares)]
    planned = {plan.pk: _planned(plan) for plan in {plan for plan, _ in asked}}
    free = _free_codes(key, len(asked))
    sets = [
        TubeSet(code=code, plan=plan, day=day, spare=spare)
        for code, (plan, spare) in zip(free, asked, strict=True)
    ]
    tubes = [list(_labels(tube_set, planned[tube_set.plan_id])) for tube_set in sets]
    acts = [_printed(actor, key, n, at, *one) for n, one in enumerate(zip(sets, tubes, strict=True))]

    def rows() -> None:
        for tube_set in sets:
            with saving(actor.person.user, "printed", tube_set):
                tube_set.save(force_insert=True)
        Tube.objects.bulk_create(tube for some in tubes for tube in some)

    perform_all(actor, acts, before=rows)


def _planned(plan: SamplePlan) -> list[PlannedTube]:
    """What a plan prints. Refused: plan_retired."""
    if plan.retired:
        raise Refused("plan_retired", f"{plan} is no longer printed from. Choose its newer version.")
    return list(plan.tubes.order_by("order_of_draw", "number").prefetch_related("made"))


def _free_codes(key: str, count: int) -> list[str]:
    """Set codes drawn from the key, so that a form sent twice at once cannot make two different sets."""
    dice, found = Random(key), list[str]()
    while len(found) < count:
        code = codes.new_set_code(dice)
        if code not in found and not TubeSet.objects.filter(code=code).exists():
            found.append(code)
    return found


def _labels(tube_set: TubeSet, planned: Sequence[PlannedTube]) -> Iterator[Tube]:
    """The primaries in order of draw, then their aliquots, numbered from 101 in the same order."""
    if not planned:
        raise Refused(
            "plan_without_tubes", f"{tube_set.plan} has no tubes yet, so there is nothing to print."
        )
    if sum(some.count for one in planned for some in one.made.all()) > 999 - FIRST_ALIQUOT + 1:
        raise Refused("plan_too_large", "A set has room for 899 aliquots, and this plan has more.")
    for one in planned:
        yield Tube(
            code=codes.make(tube_set.code, one.number), tube_set=tube_set, planned=one, label=one.label,
            matrix=one.matrix, additive=one.additive, container=one.container,
        )  # fmt: skip
    number, words, made = FIRST_ALIQUOT, dict(MATRICES), Counter[str]()
    for one, some in _aliquots(planned):
        made[some.matrix] += 1
        yield Tube(
            code=codes.make(tube_set.code, number), tube_set=tube_set, planned=one, planned_aliquot=some,
            label=f"{words[some.matrix].capitalize()} {made[some.matrix]}", matrix=some.matrix,
            additive=one.additive, container=some.container, aliquot_ul=some.ul,
            parent_hint=codes.make(tube_set.code, one.number),
        )  # fmt: skip
        number += 1


def _aliquots(planned: Sequence[PlannedTube]) -> Iterator[tuple[PlannedTube, PlannedAliquot]]:
    for one in planned:
        for some in one.made.all():
            yield from [(one, some)] * some.count


def _printed(
    actor: Actor, key: str, n: int, at: datetime | None, tube_set: TubeSet, tubes: list[Tube]
) -> Act:
    data = {"set": tube_set.code, "plan": f"{tube_set.plan.code}/{tube_set.plan.version}", "copy": 0}
    lines = [_line(tube) for tube in tubes]
    return act(actor, "label_printed", key=derived_id(key, str(n)), at=at, data=data, lines=lines)


def _line(tube: Tube) -> dict[str, Any]:
    line: dict[str, Any] = {"t": tube.code, "role": "new", "label": tube.label, "matrix": tube.matrix}
    ul = nominal_ul(tube)
    more = {"additive": tube.additive, "container": tube.container, "ul": ul}
    return line | {name: value for name, value in more.items() if value}


def nominal_ul(tube: Tube) -> int | None:
    """Planned volume of what the label is for, µL; None for a swab and the like."""
    if tube.parent_hint:
        return tube.aliquot_ul
    return tube.planned.volume_ul if tube.planned else None


def reprint(
    actor: Actor,
    key: str,
    tube_set: TubeSet,
    reason: str,
    tubes: Sequence[str] = (),
    at: datetime | None = None,
) -> int:
    """Say that labels were printed again: these tubes of the set, or all. The number of the copy.

    Refused: set_is_void, reason_required, tube_of_another_set, set_changed.
    """
    if known(key):
        return copy_of(key)
    if tube_set.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void; its labels are not printed again.")
    if not reason.strip():
        raise Refused("reason_required", "Say why the label is printed again.")
    codes_ = _of_set(tube_set, tubes)
    copy = tube_set.copies + 1
    data = {"set": tube_set.code, "plan": f"{tube_set.plan.code}/{tube_set.plan.version}", "copy": copy}
    lines = [{"t": code, "role": "copy"} for code in codes_]

    def rows() -> None:
        fresh = unchanged(tube_set)
        fresh.copies = copy
        with saving(actor.person.user, f"reprinted: {reason}"[:100], fresh):
            fresh.save(update_fields=["copies"])

    data |= {"reason": reason.strip()}
    perform(actor, "label_printed", key=key, at=at, data=data, lines=lines, before=rows)
    return copy


def copy_of(key: str) -> int:
    said = ledger.event(key)
    return int(said.header["data"].get("copy") or 0) if said else 0


def _of_set(tube_set: TubeSet, wanted: Sequence[str]) -> list[str]:
    there = list(tube_set.tubes.values_list("code", flat=True))
    for code in wanted:
        if code not in there:
            sentence = f"{codes.show(code)} is not a tube of the set {tube_set.code}."
            raise Refused("tube_of_another_set", sentence, code)
    return list(dict.fromkeys(wanted)) or there


def unchanged(tube_set: TubeSet) -> TubeSet:
    """The set as it is in the database, locked; Refused when it is no longer as it was shown."""
    fresh = TubeSet.objects.select_for_update().get(pk=tube_set.pk)
    if (fresh.state, fresh.copies, fresh.workup_id) != (tube_set.state, tube_set.copies, tube_set.workup_id):
        raise Refused("set_changed", "Somebody else changed this set meanwhile. Open the page again.")
    return fresh


VOIDED_WITH_A_SET = {"label_printed", "bound", "not_collected"}


def void_set(actor: Actor, key: str, tube_set: TubeSet, reason: str, at: datetime | None = None) -> None:
    """Take a set out of use: its labels, binding and notes did not count. The codes stay burnt.

    Refused: set_is_void, reason_required, set_has_drawn_tubes, set_changed.
    """
    if known(key):
        return
    if tube_set.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void already.")
    if not reason.strip():
        raise Refused("reason_required", "Say why the set is void.")
    gone = _acts_of_unused(tube_set)
    acts = [
        act(
            actor, "voided", key=derived_id(key, str(n)) if n else key, at=at,
            data={"of": of, "reason": "did_not_occur", "note": reason.strip()},
        )
        for n, of in enumerate(gone)
    ]  # fmt: skip

    def rows() -> None:
        fresh = unchanged(tube_set)
        _acts_of_unused(fresh)  # asked again under the lock: a tube may have been drawn since
        fresh.state, fresh.workup, fresh.out_with, fresh.out_org = TubeSet.State.VOID, None, None, None
        with saving(actor.person.user, f"void: {reason}"[:100], fresh):
            fresh.save(update_fields=["state", "workup", "out_with", "out_org"])

    perform_all(actor, acts, before=rows)


def _acts_of_unused(tube_set: TubeSet) -> list[str]:
    """Ids of the acts that a void takes out, oldest first; Refused when a tube was filled."""
    histories = ledger.histories(list(tube_set.tubes.values_list("code", flat=True)))
    said = [one for history in histories.values() for one in history if not one.voided]
    for one in said:
        if one.kind in {"drawn", "aliquoted"}:
            sentence = (
                f"{codes.show(one.line['t'])} of the set {tube_set.code} was filled; the set is in use."
            )
            raise Refused("set_has_drawn_tubes", sentence, one.line["t"])
    ids = {one.id: one.seq for one in said if one.kind in VOIDED_WITH_A_SET}
    return sorted(ids, key=lambda of: ids[of])
