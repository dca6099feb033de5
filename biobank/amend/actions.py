"""Amending what was said: it did not happen, it happened otherwise, it happened to another tube, undo.

Promises: nothing is edited; every function writes one event (`other_tube` two, together) or raises Refused
and changes nothing; the same key again is answered with what it did the first time. An amendment that would
make something else impossible is refused, unless `keep` says that it shall become a finding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from django.utils import timezone

from biobank.access import may_amend
from biobank.acting import Actor, act, ms, perform, perform_all
from biobank.amend import lines
from biobank.amend.undoing import SETS_PAGE, undo_wrong
from biobank.field.needle import unwind
from custody import queries as ledger
from custody.core import amend
from custody.core.effects import clock
from custody.core.event import Act, derived_id
from custody.core.fold import FUTURE_MS
from custody.core.refusal import Refused
from custody.record import known

UNDONE = "undone at once"


@dataclass(frozen=True)
class Fix:
    """What was otherwise. Empty: as it stands.

    at  when it really happened; unc_s  how sure that is, seconds; loss_ul  µL lost while aliquoting
    volumes  line number -> µL; slots  line number -> (unit, slot as its box calls it)
    """

    at: datetime | None = None
    unc_s: int | None = None
    loss_ul: int | None = None
    volumes: Mapping[int, int] = field(default_factory=dict)
    slots: Mapping[int, tuple[str, str]] = field(default_factory=dict)


def void(
    actor: Actor, key: str, event: str, note: str, reason: str = "did_not_occur", keep: bool = False
) -> str:
    """The event does not count. A void of a void restores.

    Refused: event_unknown, not_yours, note_missing, event_voided, amend_the_set, key_reused, and what the
    ledger refuses when something else could not be without this event.
    """
    if done := _again(actor, key, event):
        return done
    told = _amendable(actor, event, note)
    if told.said.header["kind"] in SETS_PAGE:
        raise Refused("amend_the_set", "Labels and binding belong to a whole set: void the set on its page.")
    data = {"of": event, "reason": reason, "note": note.strip()}
    return perform(actor, "voided", key=key, data=data, strict=not keep).id


def correct(actor: Actor, key: str, event: str, fix: Fix, note: str, keep: bool = False) -> str:
    """The event happened, but otherwise. What an older correction said goes on to count.

    Refused: as `void` (but amend_the_set), nothing_changed, amendment_not_corrected, time_in_future,
    time_before_parent, time_after_answer, volume_not_positive, volume_too_large, slot_unknown, unit_unknown,
    decision_not_corrected.
    """
    if done := _again(actor, key, event):
        return done
    told = _amendable(actor, event, note)
    if told.said.header["kind"] in lines.DECIDED:
        raise Refused("decision_not_corrected", "A decision is not corrected: void it and decide anew.")
    fields = _fields(actor, told, fix, keep)
    if amend.applied(told.header, told.lines, fields) == (told.header, told.lines):
        raise Refused("nothing_changed", "Nothing is different from what stands there.")
    data = {
        "of": event, "reason": "incorrect_data", "note": note.strip(), "set": amend.merged(told.set, fields),
    }  # fmt: skip
    return perform(actor, "corrected", key=key, data=data, strict=not keep).id


def other_tube(actor: Actor, key: str, event: str, n: int, tube: str, note: str, keep: bool = False) -> str:
    """Line n was about another tube (empty: about none). The event is voided and said again, with the time
    and the person of the first; returns the id of what counts now, or of the void when no line is left.

    A line of an event cannot become another tube's: histories are found by it. Refused: as `void`, and
    tube_unknown, line_twice, tube_of_another_set, nothing_changed.
    """
    if done := _again(actor, derived_id(key, "void"), event) or _again(actor, key, event):
        return key if known(key) else done
    told = _amendable(actor, event, note)
    if told.said.header["kind"] in SETS_PAGE:
        raise Refused("amend_the_set", "Labels and binding belong to a whole set: void the set on its page.")
    left = lines.instead(told, n, tube)
    data = {"of": event, "reason": "incorrect_data", "note": note.strip()}
    if not left:
        return perform(actor, "voided", key=key, data=data, strict=not keep).id
    gone = act(actor, "voided", key=derived_id(key, "void"), data=data | {"instead": key})
    perform_all(actor, [gone, _said_again(actor, key, told, left)], strict=not keep)
    return key


def undo(actor: Actor, event: str) -> str:
    """Void what this person did a moment ago. Refused: event_unknown, event_voided, undo_not_yours,
    undo_too_late, undo_not_here, and what the ledger refuses."""
    key = derived_id(event, "undo")
    if done := _again(actor, key, event):
        return done
    told = ledger.told([event]).get(event)
    if wrong := undo_wrong(told, actor.code, ms(timezone.now())):
        raise Refused(wrong[0], wrong[1])
    assert told is not None  # else it was wrong
    data = {"of": event, "reason": "did_not_occur", "note": UNDONE}
    return perform(actor, "voided", key=key, data=data, before=partial(unwind, actor, told.said)).id


def _again(actor: Actor, key: str, event: str) -> str | None:
    """The key, when this very form was sent before; Refused when it belongs to something else."""
    said = ledger.event(key)
    if said is None:
        return None
    if said.header["by"] != actor.code or said.header["data"].get("of") != event:
        raise Refused("key_reused", "This form was sent before with other content. Open the page again.")
    return key


def _amendable(actor: Actor, event: str, note: str) -> ledger.Told:
    told = ledger.told([event]).get(event)
    if told is None:
        raise Refused("event_unknown", "There is no such event to amend.")
    org = told.said.header["org"]
    if not may_amend(actor.person, org):
        raise Refused("not_yours", f"Only {org}, who said this, or a curator may amend it.")
    if not note.strip():
        raise Refused("note_missing", "Say in words what was wrong.")
    if told.voided:
        raise Refused("event_voided", "This event does not count any more. To bring it back, void its void.")
    return told


def _fields(actor: Actor, told: ledger.Told, fix: Fix, keep: bool) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    if fix.at is not None:
        fields |= _time(actor, told, fix.at, keep)
    if fix.unc_s is not None:
        fields["unc_s"] = fix.unc_s
    if fix.loss_ul is not None:
        fields["data"] = {"loss_ul": fix.loss_ul}
    if changed := lines.changed(told, fix.volumes, fix.slots):
        fields["lines"] = changed
    return fields


def _time(actor: Actor, told: ledger.Told, at: datetime, keep: bool) -> dict[str, Any]:
    when, header = ms(at), told.header
    if when > told.said.recorded_ms + FUTURE_MS and not keep:
        recorded = clock(told.said.recorded_ms, header["off"])
        raise Refused("time_in_future", f"This was recorded on {recorded}; it cannot have happened later.")
    _between(told, when)
    if not keep:
        lines.check_draw_time(told, at)
    offset = at.astimezone(ZoneInfo(actor.tz)).utcoffset()
    return {"at": when, "tz": actor.tz, "off": round(offset.total_seconds() / 60) if offset else 0}


def _between(told: ledger.Told, when: int) -> None:
    """An answer comes after what it answers, however times are corrected."""
    header = told.header
    asked = ledger.told([header["ref"]]) if header.get("ref") else {}
    for one in asked.values():
        if when < one.header["at"]:
            said = clock(one.header["at"], one.header["off"])
            raise Refused(
                "time_before_parent", f"This answers what happened on {said}; it cannot be earlier."
            )
    answers = ledger.told(one.id for one in ledger.events(refs=[told.said.id]))
    live = [one.header for one in answers.values() if not one.voided]
    first = min(live, key=lambda one: one["at"], default=None)
    if first and when > first["at"]:
        said = clock(first["at"], first["off"])
        raise Refused("time_after_answer", f"This was answered on {said}; it cannot be later.")


def _said_again(actor: Actor, key: str, told: ledger.Told, left: list[dict[str, Any]]) -> Act:
    """The same act by the same person at the same time, typed by whoever corrects it now."""
    said = told.header
    return Act(
        kind=said["kind"], at_ms=said["at"], by=said["by"], org=said["org"], id=key, off_min=said["off"],
        tz=said["tz"], unc_s=said["unc_s"], data=said["data"], lines=left, ref=said.get("ref"),
        rec_by=actor.code, rec_at=ms(timezone.now()),
    )  # fmt: skip
