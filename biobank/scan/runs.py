"""Receive and spin: tubes are collected scan by scan, and Done makes one event of them.

Promises: a tube counts once however often it is scanned; nothing is noted as missing that nobody was shown.
"""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from biobank.acting import ms
from biobank.bench import actions as bench
from biobank.bench.hands import on_the_bench
from biobank.bench.spinning import refuse_again, warnings
from biobank.core import acted, codes
from biobank.handoffs import actions as handoffs
from biobank.models import Tube
from biobank.scan.turn import BEWARE, Answer, Bag, Turn, no_such_step, not_here
from custody import queries as ledger
from custody.core.reconcile import reconcile
from custody.core.refusal import Refused
from custody.core.state import TubeState

# receive -----------------------------------------------------------------------------------------
# its bag: handoff, giver, tubes, damaged, warm, asked (what is missing was shown), seal, centi_c, note


def receive(turn: Turn) -> Answer:
    """Refused: tube_not_on_handoff, other_handoff, handoff_unknown."""
    if turn.read.kind == acted.PAPER:
        return _paper(turn)
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "each tube by itself; a count is of tubes")
    bag, code = turn.bag, turn.read.text
    if code in bag.get("tubes", []):
        return Answer(f"{codes.show(code)} was scanned before; it counts once.", BEWARE, code)
    state = ledger.state(code)
    if state is None or state.pending_to != turn.actor.org:
        raise Refused("tube_not_on_handoff", f"{codes.show(code)}: {_elsewhere(turn, state)}", code)
    handoff = str(state.pending_ref)
    if bag.get("handoff") not in {None, handoff}:
        raise Refused("other_handoff", f"{codes.show(code)} is on another handoff. End this one first.", code)
    count = len(bag.get("tubes", [])) + 1

    def change(bag: Bag) -> None:
        bag.update(handoff=handoff, giver=state.custodian, asked=False)
        bag["tubes"] = [*bag.get("tubes", []), code]

    return Answer(
        f"{codes.show(code)}, {state.label}. {count} counted.", tube=code, taken=code, change=change
    )


def _elsewhere(turn: Turn, state: TubeState | None) -> str:
    if state is None or state.status in {"unknown", "void"}:
        return "no label with this code was printed."
    if state.custodian == turn.actor.org:
        return "this tube is with your agency already."
    return "this tube is on no handoff to your agency. Set it aside."


def _paper(turn: Turn) -> Answer:
    said = handoffs.offered(turn.read.text)
    if said.header["data"]["to"] != turn.actor.org:
        raise Refused("receiver_was_addressed", f"This handoff is addressed to {said.header['data']['to']}.")
    if turn.bag.get("tubes"):
        raise Refused("other_handoff", "Another handoff is being received. End that one first.")
    if not ledger.find(pending_ref=turn.read.text):
        raise Refused("handoff_answered_once", "This handoff was answered already.")
    giver = said.header["org"]
    change = {"handoff": turn.read.text, "giver": giver, "tubes": [], "asked": False}
    return Answer(f"The handoff of {giver}. Scan its tubes.", change=lambda bag: bag.update(change))


def receive_step(turn: Turn) -> Answer:
    """Done receives; what was not scanned is shown first, and missing only when Done is said once more."""
    if turn.read.text in {"damaged", "warm"}:
        return _odd(turn)
    if turn.read.text != "done":
        raise no_such_step(turn)
    bag = turn.bag
    if not bag.get("handoff"):
        raise Refused("no_tube", "Scan at least one tube.")
    missing = missing_of(bag)
    if missing and not bag.get("asked"):
        many = f"{len(missing)} tube{'s were' if len(missing) > 1 else ' was'}"
        sentence = f"{many} not scanned. Scan on; or Done once more, and they are noted as missing."
        return Answer(sentence, BEWARE, change=lambda bag: bag.update(asked=True))
    return _received(turn, len(missing))


def missing_of(bag: Bag) -> list[TubeState]:
    """Tubes of this handoff that are still open and were not scanned. 1 query."""
    open_ = {one.tube: one for one in ledger.find(pending_ref=bag["handoff"])}
    scans = bag.get("tubes", [])
    return [open_[tube] for tube in reconcile(open_, scans, len(scans)).missing]


def _received(turn: Turn, missing: int) -> Answer:
    bag = turn.bag
    results = {code: "ok" for code in bag.get("tubes", [])}
    results |= {code: word for word in ("warm", "damaged") for code in bag.get(word, [])}
    done = handoffs.receive(
        turn.actor, turn.key, bag["handoff"], results, counted=len(results),
        seal_intact=bag.get("seal_intact"), centi_c=bag.get("centi_c"), note=bag.get("note", ""),
    )  # fmt: skip
    rest = f", {missing} missing" if missing else ""
    word = BEWARE if missing else "ok"
    sentence = f"Received from {bag['giver']}: {len(results)}{rest}."
    return Answer(sentence, word, event=done.id, change=lambda bag: bag.clear())


def _odd(turn: Turn) -> Answer:
    word, tubes = turn.read.text, turn.bag.get("tubes", [])
    if not tubes:
        raise Refused("no_tube", "Scan the tube first, then this card.")
    code = tubes[-1]

    def change(bag: Bag) -> None:
        bag[word] = [*bag.get(word, []), code]

    caution = " Gloves, eye protection, your site's spill rule." if word == "damaged" else ""
    return Answer(f"{codes.show(code)} is noted as {word}.{caution}", BEWARE, code, change=change)


def receive_back(bag: Bag, code: str) -> None:
    for name in ("tubes", "damaged", "warm"):
        bag[name] = [one for one in bag.get(name, []) if one != code]
    if not bag["tubes"]:
        bag.clear()


# spin --------------------------------------------------------------------------------------------
# its bag: tubes (t, label, g, minutes of the plan), and the run: g, minutes, centi_c, rpm, radius_mm, brake


def spin(turn: Turn) -> Answer:
    """Refused: as `on_the_bench`, gel_spun_before. A tube twice in one run is said and counts once."""
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "the tubes of this run")
    code, tubes = turn.read.text, turn.bag.get("tubes", [])
    if any(one["t"] == code for one in tubes):
        return Answer(f"{codes.show(code)} is in this run already; it counts once.", BEWARE, code)
    state = on_the_bench(turn.actor, [code])[code]
    refuse_again([code], "")
    row = Tube.objects.select_related("planned").filter(code=code).first()
    planned = row.planned if row and not row.parent_hint else None
    plan = {"g": planned.spin_g, "minutes": planned.spin_minutes} if planned else {}
    one = {"t": code, "label": state.label, **plan}

    def change(bag: Bag) -> None:
        bag["tubes"] = [*bag.get("tubes", []), one]
        for name, value in plan.items():
            if value and not bag.get(name):
                bag[name] = value

    sentence = f"{codes.show(code)}, {state.label}. {len(tubes) + 1} in the run."
    if other := _other_plan(turn.bag, plan):
        return Answer(f"{sentence} {other}", BEWARE, code, taken=code, change=change)
    return Answer(sentence, tube=code, taken=code, change=change)


def _other_plan(bag: Bag, plan: dict[str, int | None]) -> str:
    """What to say when this tube is planned to be spun otherwise than the run."""
    for name, unit in (("g", "× g"), ("minutes", "min")):
        if bag.get(name) and plan.get(name) and bag[name] != plan[name]:
            return f"Its plan says {plan[name]} {unit}, the run {bag[name]} {unit}."
    return ""


def spin_step(turn: Turn) -> Answer:
    """Done: one `spun` event for the run. Refused: as `bench.spin`."""
    if turn.read.text != "done":
        raise no_such_step(turn)
    bag = turn.bag
    tubes = [one["t"] for one in bag.get("tubes", [])]
    if not tubes:
        raise Refused("no_tube", "Scan at least one tube.")
    said: dict[str, Any] = {name: bag.get(name) for name in ("g", "rpm", "radius_mm", "centi_c", "brake")}
    minutes = bag.get("minutes") or 0
    event = bench.spin(turn.actor, turn.key, tubes, minutes=minutes, **said)
    written = ledger.event(event)
    force = written.header["data"]["g"] if written else 0
    notes = warnings(tubes, force, minutes, ms(timezone.now()))
    sentence = f"Spun: {len(tubes)} tubes, {force} × g, {minutes} min. Next: aliquot."
    word = BEWARE if notes else "ok"
    return Answer(" ".join([sentence, *notes]), word, event=event, change=lambda bag: bag.clear())


def spin_back(bag: Bag, code: str) -> None:
    bag["tubes"] = [one for one in bag.get("tubes", []) if one["t"] != code]
    if not bag["tubes"]:
        bag.clear()
