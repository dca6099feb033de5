"""Tubes in the hands of whoever acts: what bench and store ask before they write, and the writing.

Promises: two queries for any number of tubes; a refusal about one tube of many names that tube; the same
form sent again is answered with the event that it made the first time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from biobank.acting import Actor, perform
from biobank.core import codes
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState
from custody.record import known


def repeated(actor: Actor, key: str, kind: str) -> bool:
    """Whether this form was sent before. Refused when its key belongs to something else.

    Asked before anything else: after the first time the tubes are no longer as the form expects them.
    """
    if not known(key):
        return False
    event = ledger.event(key)
    header = event.header if event else {}
    if (header.get("kind"), header.get("by")) != (kind, actor.code):
        raise Refused("key_reused", "This form was sent before with other content. Open the page again.")
    return True


def in_hand(actor: Actor, tubes: Sequence[str]) -> dict[str, TubeState]:
    """The states of tubes that hold something and are with this agency; Refused for the first that is not."""
    if not tubes:
        raise Refused("no_tube", "Scan at least one tube.")
    found = ledger.states(tubes)
    for code in tubes:
        if wrong := not_in_hand(actor, found.get(code)):
            raise Refused(wrong[0], f"{codes.show(code)}: {wrong[1]}", code)
    return {code: found[code] for code in tubes}


def not_in_hand(actor: Actor, state: TubeState | None) -> tuple[str, str] | None:
    """Why this tube cannot be worked with by this agency, if so."""
    if state is None or state.status in {"unknown", "void"}:
        return "tube_unknown", "No label with this code was printed."
    if state.status == "discarded":
        return "nothing_after_discard", "This tube was discarded; nothing can happen to it after that."
    if state.status == "not_collected":
        return "not_collected", "This tube was noted as not collected; there is nothing in it."
    if state.status == "labelled":
        return "tube_not_drawn", "This tube has not been drawn; there is nothing in it yet."
    return elsewhere(actor, state)


def elsewhere(actor: Actor, state: TubeState) -> tuple[str, str] | None:
    """Why this tube is not with this agency, if so: on its way, missed on arrival, or held by others."""
    if state.status == "in_transit" and state.disputes:
        return "tube_missing", f"{state.pending_to} did not find this tube on arrival. Settle that first."
    if state.status == "in_transit":
        return (
            "not_the_custodian",
            f"This tube is on its way to {state.pending_to}. It must be received first.",
        )
    if state.custodian != actor.org:
        return "not_the_custodian", f"{state.custodian} holds this tube, not {actor.org}. Receive it first."
    return None


def on_the_bench(actor: Actor, tubes: Sequence[str]) -> dict[str, TubeState]:
    """As `in_hand`, and taken out of storage: else its history would say it lay in the cold all the while."""
    found = in_hand(actor, tubes)
    for code, state in found.items():
        if state.status == "stored":
            raise Refused(
                "still_stored", f"{codes.show(code)}: this tube is in {state.unit}. Pull it first.", code
            )
    return found


def write(
    actor: Actor,
    kind: str,
    key: str,
    at: datetime | None,
    lines: Sequence[dict[str, Any]],
    data: dict[str, Any] | None = None,
    **more: Any,
) -> str:
    """One event; its id. Fields without a value are left out."""
    try:
        done = perform(
            actor, kind, key=key, at=at, data=said(data or {}), lines=[said(one) for one in lines], **more
        )
    except Refused as no:
        raise named(no) from no
    return done.id


def said(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not None and value != ""}


def named(no: Refused) -> Refused:
    """The same refusal, saying which tube it is about."""
    if no.tube is None or len(no.tube) != 9 or codes.show(no.tube) in no.sentence:
        return no
    return Refused(no.code, f"{codes.show(no.tube)}: {no.sentence}", no.tube)
