"""Whether a plan can stand: each value by itself, and the values against each other.

Promises: `faults` finds everything that is wrong, in the order of the plan; `sound` refuses with the first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from biobank.plans.columns import ALIQUOTS, PLAN, TUBE, Column
from biobank.plans.values import MOST_ALIQUOTS, MOST_TUBES, Plan, Planned
from custody.core.refusal import Refused


@dataclass(frozen=True)
class Fault:
    """What is wrong. `tube` and `aliquots`: which of the plan, counted from 0; None is the plan itself."""

    column: str
    sentence: str
    code: str
    tube: int | None = None
    aliquots: int | None = None


def sound(plan: Plan) -> Plan:
    """The plan itself. Refused: the first fault, with the tube that it is about."""
    for fault in faults(plan):
        where = "" if fault.tube is None else f"{plan.tubes[fault.tube].label[:40] or 'Tube'}: "
        column = f"{fault.column}: " if fault.column else ""
        raise Refused(fault.code, f"{where}{column}{fault.sentence}")
    return plan


def faults(plan: Plan) -> Iterator[Fault]:
    yield from _values(plan, PLAN)
    for n, tube in enumerate(plan.tubes):
        yield from _values(tube, TUBE, n)
        yield from of_tube(tube, n)
        for k, some in enumerate(tube.made):
            yield from _values(some, ALIQUOTS, n, k)
    yield from _together(plan)


def _values(
    value: Any, columns: Sequence[Column], tube: int | None = None, aliquots: int | None = None
) -> Iterator[Fault]:
    """Every value must be what its column reads back; a fault where it refuses."""
    for column in columns:
        try:
            said = getattr(value, column.name)
            if column.read(str(column.write(said))) != said:
                raise Refused("value_unclean", "This has blanks at its ends or decomposed letters.")
        except Refused as no:
            yield Fault(column.heading, no.sentence, no.code, tube, aliquots)


def of_tube(tube: Planned, n: int | None = None) -> Iterator[Fault]:
    """The values of one tube against each other."""
    low, high = tube.clot_min, tube.clot_max_min
    if low is not None and high is not None and high < low:
        yield Fault("clots at most, min", f"{high} is less than the {low} it takes.", "clotting_order", n)
    if (tube.spin_g is None) != (tube.spin_minutes is None):
        yield Fault("spin, min", "A spin has a force and a time; give both or neither.", "spin_incomplete", n)
    if tube.least_pct is not None and tube.volume_ul is None:
        sentence = "A share of the volume needs a volume."
        yield Fault("short below, %", sentence, "share_without_volume", n)


def _together(plan: Plan) -> Iterator[Fault]:
    if len(plan.tubes) > MOST_TUBES:
        sentence = f"A plan has room for {MOST_TUBES} tubes; this has {len(plan.tubes)}."
        yield Fault("", sentence, "plan_too_many_tubes")
    if sum(some.count for tube in plan.tubes for some in tube.made) > MOST_ALIQUOTS:
        yield Fault("count", f"A set has room for {MOST_ALIQUOTS} aliquots.", "plan_too_large")
    seen: set[int] = set()
    for n, tube in enumerate(plan.tubes):
        if tube.number in seen:
            yield Fault("number", f"Number {tube.number} is there twice.", "number_taken", n)
        seen.add(tube.number)
