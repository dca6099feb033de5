"""Put away and pull, scan by scan: each tube is one event at once.

Promises: a tube goes nowhere that was not scanned or confirmed: a proposed place is shown, and taken only by
scanning the box or a slot of it, or by Done. What the store refuses is refused here with the same code.
"""

from __future__ import annotations

from dataclasses import replace

from biobank.bench.hands import in_hand
from biobank.checks import gate
from biobank.core import acted, codes
from biobank.disposal import returned
from biobank.models import Unit
from biobank.scan.turn import BEWARE, UNIT, Answer, Bag, Change, Turn, no_such_step, not_here
from biobank.store import actions, suggest
from biobank.store.queries import LOOSE, slot_name, unit_by_code
from custody import queries as ledger
from custody.core.refusal import Refused

# put away ----------------------------------------------------------------------------------------
# its bag: box (in force), each (a tube, then its slot), slot (for the next tube), tube (waits for its
# place), hint (the box proposed for it)


def put_away(turn: Turn) -> Answer:
    """Refused: tube_waits, scan_box_first, and as `store.put_away`."""
    if turn.read.kind == UNIT:
        return _box(turn)
    if turn.read.kind == acted.SLOT:
        return _slot(turn)
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "a tube, a box, or a slot of the box")
    return _tube(turn)


def _box(turn: Turn) -> Answer:
    unit = turn.read.unit
    assert unit is not None  # else it would be no unit
    if unit.kind != "box" and unit.kind not in LOOSE:
        sentence = f"{unit.code} is a {unit.kind}, not a box. Scan the box that the tubes go into."
        raise Refused("not_a_box", sentence)
    if waits := turn.bag.get("tube"):
        return _put(turn, waits, unit, turn.bag.get("slot", ""))

    def change(bag: Bag) -> None:
        bag["box"] = unit.code
        bag.pop("slot", None)

    return Answer(f"{unit.code}, {unit.name}. Scan the tubes that go into it.", change=change)


def _slot(turn: Turn) -> Answer:
    unit = _at_hand(turn)
    if waits := turn.bag.get("tube"):
        return _put(turn, waits, unit, turn.read.text)
    slot = unit.grid.parse(turn.read.text)
    taken = {(state.row, state.col): state.tube for state in ledger.find(unit=unit.code, row__isnull=False)}
    if slot in taken:
        raise Refused("slot_taken", actions.taken_sentence(unit, unit.grid, slot, taken))
    name = unit.grid.name(*slot)
    return Answer(f"{name} of {unit.code}. Scan the tube that goes there.", change=_with(slot=name))


def _at_hand(turn: Turn) -> Unit:
    """The box in force, or the one that is proposed for the tube that waits."""
    code = turn.bag.get("box") or turn.bag.get("hint")
    if not code:
        raise Refused("scan_box_first", "A slot of which box? Scan the box first.")
    unit = actions.known_unit(code)
    if unit.kind != "box":
        raise Refused("not_a_box", f"{unit.code} is a {unit.kind} and has no slots. Scan a tube.")
    return unit


def _tube(turn: Turn) -> Answer:
    bag, code = turn.bag, turn.read.text
    waits, box = bag.get("tube"), bag.get("box")
    if waits and waits != code:
        waiting = f"{codes.show(waits)} still waits for its place. Scan its box or slot, or Undo."
        raise Refused("tube_waits", waiting, waits)
    if box and (not bag.get("each") or bag.get("slot")):
        return _put(turn, code, None, bag.get("slot", ""))
    state = in_hand(turn.actor, [code])[code]
    if state.status == "stored":
        where = f"{codes.show(code)}: this tube is in {state.unit} already; move it instead."
        raise Refused("tube_already_stored", where, code)
    if box:
        sentence = f"{codes.show(code)}, {state.label}. Scan its slot in {box}."
        return Answer(sentence, tube=code, taken=code, change=_with(tube=code))
    return _proposed(turn, code)


def _proposed(turn: Turn, code: str) -> Answer:
    advice = suggest.advise([code], turn.actor.org)
    best = advice.proposals[0] if advice.proposals else None
    if best is None:
        why = f"no box for {advice.no_room[0][1]} has room" if advice.no_room else "no plan says how cold"
        sentence = f"{codes.show(code)}: {why}. Scan the box that it goes into."
        return Answer(sentence, BEWARE, code, taken=code, change=_with(tube=code, hint=""))
    sentence = f"{codes.show(code)}: {best.box}, next free {best.slot}. Scan the box, a slot of it, or Done."
    return Answer(sentence, tube=code, taken=code, change=_with(tube=code, hint=best.box))


def _put(turn: Turn, code: str, unit: Unit | None, slot: str) -> Answer:
    into = unit.code if unit else turn.bag["box"]
    event = actions.put_away(turn.actor, turn.key, [code], into, slot, why=turn.why)
    state = ledger.state(code)
    place = unit or unit_by_code(into)
    grid = place.grid if place and place.kind == "box" else None
    where = f"{into} {slot_name(grid, state) if state else ''}".strip()
    late = _late(turn, code, event)

    def change(bag: Bag) -> None:
        bag["box"] = into
        for name in ("tube", "slot", "hint"):
            bag.pop(name, None)

    answer = Answer(f"{codes.show(code)} is in {where}.", tube=code, event=event, change=change)
    return _asking(answer, late) if late else answer


def _late(turn: Turn, code: str, event: str) -> returned.Question | None:
    """The question about a tube that came back; one that stood nowhere before cannot have come back."""
    if len(ledger.stays(code)) < 2:
        return None
    return returned.question(event, turn.actor.org, turn.actor.person.programme)


def _asking(answer: Answer, late: returned.Question) -> Answer:
    """It is put away, and was out of the cold for too long before."""
    one = late.late[0]
    long = (
        f"It was out for {one.minutes} min, {one.limit.minutes} min allowed. Say whether a thaw is counted."
    )
    return replace(answer, sentence=f"{answer.sentence} {long}", word=BEWARE, asks=late.id)


def _with(**values: str) -> Change:
    return lambda bag: bag.update(values)


def put_away_step(turn: Turn) -> Answer:
    """Done takes the proposed box, or closes the box in force; Next free and Slots say how tubes go in."""
    if turn.read.text in {"slots", "next"}:
        each = turn.read.text == "slots"
        sentence = "Each tube, then its slot." if each else "Tubes go into the next free slots."
        return Answer(sentence, change=lambda bag: bag.update(each=each))
    if turn.read.text != "done":
        raise no_such_step(turn)
    if waits := turn.bag.get("tube"):
        hint = turn.bag.get("hint") or turn.bag.get("box")
        if not hint:
            raise Refused("scan_box_first", "No place is proposed. Scan the box that the tube goes into.")
        return _put(turn, waits, actions.known_unit(hint), "")
    if box := turn.bag.get("box"):
        return Answer(f"{box} is done with. Scan the next tube or box.", change=lambda bag: bag.clear())
    raise Refused("nothing_to_end", "Nothing is open here. Scan a tube or a box.")


def put_away_back(bag: Bag, code: str) -> None:
    if bag.get("tube") == code:
        bag.pop("tube", None)
        bag.pop("hint", None)


# pull --------------------------------------------------------------------------------------------
# its bag: why, and the assay when that is what for


def pull(turn: Turn) -> Answer:
    """First what for, in any words; then each tube is one event. The code or the name of an assay, typed by
    itself, means that analysis, and then each tube must pass the gate.

    Refused: reason_first, as `store.pull`.
    """
    why, assay = turn.bag.get("why"), turn.bag.get("assay", "")
    if turn.read.kind == acted.TUBE and why:
        state = ledger.state(turn.read.text)
        event = actions.pull(turn.actor, turn.key, [turn.read.text], why, assay=assay)
        was = f" from {state.unit}" if state and state.unit else ""
        return Answer(f"{codes.show(turn.read.text)} is out{was}: {why}.", tube=turn.read.text, event=event)
    if turn.read.kind == acted.TUBE:
        raise Refused("reason_first", "Say what the tubes are pulled for: type it here, then scan them.")
    if why or turn.read.kind not in {acted.OTHER, acted.SLOT}:
        raise not_here(turn, "a tube" if why else "or type what the tubes are pulled for")
    return _pulled_for(turn.read.raw.strip())


def _pulled_for(said: str) -> Answer:
    if named := gate.meant(said):
        bag = {"why": f"for {named.name}", "assay": named.code}
        sentence = f"Pulled for {named.name}: each tube is checked for it. Scan the tubes."
        return Answer(sentence, change=lambda old: old.update(bag))
    return Answer(f"Pulled for: {said}. Scan the tubes.", change=lambda bag: bag.update(why=said))


def pull_step(turn: Turn) -> Answer:
    if turn.read.text != "done" or not turn.bag.get("why"):
        raise no_such_step(turn)
    return Answer("Done pulling.", change=lambda bag: bag.clear())
