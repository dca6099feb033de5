"""What is done with a scan or a tap on the page of a workup, and the sentence that answers it.

Promises: a tube of this workup is filled now; a bag that is bound to nothing is bound to this workup;
anything else is refused with what it is and where it belongs. A form sent twice is one act.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlencode

from django.urls import reverse
from django.utils import timezone

from biobank.acting import Actor
from biobank.animals.actions import read_chip
from biobank.core import codes, scanned
from biobank.labels.actions import nominal_ul
from biobank.models import Person, Tube, TubeSet, Workup
from biobank.templatetags.words import local
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import Happening
from custody.record import known

from .actions import Filled, Missed, bind, draw
from .drawing import OTHER, REASONS

REASON_WORDS = {word: shown.lower() for word, shown in REASONS}


@dataclass(frozen=True)
class Sent:
    """One form of the page: its key, when it happened (None: now), a note, and whether the blood is drawn."""

    key: str
    at: datetime | None = None
    note: str = ""
    over_limit: bool = False


CHIP_SAID = {
    "identified": "The chip says who it is: {0}.",
    "same": "The chip agrees: {0}.",
    "added": "The chip is new; {0} bears it from today.",
    "unknown": "No animal bears this chip yet. Say which one it is.",
}


@dataclass(frozen=True)
class Answer:
    """What was done, what to beware of, and the page to go to (empty: stay)."""

    sentence: str
    warnings: Sequence[str] = ()
    to: str = ""


def scan(actor: Actor, workup: Workup, text: str, sent: Sent) -> Answer:
    """A tube is filled, a bag bound, a chip looked up.

    Refused: as `core.scanned.read`, `fill`, `sets.bind` and `animals.read_chip`.
    """
    said = scanned.read(text)
    if said.kind == scanned.CHIP:
        return chip(actor, workup, said.text, sent.note)
    if said.kind == scanned.BAG:
        return Answer(bind_bag(actor, workup, said.text, sent))
    return Answer(fill(actor, workup, [said.text], sent))


def chip(actor: Actor, workup: Workup, text: str, reason: str = "", as_read: bool = False) -> Answer:
    """Who bears this chip becomes known; a chip that nobody bears leads to the page where one says who."""
    read = read_chip(actor, workup, text, reason, as_read)
    to = ""
    if read.word == "unknown":
        to = reverse("workup_chip", args=[workup.code]) + "?" + urlencode({"chip": read.chip.text})
    return Answer(CHIP_SAID[read.word].format(read.animal), read.warnings, to)


def bind_bag(actor: Actor, workup: Workup, code: str, sent: Sent) -> str:
    """Refused: set_unknown, and as `sets.bind`. A bag that is bound here already is said to be."""
    found = TubeSet.objects.select_related("plan", "day", "workup").filter(code=code).first()
    if found is None or found.plan.programme_id != actor.person.programme_id:
        raise Refused("set_unknown", f"No set {code} was printed here.")
    if found.workup_id == workup.pk:
        return f"The set {code} is the one of this workup. Scan its tubes."
    bind(actor, sent.key, found, workup, at=sent.at, why=sent.note)
    return f"The set {code} is bound to {workup}. Scan its tubes."


def fill(actor: Actor, workup: Workup, named: Sequence[str], sent: Sent) -> str:
    """These tubes are full, now or at the time that was said.

    Refused: tube_unknown, tube_of_another_set, tube_is_for_aliquots, set_not_bound, drawn_twice,
    not_collected, nothing_said, and as `field.draw`.
    """
    if known(sent.key):
        return "Saved before."
    tubes = [of_this(actor, workup, code) for code in named]
    if not tubes:
        raise Refused("nothing_said", "No tube is ticked, or all of these are filled already.")
    when = sent.at or timezone.now()
    draw(
        actor, sent.key, workup.tube_set, [Filled(tube.code) for tube in tubes], at=when, note=sent.note,
        over_limit=sent.over_limit,
    )  # fmt: skip
    what = tubes[0].label if len(tubes) == 1 else f"{len(tubes)} tubes"
    return f"Filled: {what}, {hour(when, actor.tz)}."


def miss(actor: Actor, workup: Workup, named: Sequence[str], reason: str, sent: Sent) -> str:
    """These tubes stay empty. Refused: nothing_said, reason_required, set_not_bound, and as `field.draw`."""
    if known(sent.key):
        return "Saved before."
    if getattr(workup, "tube_set", None) is None:
        raise Refused("set_not_bound", "No set is bound to this workup yet. Scan the label of its bag.")
    if not named:
        raise Refused("nothing_said", "No tube is ticked, or none is left.")
    if not reason or (reason == OTHER and not sent.note.strip()):
        raise Refused("reason_required", "Say why they are not collected; “other” in the note.")
    said = [Missed(code, reason) for code in named]
    draw(actor, sent.key, workup.tube_set, [], said, at=sent.at, note=sent.note)
    many = f"{len(said)} tube{'s' if len(said) > 1 else ''}"
    return f"Not collected: {many}, {REASON_WORDS.get(reason, reason)}."


def empty_of(workup: Workup, named: Sequence[str] | None = None) -> list[str]:
    """Tubes to draw of this workup that are still empty: of these, or (None) all. 2 queries."""
    owned = getattr(workup, "tube_set", None)
    if owned is None:
        return []
    there = owned.tubes.filter(parent_hint="").order_by("planned__order_of_draw", "code")
    wanted = list((there if named is None else there.filter(code__in=named)).values_list("code", flat=True))
    states = ledger.states(wanted)
    return [code for code in wanted if code in states and states[code].status == "labelled"]


def of_this(actor: Actor, workup: Workup, code: str) -> Tube:
    """A tube that can be filled at this workup; else what it is, and where it belongs."""
    joined = Tube.objects.select_related("tube_set__plan", "tube_set__workup", "tube_set__day")
    tube = joined.filter(code=code).first()
    owner = tube and tube.tube_set
    if tube is None or (owner and owner.plan.programme_id != actor.person.programme_id):
        raise Refused("tube_unknown", f"No label with the code {codes.show(code)} was printed here.", code)
    if owner is None or owner.workup_id != workup.pk:
        raise _belongs_elsewhere(tube, owner, workup)
    if tube.parent_hint:
        raise Refused(
            "tube_is_for_aliquots", f"This label is for an aliquot, {tube.label}. It is filled at the bench.",
            code,
        )  # fmt: skip
    _empty(actor, tube)
    return tube


def _belongs_elsewhere(tube: Tube, owner: TubeSet | None, workup: Workup) -> Refused:
    if owner is None:
        return Refused("tube_of_another_set", f"This is {tube.label}, of no tube set.", tube.code)
    if owner.state == TubeSet.State.VOID:
        return Refused("set_is_void", f"This is {tube.label} of the set {owner}, which is void.", tube.code)
    if owner.workup:
        sentence = f"This is {tube.label} of the set {owner}, which is bound to {owner.workup}."
        return Refused("tube_of_another_set", f"{sentence} Nothing was filled here.", tube.code)
    day = f", printed for {owner.day}" if owner.day_id not in (None, workup.day_id) else ""
    first = "Scan the label of its bag first." if getattr(workup, "tube_set", None) is None else ""
    sentence = f"This is {tube.label} of the set {owner}{day}, which is bound to no workup. {first}"
    return Refused("set_not_bound" if first else "tube_of_another_set", sentence.strip(), tube.code)


def _empty(actor: Actor, tube: Tube) -> None:
    """Refused: drawn_twice, not_collected, with when and by whom."""
    state = ledger.state(tube.code)
    if state is None or state.status in {"labelled", "unknown", "void"}:
        return  # the ledger says what is wrong with it, if anything
    said = [one for one in ledger.history(tube.code) if not one.voided]
    last = next((one for one in reversed(said) if one.kind in {"drawn", "not_collected"}), None)
    if last is None:
        return
    if last.kind == "not_collected":
        sentence = f"{tube.label} was noted as not collected {_by(actor, last)}. Void that note first."
        raise Refused("not_collected", sentence, tube.code)
    raise Refused("drawn_twice", f"{tube.label} was filled {_by(actor, last)} already.", tube.code)


def _by(actor: Actor, said: Happening) -> str:
    who = Person.objects.filter(code=said.by).first()
    return f"at {hour(said.at_ms, actor.tz)} by {who.name if who else said.by}"


def hour(moment: datetime | int, tz: str) -> str:
    """The time of day; with the day when that is not today."""
    at, today = local(moment, tz), local(timezone.now(), tz)
    if at is None or today is None:
        return "a time not known"
    return f"{at:%H:%M}" if at.date() == today.date() else f"{at.day} {at:%b %H:%M}"


def share_of(tube: Tube, percent: str) -> int:
    """So many percent of what a tube holds when it is full, µL. Refused: volume_required."""
    full = nominal_ul(tube)
    if full is None or not (percent.isdecimal() and 0 < int(percent) <= 100):
        raise Refused("volume_required", "Type how much is in it, in mL.", tube.code)
    return full * int(percent) // 100


def first(actor: Actor, text: str, key: str) -> str:
    """Where the first scan of an animal leads: a tube is filled and its workup opened; a bag is opened.

    Returns an address. Refused: chip_without_workup, set_unknown, set_is_void, set_not_bound, and as `fill`.
    """
    said = scanned.read(text)
    if said.kind == scanned.CHIP:
        raise Refused("chip_without_workup", "This is a chip. Open the workup of the animal first.")
    code = said.text if said.kind == scanned.BAG else codes.set_of(said.text)
    sets = TubeSet.objects.select_related("workup__day__site__programme", "workup__tube_set__plan")
    found = sets.filter(code=code, plan__programme=actor.person.programme).first()
    if found is None:
        what = f"No set {code}" if said.kind == scanned.BAG else f"No label {codes.show(said.text)}"
        raise Refused(
            "set_unknown" if said.kind == scanned.BAG else "tube_unknown", f"{what} was printed here."
        )
    if found.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {found} is void. Take another set.")
    if found.workup is None:
        if said.kind == scanned.BAG:
            return reverse("set_bind", args=[found.code])
        raise Refused("set_not_bound", f"The set {found} is bound to no workup. Scan the label of its bag.")
    if said.kind == scanned.TUBE:
        fill(actor, found.workup, [said.text], Sent(key))
    return reverse("workup", args=[found.workup.code])
