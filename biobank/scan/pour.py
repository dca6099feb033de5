"""Aliquot: the parent, then its vials in the order of the rack; Done makes one event.

Promises: only the vial that is expected next is taken. Any other one, though it be a sibling, is refused and
nothing of it is kept, so that a label order that has slipped by one is heard at the first vial.
"""

from __future__ import annotations

from typing import Any

from biobank.acting import Actor
from biobank.bench import actions, proposal
from biobank.bench.queries import is_aliquot_label
from biobank.core import acted, codes
from biobank.models import Tube
from biobank.scan.turn import BEWARE, Answer, Bag, Turn, no_such_step, not_here
from custody.core.refusal import Refused

# its bag: parent, label, plan (t, label, ul, in rack order), dropped (t, label, why), made (codes, in the
# order in which they were filled), skipped (codes), loss_ul


def aliquot(turn: Turn) -> Answer:
    """Refused: as `bench.propose`, parent_first, no_label_left, aliquot_out_of_order, aliquot_falls_away,
    label_of_another_tube, aliquots_not_ended."""
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "the tube to aliquot, then its vials")
    return _vial(turn) if turn.bag.get("parent") else _open(turn)


def _open(turn: Turn) -> Answer:
    code = turn.read.text
    label = Tube.objects.filter(code=code).first()
    if label and label.parent_hint and is_aliquot_label(code):
        first = f"This is a vial for {codes.show(label.parent_hint)}. Scan that tube first."
        raise Refused("parent_first", first, code)
    found = proposal.propose(turn.actor, code)
    if not found.lines:
        raise Refused("no_label_left", f"{codes.show(code)}: no vial of it can be filled.", code)
    bag: Bag = {"parent": code, "label": found.parent.label, "made": [], "skipped": []} | _shared(found)
    sentence = (
        f"{codes.show(code)}, {found.parent.label}: {len(found.lines)} vials. First {_said(bag['plan'][0])}."
    )
    word = BEWARE if found.warnings else "ok"
    sentence = " ".join([sentence, *found.warnings])
    return Answer(sentence, word, code, taken=code, change=lambda old: old.update(bag))


def _shared(found: proposal.Proposal) -> Bag:
    """What the proposal says of each vial, in rack order."""
    return {
        "plan": [{"t": one.code, "label": one.label, "ul": one.ul} for one in found.lines],
        "dropped": [{"t": one.code, "label": one.label, "why": one.why} for one in found.dropped],
        "warnings": list(found.warnings),
    }


def measured(actor: Actor, bag: Bag, recovered_ul: int | None) -> Bag:
    """What changes when so much was measured: the vials are shared out anew, unless one is filled already."""
    if not bag.get("parent") or bag["made"] or recovered_ul == bag.get("recovered_ul"):
        return {}
    return _shared(proposal.propose(actor, bag["parent"], recovered_ul))


def _said(vial: dict[str, Any]) -> str:
    return f"{codes.show(vial['t'])}, {vial['label']}"


def expected(bag: Bag) -> dict[str, Any] | None:
    """The vial that comes next in the rack; None when all are scanned or skipped."""
    past = {*bag.get("made", []), *bag.get("skipped", [])}
    return next((one for one in bag.get("plan", []) if one["t"] not in past), None)


def _vial(turn: Turn) -> Answer:
    bag, code = turn.bag, turn.read.text
    vial = expected(bag)
    if code in bag["made"]:
        return Answer(f"{codes.show(code)} was scanned before; it counts once.", BEWARE, code)
    if vial is None or vial["t"] != code:
        raise _wrong(bag, code, vial)

    def change(bag: Bag) -> None:
        bag["made"] = [*bag["made"], code]

    after = expected({**bag, "made": [*bag["made"], code]})
    then = f"Next {_said(after)}." if after else "That was the last. Done?"
    return Answer(f"{_said(vial)}, {vial['ul']} µL. {then}", tube=code, taken=code, change=change)


def _wrong(bag: Bag, code: str, vial: dict[str, Any] | None) -> Refused:
    """Why this is not the vial that comes next."""
    shown = codes.show(code)
    if dropped := next((one for one in bag["dropped"] if one["t"] == code), None):
        return Refused("aliquot_falls_away", f"{shown} falls away: {dropped['why']}.", code)
    if code in {one["t"] for one in bag["plan"]}:
        wanted = f"Expected {_said(vial)}" if vial else "All vials are scanned"
        return Refused("aliquot_out_of_order", f"{wanted}; this is {shown}. Put it back in order.", code)
    if code == bag["parent"]:
        return Refused("aliquot_out_of_order", f"{shown} is the tube itself. Scan the next vial.", code)
    if is_aliquot_label(code):
        strange = f"{shown} is no vial of {codes.show(bag['parent'])}. Set it aside."
        return Refused("label_of_another_tube", strange, code)
    sentence = f"{codes.show(bag['parent'])} is still open. Done ends it, or Undo."
    return Refused("aliquots_not_ended", sentence, code)


def aliquot_step(turn: Turn) -> Answer:
    """Done: one `aliquoted` event; vials that were not scanned stay unused. Skip: this one was not filled."""
    bag, vial = turn.bag, expected(turn.bag)
    if not bag.get("parent"):
        raise Refused("nothing_to_end", "No tube is open here. Scan the tube to aliquot.")
    if turn.read.text == "skip" and vial:
        skipped = vial["t"]
        after = expected({**bag, "skipped": [*bag["skipped"], skipped]})
        then = f"Next {_said(after)}." if after else "That was the last. Done?"

        def change(bag: Bag) -> None:
            bag["skipped"] = [*bag["skipped"], skipped]

        return Answer(f"{_said(vial)} is skipped. {then}", BEWARE, skipped, change=change)
    if turn.read.text != "done":
        raise no_such_step(turn)
    return _poured(turn)


def _poured(turn: Turn) -> Answer:
    bag = turn.bag
    ul = {one["t"]: one["ul"] for one in bag["plan"]}
    children = [(code, ul[code]) for code in bag["made"]]
    event = actions.aliquot(
        turn.actor, turn.key, bag["parent"], children, loss_ul=bag.get("loss_ul"),
        recovered_ul=bag.get("recovered_ul"),
    )  # fmt: skip
    sentence = f"{codes.show(bag['parent'])}: {len(children)} aliquots. Next: put them away."
    return Answer(sentence, tube=bag["parent"], event=event, change=lambda bag: bag.clear())


def aliquot_back(bag: Bag, code: str) -> None:
    """Takes back this vial and those scanned after it; with the parent, all."""
    if code == bag.get("parent"):
        bag.clear()
    elif code in bag.get("made", []):
        bag["made"] = bag["made"][: bag["made"].index(code)]
