"""Look up, and collecting what shall be discarded: nothing is written to the ledger here."""

from __future__ import annotations

from urllib.parse import urlencode

from django.http import Http404
from django.urls import reverse

from biobank.access import tube_or_404
from biobank.bench.hands import in_hand
from biobank.core import acted, codes
from biobank.models import TubeSet, Unit
from biobank.scan.turn import UNIT, Answer, Bag, Turn, no_such_step, not_here
from biobank.store.classes import path_of
from biobank.store.queries import slot_name, unit_by_code
from biobank.templatetags.words import matrix_words, plain, volume
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState


def look_up(turn: Turn) -> Answer:
    """What it is, who holds it, where it is. Refused: tube_unknown, set_unknown."""
    if turn.read.kind == UNIT and turn.read.unit:
        return _unit(turn.read.unit)
    if turn.read.kind == acted.BAG:
        return _set(turn)
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "a tube, the label of a bag, or a place")
    try:
        row = tube_or_404(turn.actor.person, turn.read.text)
    except Http404 as no:
        sentence = f"No label with the code {codes.show(turn.read.text)} was printed here."
        raise Refused("tube_unknown", sentence, turn.read.text) from no
    return Answer(_where(row.code, ledger.state(row.code), row.label), tube=row.code)


def _where(code: str, state: TubeState | None, label: str) -> str:
    if state is None:
        return f"{codes.show(code)}, {label}: the ledger has nothing about it."
    what = f"{codes.show(code)}, {state.label or label}, {matrix_words(state.matrix)}"
    much = f", {volume(state.volume_ul)}" if state.volume_ul is not None else ""
    held = f", with {state.custodian}" if state.custodian else ""
    unit = unit_by_code(state.unit) if state.unit else None
    slot = slot_name(unit.grid if unit and unit.kind == "box" else None, state)
    place = f", {state.unit} {slot}".rstrip() if state.unit else ""
    return f"{what}{much}. {plain(state.status).capitalize()}{held}{place}."


def _unit(unit: Unit) -> Answer:
    inside = ledger.contents([unit.code]).get(unit.code, 0)
    way = " in ".join(one.code for one in path_of(unit.code)[1:])
    stands = f" in {way}" if way else ", which stands in nothing"
    if unit.kind != "box":
        return Answer(f"{unit.code}, {unit.name}, {unit.kind}{stands}. {inside} tubes stand in it itself.")
    slots = (unit.rows or 0) * (unit.cols or 0)
    return Answer(f"{unit.code}, {unit.name}{stands}. {inside} of {slots} slots are taken.")


def _set(turn: Turn) -> Answer:
    joined = TubeSet.objects.select_related("plan", "workup")
    found = joined.filter(code=turn.read.text, plan__programme=turn.actor.person.programme_id).first()
    if found is None:
        raise Refused("set_unknown", f"No set {turn.read.text} was printed here.")
    bound = f"bound to {found.workup.code}" if found.workup else "bound to no workup"
    return Answer(f"Set {found.code}, {found.plan.code}, {found.tubes.count()} tubes, {bound}.")


# discard: its bag has tubes ------------------------------------------------------------------------


def discard(turn: Turn) -> Answer:
    """Collects; the page of discarding asks for the rest. Refused: as `in_hand`, tube_reserved."""
    if turn.read.kind != acted.TUBE:
        raise not_here(turn, "the tubes that shall be discarded")
    code, tubes = turn.read.text, turn.bag.get("tubes", [])
    if code in tubes:
        return Answer(f"{codes.show(code)} is on the list already.", "beware", code)
    state = in_hand(turn.actor, [code])[code]
    if state.reserved:
        sentence = f"{codes.show(code)}: this tube is kept in reserve. Release it first."
        raise Refused("tube_reserved", sentence, code)

    def change(bag: Bag) -> None:
        bag["tubes"] = [*bag.get("tubes", []), code]

    sentence = f"{codes.show(code)}, {state.label}. {len(tubes) + 1} on the list; nothing is discarded yet."
    return Answer(sentence, tube=code, taken=code, change=change)


def discard_step(turn: Turn) -> Answer:
    if turn.read.text != "done":
        raise no_such_step(turn)
    tubes = turn.bag.get("tubes", [])
    if not tubes:
        raise Refused("no_tube", "Scan at least one tube.")
    to = reverse("discard") + "?" + urlencode([("tube", code) for code in tubes])
    return Answer(f"{len(tubes)} to discard: say why and how.", go=to, change=lambda bag: bag.clear())


def discard_back(bag: Bag, code: str) -> None:
    bag["tubes"] = [one for one in bag.get("tubes", []) if one != code]
