"""What a draw form says, as acts for the ledger.

Promises: nothing is written here; what cannot be is refused before it reaches the ledger.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.utils import timezone

from biobank.acting import Actor, act, ms
from biobank.core import codes
from biobank.days.access import may_change
from biobank.labels.actions import nominal_ul
from biobank.models import Tube, TubeSet, Workup
from custody import queries as ledger
from custody.core.event import Act, derived_id
from custody.core.fold import FUTURE_MS
from custody.core.refusal import Refused

from .clock import check_draw

MOST_OF_NOMINAL = 1.5  # a vacuum tube holds little more than its nominal volume: common practice, no source
BLOOD = {"BLD", "SER", "PL1", "BUF"}  # a swab's time is no needle time

OTHER = "other"
REASONS = [
    ("flow stopped", "Flow stopped"),
    ("blood limit reached", "Blood limit reached"),
    ("animal released early", "Animal released early"),
    ("tube failed", "Tube failed (no vacuum, broken)"),
    ("not needed", "Not needed for this animal"),
    (OTHER, "Other: say it in the note"),
]


@dataclass(frozen=True)
class Filled:
    """A tube that was filled: when (empty: the time of the form), and how much (µL; None: as planned)."""

    code: str
    at: datetime | None = None
    ul: int | None = None


@dataclass(frozen=True)
class Missed:
    """A printed tube that was never filled, and why."""

    code: str
    reason: str


@dataclass(frozen=True)
class Drawing:
    """One form: tubes by code, and for each filled one when."""

    workup: Workup
    tubes: Mapping[str, Tube]
    filled: Sequence[Filled]
    missed: Sequence[Missed]
    at: datetime
    note: str = ""

    @property
    def times(self) -> dict[str, datetime]:
        return {one.code: one.at or self.at for one in self.filled}

    @property
    def needles(self) -> list[datetime]:
        return [when for code, when in self.times.items() if self.tubes[code].matrix in BLOOD]


def may_be_drawn(tube_set: TubeSet, why: str = "") -> Workup:
    """The workup whose tubes these are. why: needed when the day is signed off.

    Refused: set_is_void, set_is_closed, set_not_bound, day_closed.
    """
    if tube_set.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void. Take another set.")
    if tube_set.state == TubeSet.State.CLOSED and not why.strip():
        raise Refused("set_is_closed", f"The set {tube_set.code} is closed. Say in the note why it changes.")
    if tube_set.workup is None:
        raise Refused("set_not_bound", f"Bind the set {tube_set.code} to a workup first.")
    may_change(tube_set.workup.day, why)
    return tube_set.workup


def named(tube_set: TubeSet, said: Sequence[Filled | Missed]) -> dict[str, Tube]:
    """The tubes that are spoken of, all primaries of the set, each once."""
    if not said:
        raise Refused("nothing_said", "No tube is marked as filled or as not collected.")
    wanted = tube_set.tubes.filter(code__in=[one.code for one in said])
    there = {tube.code: tube for tube in wanted.select_related("planned")}
    found: dict[str, Tube] = {}
    for one in said:
        show = codes.show(one.code)
        if one.code not in there:
            raise Refused(
                "tube_of_another_set", f"{show} is not a tube of the set {tube_set.code}.", one.code
            )
        if parent := there[one.code].parent_hint:
            sentence = f"{show} is for an aliquot of {codes.show(parent)}; it is filled at the bench."
            raise Refused("tube_is_for_aliquots", sentence, one.code)
        if one.code in found:
            raise Refused("tube_named_twice", f"{show} is named twice.", one.code)
        found[one.code] = there[one.code]
    return found


def check_times(said: Drawing) -> None:
    """Refused: time_in_future, time_before_parent (before the label was printed), and as `check_draw`."""
    times = said.times
    latest = ms(timezone.now()) + FUTURE_MS
    printed = _printed_ms(said.tubes)
    for code in said.tubes:
        when = ms(times.get(code, said.at))
        if when > latest:
            raise Refused("time_in_future", "This time lies in the future.", code)
        if when < printed[code]:
            raise Refused(
                "time_before_parent", f"The label {codes.show(code)} was printed later than that.", code
            )
    for code, at in times.items():
        check_draw(said.workup, code, at)


def _printed_ms(tubes: Mapping[str, Tube]) -> dict[str, int]:
    return {
        code: min((one.at_ms for one in history if one.kind == "label_printed" and not one.voided), default=0)
        for code, history in ledger.histories(list(tubes)).items()
    }


def acts_of(actor: Actor, key: str, said: Drawing) -> list[Act]:
    """One `drawn` for each time, one `not_collected` for each reason. The first has the form's own id."""
    acts = [*_drawn(actor, key, said), *_not_collected(actor, key, said)]
    return [replace(one, id=derived_id(key, str(n)) if n else key) for n, one in enumerate(acts)]


def _noted(said: Drawing, data: dict[str, Any]) -> dict[str, Any]:
    return data | ({"note": said.note} if said.note else {})


def _drawn(actor: Actor, key: str, said: Drawing) -> Iterator[Act]:
    times, data = said.times, _noted(said, {"workup": said.workup.code})
    for when in sorted(set(times.values())):
        lines = [filled_line(said.tubes[one.code], one) for one in said.filled if times[one.code] == when]
        yield act(actor, "drawn", key=key, at=when, data=data, lines=lines)


def filled_line(tube: Tube, said: Filled) -> dict[str, Any]:
    """The ledger's line: as planned, or short when below the nominal volume.

    Refused: volume_not_positive; volume_too_large above 1.5 times the nominal volume.
    """
    planned = nominal_ul(tube)
    ul = planned if said.ul is None else said.ul
    line = {"t": tube.code, "role": "subj", "ul": ul}
    if ul is None:
        return line
    if ul <= 0:
        sentence = f"{codes.show(tube.code)}: a volume is more than nothing. Say not collected instead."
        raise Refused("volume_not_positive", sentence, tube.code)
    if planned is not None and ul > planned * MOST_OF_NOMINAL:
        sentence = (
            f"{codes.show(tube.code)} is a {planned / 1000:g} mL tube; {ul / 1000:g} mL cannot be in it."
        )
        raise Refused("volume_too_large", sentence, tube.code)
    return line | ({"short": True} if planned is not None and ul < planned else {})


def _not_collected(actor: Actor, key: str, said: Drawing) -> Iterator[Act]:
    for reason in dict.fromkeys(one.reason.strip() for one in said.missed):
        if not reason or (reason == OTHER and not said.note):
            raise Refused("reason_required", "Say why a tube was not collected.")
        lines = [{"t": one.code, "role": "subj"} for one in said.missed if one.reason.strip() == reason]
        yield act(
            actor, "not_collected", key=key, at=said.at, data=_noted(said, {"reason": reason}), lines=lines
        )
