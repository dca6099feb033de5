"""What looks wrong in a field day, each as one sentence.

Promises: pure over an `Account`; a point is a question to the lead of the day and changes nothing. The limits
below are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from biobank.core import codes
from biobank.field.clock import check_draw
from biobank.models import Workup
from custody.core.effects import clock
from custody.core.refusal import Refused
from custody.core.state import Happening

from .account import FILLED, Account, Number

FASTEST_UL_S = 10_000  # blood through a needle, µL a second: common practice, no source
LONGEST_HOLD_H = 6  # from the closing of the net to the last tube: common practice, no source
CLOCK_OFF_S = 60  # a device's clock beside the server's: common practice, no source

NEEDS_CONTENT = {"spun", "graded", "aliquoted", "thawed", "handed_off", "shipped", "put_away", "discarded"}
TWICE = {"label_once", "drawn_twice", "bound_once", "child_already_made", "slot_taken"}


@dataclass(frozen=True)
class Point:
    """Something to look at. code: a stable word; tube: the number that it is about, if it is about one."""

    code: str
    sentence: str
    tube: str = ""


def points(account: Account) -> list[Point]:
    """All that looks wrong, kind by kind."""
    return [point for check in CHECKS for point in check(account)]


def without_time(account: Account) -> Iterator[Point]:
    for one in _filled(account):
        if not one.is_aliquot and (one.state is None or one.state.drawn_ms is None):
            yield _point("time_missing", one, "it is filled, and nobody said when.")


def orphans(account: Account) -> Iterator[Point]:
    """An aliquot without a parent, or with another than the one its label was printed for."""
    for one in _filled(account):
        parent = one.state.parent if one.state else None
        if one.is_aliquot and parent is None:
            yield _point("orphan", one, "it is filled, and nobody said from which tube.")
        elif one.is_aliquot and parent and parent != one.tube.parent_hint:
            words = (
                f"it was made from {codes.show(parent)}, and printed for {codes.show(one.tube.parent_hint)}."
            )
            yield _point("other_parent", one, words)


def twice(account: Account) -> Iterator[Point]:
    """What the ledger itself keeps as a finding about one of these numbers."""
    for one in account.findings:
        code = "number_twice" if one.code in TWICE else "finding_open"
        yield Point(code, f"{codes.show(one.subject)}: {one.sentence}", one.subject)


def out_of_order(account: Account) -> Iterator[Point]:
    for one in _filled(account):
        start = _began(one)
        if start is None:
            continue
        for said in one.said:
            if said.kind in NEEDS_CONTENT and said.id != start.id and said.at_ms < start.at_ms:
                words = f"{_word(said)} {_at(said)}, before it was {_word(start)} {_at(start)}."
                yield _point("out_of_order", one, words)
        parent = account.by_code.get(one.state.parent or "") if one.state else None
        drawn = parent.drawn if parent else None
        if drawn and start.at_ms < drawn.at_ms:
            yield _point(
                "out_of_order", one, f"it was made {_at(start)}, before its tube was drawn {_at(drawn)}."
            )


def bound_late(account: Account) -> Iterator[Point]:
    """One sentence a set, however many tubes."""
    for tally in account.by_animal:
        for one in tally.numbers:
            bound = next((said for said in one.said if said.kind == "bound"), None)
            if bound and one.drawn and one.drawn.at_ms < bound.at_ms:
                words = f"it was drawn {_at(one.drawn)}, before its set was bound {_at(bound)}."
                yield _point("out_of_order", one, words)
                break


def too_fast(account: Account) -> Iterator[Point]:
    """More blood between two times than flows through a needle. What is said to have been filled at one and
    the same moment cannot be told: that is one tap for many tubes."""
    for tally in account.by_animal:
        times: dict[int, list[Happening]] = {}
        for one in tally.numbers:
            if one.drawn:
                times.setdefault(one.drawn.at_ms, []).append(one.drawn)
        before = _needle(tally.workup, min(times, default=0))
        for at in sorted(times):
            ul = sum(said.line.get("ul") or 0 for said in times[at])
            if before is not None and before < at and ul * 1000 > FASTEST_UL_S * (at - before):
                seconds = (at - before) / 1000
                yield Point(
                    "too_fast", f"{tally.name}: {ul / 1000:g} mL in {seconds:g} s until {_at(times[at][0])}."
                )
            before = at


def _needle(workup: Workup | None, first_ms: int) -> int | None:
    """When the needle went in, if that is known apart from the first tube: the clock of a workup is kept to
    the minute and follows the first tube when nobody sets it."""
    if workup is None or workup.first_needle is None:
        return None
    needle = round(workup.first_needle.timestamp() * 1000)
    return needle if needle < first_ms - first_ms % 60_000 else None


def held_long(account: Account) -> Iterator[Point]:
    for tally in account.by_animal:
        closed = tally.workup.net_closed if tally.workup else None
        last = max((one.drawn for one in tally.numbers if one.drawn), key=lambda one: one.at_ms, default=None)
        if closed is None or last is None:
            continue
        hours = (last.at_ms / 1000 - closed.timestamp()) / 3600
        if hours > LONGEST_HOLD_H:
            yield Point("held_long", f"{tally.name}: a tube was filled {hours:.1f} h after the net closed.")


def outside_clock(account: Account) -> Iterator[Point]:
    """Draws before the animal was in hand or after it was released."""
    for tally in account.by_animal:
        for one in tally.numbers:
            if one.drawn is None or tally.workup is None:
                continue
            try:
                check_draw(tally.workup, one.code, datetime.fromtimestamp(one.drawn.at_ms / 1000, UTC))
            except Refused as no:
                yield Point("outside_clock", no.sentence, one.code)


def sets_out(account: Account) -> Iterator[Point]:
    for one in account.unbound:
        who = one.out_with or one.out_org
        where = f"is still out with {who}" if who else "is bound to nothing"
        yield Point("set_out" if who else "set_unbound", f"The set {one.code} {where}.")


def moved_sets(account: Account) -> Iterator[Point]:
    for one in account.elsewhere:
        yield Point("set_elsewhere", f"The set {one.code} was printed for this day and used on another.")
    for one in account.sets:
        if one.workup and one.day_id and one.day_id != account.day.pk:
            yield Point(
                "set_elsewhere", f"The set {one.code} was printed for another day and used on this one."
            )


def clocks_off(account: Account) -> Iterator[Point]:
    """Devices whose clock is off. One that seems to be behind may also have sent everything late."""
    for device, off_ms in sorted(account.offsets.items()):
        if abs(off_ms) <= CLOCK_OFF_S * 1000:
            continue
        words = (
            "ahead of the server's" if off_ms < 0 else "behind the server's, or all it said was sent later"
        )
        yield Point("clock_off", f"The clock of {device} is at least {abs(off_ms) // 1000} s {words}.")


def offsets(heard: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Of each device the smallest of (recorded − typed), ms: all that is more is the way here.

    heard  (device, difference in ms) of each of its events. Below 0: its clock is ahead.
    """
    found: dict[str, int] = {}
    for device, off in heard:
        found[device] = min(off, found.get(device, off))
    return found


CHECKS: list[Callable[[Account], Iterator[Point]]] = [
    sets_out, without_time, orphans, twice, out_of_order, bound_late, too_fast, held_long, outside_clock,
    moved_sets, clocks_off,
]  # fmt: skip


def _filled(account: Account) -> list[Number]:
    return [one for one in account.numbers if one.word == FILLED]


def _began(one: Number) -> Happening | None:
    """When something came into a tube: drawn, or made as an aliquot."""
    made = (said for said in one.said if said.kind == "drawn" or said.line.get("role") == "to")
    return next(made, None)


def _word(said: Happening) -> str:
    return said.kind.replace("_", " ")


def _at(said: Happening) -> str:
    return f"at {clock(said.at_ms, said.off_min)}"


def _point(code: str, one: Number, words: str) -> Point:
    return Point(code, f"{codes.show(one.code)} ({one.tube.label}): {words}", one.code)
