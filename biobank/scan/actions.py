"""What is done with a scan: the mode answers it, the pass remembers it.

Promises: the same form again, and a scanner that sends a code twice within a second, is one act. Everything
that is written to the ledger is written by the actions of other rooms; of our own there is one thing: that a
label could not be read and a tube was told by eye. A refusal is on the list, and nothing is collected.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from functools import partial
from typing import Any

from biobank.acting import Actor, perform
from biobank.amend import actions as amend
from biobank.core import acted, codes
from biobank.scan import away, look, passes, pour, queries, runs
from biobank.scan.reading import read
from biobank.scan.turn import BEWARE, NO, Answer, Bag, Mode, Read, Turn
from custody.core.event import derived_id
from custody.core.refusal import Refused

TWICE_MS = 1_000
MODES: dict[str, tuple[Mode, Mode]] = {
    "receive": (runs.receive, runs.receive_step),
    "spin": (runs.spin, runs.spin_step),
    "aliquot": (pour.aliquot, pour.aliquot_step),
    "put-away": (away.put_away, away.put_away_step),
    "pull": (away.pull, away.pull_step),
    "look-up": (look.look_up, lambda turn: _nothing_to_end(turn)),
    "discard": (look.discard, look.discard_step),
}
BACK: dict[str, Callable[[Bag, str], None]] = {
    "receive": runs.receive_back, "spin": runs.spin_back, "aliquot": pour.aliquot_back,
    "put-away": away.put_away_back, "discard": look.discard_back,
}  # fmt: skip
RESTORED = {"receive", "spin", "aliquot"}  # one act of many scans: its undo puts the scans back


def scan(actor: Actor, key: str, mode: str, text: str, why: str = "", pressed: bool = False) -> Answer:
    """Answers one scan. pressed: it was a button, which means it when it comes twice within a second.

    Refused: as the reading and the mode; the refusal is on the list too.
    """
    row = passes.of(actor.person)
    if passes.same(row, mode, key, text, 0 if pressed else TWICE_MS):
        return Answer("Read twice, counts once.")
    bag = row.held.get(mode, {})
    slots = mode == "put-away" and bool(bag.get("box") or bag.get("hint"))

    def do() -> Answer:
        found = read(text, slots)
        turn = Turn(actor, key, found, deepcopy(bag), why.strip())
        return _mended(found, _answered(row, mode, turn))

    return _remembered(actor, key, mode, text, bag, do)


def by_eye(actor: Actor, key: str, mode: str, tube: str, why: str) -> Answer:
    """A tube whose label cannot be read, told by eye among those that are expected here; why: what is wrong
    with the label. Noted in the ledger as a discrepancy, until the label is printed again.

    Refused: reason_required, tube_not_expected, and as `scan`.
    """
    row = passes.of(actor.person)
    if passes.same(row, mode, key, tube, TWICE_MS):
        return Answer("Read twice, counts once.")
    bag = row.held.get(mode, {})

    def do() -> Answer:
        if not why.strip():
            raise Refused("reason_required", "Say what is wrong with the label.")
        if tube not in {one.code for one in queries.expected(actor, mode, row)}:
            raise Refused("tube_not_expected", "This tube is not expected here. Scan or type its code.")
        found = Read(acted.TUBE, tube, tube)
        answer = _answered(row, mode, Turn(actor, key, found, deepcopy(bag)))
        data = {"code": "label_unreadable", "note": f"{why.strip()}; told by eye among those expected"}
        line = {"t": tube, "role": "subj"}
        perform(actor, "discrepancy_noted", key=derived_id(key, "eye"), data=data, lines=[line])
        return answer

    return _remembered(actor, key, mode, tube, bag, do)


def _remembered(actor: Actor, key: str, mode: str, text: str, bag: Bag, do: Callable[[], Answer]) -> Answer:
    """Does it, and keeps the answer and what it collects; a refusal is kept as well, and raised."""
    try:
        answer = do()
    except Refused as no:
        refused = Answer(no.sentence, NO, no.tube or "", code=no.code)
        passes.keep(actor, mode, passes.entry(mode, key, text, refused))
        raise
    before = bag if answer.event and mode in RESTORED else None
    said = passes.entry(mode, key, text, answer, before)
    passes.keep(actor, mode, said, answer.change, answer.mode)
    return answer


def _answered(row: Any, mode: str, turn: Turn) -> Answer:
    if turn.read.kind == acted.BADGE:
        return _badge(turn)
    if turn.read.kind != acted.ACTION:
        return MODES[mode][0](turn)
    if turn.read.text in acted.MODES:
        return Answer(f"{acted.MODES[turn.read.text]}.", mode=turn.read.text)
    if turn.read.text == "undo":
        return _undone(turn.actor, queries.newest_undoable(row))
    return MODES[mode][1](turn)


def _mended(found: Read, answer: Answer) -> Answer:
    if not found.mended:
        return answer
    sentence = f"{answer.sentence} The scanner types for another keyboard layout; set it right."
    return Answer(**{**answer.__dict__, "sentence": sentence, "word": BEWARE})


def _badge(turn: Turn) -> Answer:
    """A badge says who works here, and changes nothing: who acts is who is signed in."""
    me = turn.actor.person
    if turn.read.text.upper() != me.code.upper():
        sentence = f"{me.name} is signed in here. To work under another name, sign out first."
        raise Refused("badge_of_another", sentence)
    return Answer(f"{me.name} of {turn.actor.org} is signed in.")


def _nothing_to_end(turn: Turn) -> Answer:
    raise Refused("action_not_here", "This card does nothing in this mode.")


# undo -------------------------------------------------------------------------------------------


def undo(actor: Actor, key: str, mode: str, number: int) -> Answer:
    """Takes back one line of the list. Refused: nothing_to_undo, and as `amend.undo` (undo_too_late …)."""
    row = passes.of(actor.person)
    one = next((one for one in row.said if one["n"] == number), None)
    if one is not None and one.get("undone"):
        return Answer("Taken back before.")
    wanted = one if one and queries.undoable(row, one) else None
    return _remembered(actor, key, mode, f"undo {number}", {}, lambda: _undone(actor, wanted))


def _undone(actor: Actor, one: passes.Said | None) -> Answer:
    if one is None:
        raise Refused("nothing_to_undo", "There is nothing here that can be taken back.")
    if one["taken"]:
        passes.keep(actor, one["mode"], None, partial(_take_back, one["mode"], one["taken"]))
    else:
        amend.undo(actor, one["event"])
        passes.keep(actor, one["mode"], None, partial(_put_back, one.get("bag")))
    passes.strike(actor, one["n"])
    what = codes.show(one["tube"]) if one["tube"] else one["text"]
    return Answer(f"Taken back: {what}.", tube=one["tube"], mode=one["mode"])


def _take_back(mode: str, code: str, bag: Bag) -> None:
    BACK[mode](bag, code)


def _put_back(before: Bag | None, bag: Bag) -> None:
    if before and not bag:
        bag.update(before)


# what is typed beside the scans -----------------------------------------------------------------


def set_run(actor: Actor, mode: str, values: dict[str, Any]) -> None:
    """How the run was, how the container came, how much is in each vial; kept until Done says it.

    Refused: volume_not_positive.
    """
    volumes = {name[3:]: ul for name, ul in values.items() if name.startswith("ul_")}
    if any(ul is None or ul < 1 for ul in volumes.values()):
        raise Refused("volume_not_positive", "The volume of a vial must be more than nought.")

    rest = {name: value for name, value in values.items() if not name.startswith("ul_")}
    if mode == "aliquot":
        rest |= pour.measured(actor, passes.of(actor.person).held.get(mode, {}), rest["recovered_ul"])

    def change(bag: Bag) -> None:
        bag.update(rest)
        if "plan" not in rest:
            for vial in bag.get("plan", []):
                vial["ul"] = volumes.get(vial["t"], vial["ul"])

    passes.keep(actor, mode, None, change)


def clear(actor: Actor) -> None:
    passes.clear(actor)
