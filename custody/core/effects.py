"""What each kind of event does to a tube.

Promises: pure steps. A step returns the new state and what was wrong with the act; a wrong act leaves
the state as it was, except where the physical truth must win (a volume stops at 0, a tube that somebody
else put away is where it was put).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from custody.core.state import FULL, Happening, TubeState, replace

Wrong = list[tuple[str, str]]
Step = Callable[[TubeState, Happening], tuple[TubeState, Wrong]]

OK: Wrong = []
GONE = {"unknown", "void", "discarded"}
IN_HAND = {"ok", "damaged", "warm"}  # the receiver has the tube, however it looks


def clock(at_ms: int, off_min: int) -> str:
    """A moment as people said it: local day and time of that event."""
    return (datetime.fromtimestamp(at_ms / 1000, UTC) + timedelta(minutes=off_min)).strftime("%d %b %Y %H:%M")


def _no(state: TubeState, code: str, sentence: str) -> tuple[TubeState, Wrong]:
    return state, [(code, sentence)]


def absent(state: TubeState) -> Wrong:
    """Why a tube cannot take part in any act, if so."""
    match state.status:
        case "unknown":
            return [("tube_unknown", "No label with this code was printed by then.")]
        case "void":
            return [("tube_void", "The label of this tube was voided.")]
        case "discarded":
            return [
                ("nothing_after_discard", "This tube was discarded; nothing can happen to it after that.")
            ]
    return OK


def empty(state: TubeState) -> Wrong:
    """Why an act on the content cannot be, if so."""
    if wrong := absent(state):
        return wrong
    if state.status == "not_collected":
        return [("not_collected", "This tube was noted as not collected; there is nothing in it.")]
    if state.status == "labelled":
        return [("tube_not_drawn", "This tube has not been drawn; there is nothing in it yet.")]
    return OK


def on_content(step: Step) -> Step:
    """The step, for a tube that holds something."""

    def guarded(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
        return step(state, said) if state.status in FULL else (state, empty(state))

    return guarded


def on_label(step: Step) -> Step:
    """The step, for a tube that exists, empty or not."""

    def guarded(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
        return (state, absent(state)) if state.status in GONE else step(state, said)

    return guarded


def foreign(state: TubeState, said: Happening) -> Wrong:
    if state.custodian == said.org:
        return OK
    return [("not_the_custodian", f"{state.custodian} holds this tube, not {said.org}. Receive it first.")]


def nothing(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return state, OK


def printed(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if said.line["role"] == "copy":
        return on_label(lambda s, _: (replace(s, copies=s.copies + 1), OK))(state, said)
    if state.status not in {"unknown", "void"}:
        return _no(state, "label_once", "A label with this code was printed before.")
    described: dict[str, Any] = {
        name: said.line.get(name) or "" for name in ("label", "matrix", "additive", "container")
    }
    return replace(state, status="labelled", custodian=said.org, by=said.by, **described), OK


@on_label
def bound(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    workup = str(said.data["workup"])
    if state.workup not in (None, workup):
        return _no(state, "bound_once", f"This tube is bound to {state.workup} already.")
    return replace(state, workup=workup), OK


@on_label
def drawn(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.status == "not_collected":
        return _no(state, "not_collected", "This tube was noted as not collected. Void that note first.")
    if state.status != "labelled":
        when = f" on {clock(state.drawn_ms, said.off_min)}" if state.drawn_ms is not None else ""
        return _no(state, "drawn_twice", f"This tube was drawn{when} already.")
    return replace(
        state, status="held", custodian=said.org, by=said.by, drawn_ms=said.at_ms,
        workup=said.data.get("workup") or state.workup, volume_ul=said.line.get("ul"),
    ), OK  # fmt: skip


@on_label
def not_collected(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.status == "not_collected":
        return state, OK
    if state.status != "labelled":
        return _no(state, "already_drawn", "This tube was drawn; it cannot be noted as not collected.")
    return replace(state, status="not_collected", by=said.by), OK


@on_content
def handled(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    """Something was done to the tube by whoever holds it (spun, graded)."""
    return replace(state, by=said.by), foreign(state, said)


def aliquoted(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return (taken_from if said.line["role"] == "from" else made)(state, said)


@on_content
def taken_from(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.volume_ul is None:
        return replace(state, by=said.by), foreign(state, said)
    left = state.volume_ul - said.line["ul"]
    if left < 0:
        return replace(state, volume_ul=0, by=said.by), [
            ("volume_not_negative", f"Only {state.volume_ul / 1000:g} mL are left in this tube, "
                                    f"{said.line['ul'] / 1000:g} mL cannot be taken.")
        ]  # fmt: skip
    return replace(state, volume_ul=left, by=said.by), foreign(state, said)


def made(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.status not in {"unknown", "labelled"}:
        wrong = absent(state) or [("child_already_made", "This tube holds something already.")]
        return state, wrong
    line = said.line
    described: dict[str, Any] = {
        name: line.get(name) or getattr(state, name) for name in ("label", "matrix", "additive", "container")
    }
    return replace(
        state, status="held", custodian=said.org, by=said.by, parent=line["of"], volume_ul=line["ul"],
        **described,
    ), OK  # fmt: skip


@on_content
def handed_off(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.custodian != said.org:
        return _no(
            state, "giver_was_custodian", f"{state.custodian} holds this tube; {said.org} cannot hand it off."
        )
    if state.pending_to:
        return _no(state, "handed_off_twice", f"This tube is on its way to {state.pending_to} already.")
    return replace(
        _travelling(state), status="in_transit", pending_to=said.data["to"], pending_ref=said.id, by=said.by
    ), OK  # fmt: skip


@on_content
def received(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    result = said.line["result"]
    if state.pending_ref is None or state.pending_ref != said.ref:
        return _unexpected(state, said)
    if state.pending_to != said.org:
        return _no(
            state, "receiver_was_addressed", f"This tube was sent to {state.pending_to}, not {said.org}."
        )
    trouble = 0 if result == "ok" else 1
    if result not in IN_HAND:
        return replace(state, disputes=state.disputes + trouble), OK
    return replace(
        _out(state), status="held", custodian=said.org, by=said.by, pending_to=None, pending_ref=None,
        disputes=max(0, state.disputes - _was_missing(state)) + trouble, seen_ms=said.at_ms,
    ), OK  # fmt: skip


def _was_missing(state: TubeState) -> int:
    """A tube that was answered as missing and comes after all settles its own dispute."""
    return 1 if state.status == "in_transit" and state.disputes else 0


def _unexpected(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if said.line["result"] == "extra":
        return replace(state, disputes=state.disputes + 1), OK
    if state.custodian == said.org:
        return _no(state, "handoff_answered_once", f"{said.org} has received this tube already.")
    return _no(state, "receiver_was_addressed", "This tube is not on that handoff.")


@on_content
def returned(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    """Refused by the receiver or withdrawn by the giver: it stays with the giver."""
    if state.pending_ref is None or state.pending_ref != said.ref:
        return _no(state, "handoff_answered_once", "That handoff was answered already.")
    if said.kind == "refused" and said.org != state.pending_to:
        return _no(
            state, "receiver_was_addressed", f"This tube was sent to {state.pending_to}, not {said.org}."
        )
    if said.kind == "withdrawn" and said.org != state.custodian:
        return _no(state, "giver_was_custodian", f"{state.custodian} handed this tube off, not {said.org}.")
    back = "stored" if state.unit else "held"
    return replace(state, status=back, pending_to=None, pending_ref=None, by=said.by), OK


@on_content
def put_away(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.status == "stored":
        return _no(state, "tube_already_stored", f"This tube is in {state.unit} already; move it instead.")
    return _placed(state, said)


@on_content
def moved(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return _placed(state, said)


def _placed(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    line = said.line
    if not _is_slot(line.get("row"), line.get("col")):
        return _no(state, "slot_unknown", "A slot is a row and a column, both counted from 1.")
    if state.status == "in_transit":
        return _no(
            state, "not_the_custodian", f"This tube is on its way to {state.pending_to}. Receive it first."
        )
    return replace(
        state, status="stored", unit=line["unit"], row=line.get("row"), col=line.get("col"), by=said.by,
        seen_ms=said.at_ms,
    ), foreign(state, said)  # fmt: skip


def _is_slot(row: int | None, col: int | None) -> bool:
    return row is col is None or (row is not None and col is not None and row >= 1 and col >= 1)


@on_content
def pulled(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if state.status != "stored":
        return _no(state, "not_stored", "This tube is in no unit, so it cannot be pulled.")
    return replace(_out(state), status="held", by=said.by), foreign(state, said)


@on_content
def thawed(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return replace(state, thaws=state.thaws + 1, by=said.by), foreign(state, said)


@on_content
def counted(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return (replace(state, seen_ms=said.at_ms) if said.line["result"] == "seen" else state), OK


@on_label
def dispute_noted(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return replace(state, disputes=state.disputes + 1), OK


def dispute_resolved(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    if said.data.get("finding"):  # closes a finding; `fold` takes it from the list
        return state, OK
    if not state.disputes:
        return _no(state, "nothing_to_resolve", "There is no open discrepancy about this tube.")
    return replace(state, disputes=state.disputes - 1), OK


@on_label
def discarded(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    gone = replace(
        _out(state), status="discarded", custodian=None, pending_to=None, pending_ref=None, by=said.by
    )
    return gone, foreign(state, said)


@on_content
def reserved(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return replace(state, reserved=True), OK


@on_content
def released(state: TubeState, said: Happening) -> tuple[TubeState, Wrong]:
    return replace(state, reserved=False), OK


def _travelling(state: TubeState) -> TubeState:
    """A slot of a box is given up at a handoff; a cooler or shipper goes along, so the tube stays in it."""
    return state if state.row is None else _out(state)


def _out(state: TubeState) -> TubeState:
    return replace(state, unit=None, row=None, col=None, contested=False)
