"""Beginning and ending an evacuation, its scans, and what is said of how warm a unit became.

Promises: every function raises Refused (code, sentence) and changes nothing, or does one thing; the same key
again does nothing more. Boxes move in the ledger only: one `moved` event a scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import IntegrityError, transaction
from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.bench.hands import repeated, write
from biobank.core.places import WORDS, class_of, warmer
from biobank.core.risk import many
from biobank.evacuation import tree
from biobank.models import Evacuation, ThermalEvent, Unit
from biobank.store.actions import holder, stated
from biobank.store.carry import scanned
from biobank.store.classes import PASSING, path_of, set_point
from custody import queries as ledger
from custody.core.refusal import Refused


def begin(actor: Actor, key: str, unit: Unit, why: str, warm_since: datetime | None = None) -> Evacuation:
    """Refused: reason_required, unit_is_a_box, evacuation_goes_on."""
    if there := Evacuation.objects.filter(key=key).first():
        return there
    reason = stated(why)
    if unit.kind == "box":
        raise Refused(
            "unit_is_a_box", f"{unit.code} is a box: it is carried, not emptied. Scan what it is in."
        )
    try:
        with transaction.atomic():
            return Evacuation.objects.create(
                key=key, unit=unit, opened=timezone.now(), by=actor.person, why=reason, warm_since=warm_since
            )
    except IntegrityError as no:  # somebody else was faster, or the same form was sent twice at once
        if there := Evacuation.objects.filter(key=key).first():
            return there
        raise Refused("evacuation_goes_on", f"{unit.code} is being evacuated already. Open that one.") from no


def end(actor: Actor, key: str, evacuation: Evacuation, note: str = "") -> Evacuation:
    """Refused: evacuation_ended, boxes_are_out (some in it, or in no new place, and no note says why)."""
    row = Evacuation.objects.select_related("unit").get(pk=evacuation.pk)
    if str(row.end_key) == str(key):
        return row
    goes_on(row)
    if not note.strip():
        _all_safe(tree.crew(row))
    done = Evacuation.objects.filter(pk=row.pk, ended=None).update(
        ended=timezone.now(), ended_by=actor.person, end_key=key, note=note.strip()
    )
    row.refresh_from_db()
    if not done and str(row.end_key) != str(key):
        goes_on(row)
    return row


def goes_on(evacuation: Evacuation) -> None:
    if evacuation.ended:
        raise Refused(
            "evacuation_ended", f"The evacuation of {evacuation.unit.code} has ended. Begin another one."
        )


def _all_safe(crew: tree.Crew) -> None:
    inside = ledger.contents(crew.boxes)
    stages = {code: crew.stage(code) for code in crew.boxes if inside.get(code)}
    left = sum(stage == tree.IN for stage in stages.values())
    out = [code for code, stage in sorted(stages.items()) if stage in {tree.HAND, tree.WAY}]
    said = [f"{many(left, 'box', 'boxes')} still in it"] if left else []
    said += [f"{many(len(out), 'box', 'boxes')} in no new place ({', '.join(out[:5])})"] if out else []
    if said:
        raise Refused(
            "boxes_are_out", f"There {_are(left or len(out))} {' and '.join(said)}. Say why it ends."
        )


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


# scans --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scanned:
    """What a scan did, in a sentence, and which boxes are in the hand after it."""

    sentence: str
    hold: tuple[str, ...]


def scan(
    actor: Actor, key: str, evacuation: Evacuation, text: str, hold: Sequence[str] = (), why: str = ""
) -> Scanned:
    """A box of the unit comes out, into the hand; a place takes what is in the hand.

    hold  units that were scanned before and are to go to the next place
    Refused: evacuation_ended, unit_unknown, tube_where_unit, unit_is_emptied, not_of_this_unit,
    nothing_in_hand, unit_inside_itself, unit_already_there, wrong_temperature_class (`why` lifts it).
    """
    if repeated(actor, key, "moved"):
        return _again(key, hold)
    goes_on(evacuation)
    unit, crew = scanned(text), tree.crew(evacuation)
    if unit.code in crew.paths and crew.stage(unit.code) == tree.IN:
        return _out(actor, key, crew, unit, hold)
    if unit.code in crew.paths and (unit.kind == "box" or crew.stage(unit.code) != tree.SAFE or not hold):
        return _held(unit.code, hold)
    return _put(actor, key, crew, unit, hold, why)


def _again(key: str, hold: Sequence[str]) -> Scanned:
    """The same form once more: what it did the first time."""
    said = ledger.event(key)
    lines = said.lines if said else []
    out = [line["u"] for line in lines if line.get("to") is None]
    return _held(out[0], hold) if out else Scanned("Written already.", ())


def _held(code: str, hold: Sequence[str]) -> Scanned:
    those = tuple(dict.fromkeys([*hold, code]))
    return Scanned(f"{code} is in hand. Scan more, or the place where it goes.", those)


def _out(actor: Actor, key: str, crew: tree.Crew, unit: Unit, hold: Sequence[str]) -> Scanned:
    line = {"u": unit.code, "role": "subj", "to": None}
    write(actor, "moved", key, None, [line], {"reason": f"evacuation of {crew.unit}"})
    those = tuple(dict.fromkeys([*hold, unit.code]))
    return Scanned(f"{unit.code} is out. Scan more, or the place where it goes.", those)


def _put(actor: Actor, key: str, crew: tree.Crew, place: Unit, hold: Sequence[str], why: str) -> Scanned:
    path = path_of(place.code)
    codes = [one.code for one in path]
    if crew.unit in codes:
        inside = f"is in {crew.unit}, which " if place.code != crew.unit else ""
        raise Refused("unit_is_emptied", f"{place.code} {inside}is being emptied. Choose another place.")
    if place.kind == "box":
        raise Refused(
            "not_of_this_unit", f"{place.code} did not stand in {crew.unit}, so it does not come out of it."
        )
    holder(place.code)
    going = _going(crew, place, codes, hold)
    _cold_enough(crew, place, path, why)
    lines = [{"u": code, "role": "subj", "to": place.code} for code in going]
    data = {"reason": f"evacuation of {crew.unit}", "note": why.strip()}
    write(actor, "moved", key, None, lines, data)
    named = ", ".join(going[:5]) + (" and more" if len(going) > 5 else "")
    return Scanned(f"{named} put into {place.code}.", ())


def _going(crew: tree.Crew, place: Unit, codes: Sequence[str], hold: Sequence[str]) -> list[str]:
    """What goes from the hand into this place."""
    if not hold:
        raise Refused("nothing_in_hand", f"Scan a box of {crew.unit} first, then {place.code}.")
    for code in hold:
        if code not in crew.paths:
            raise Refused("not_of_this_unit", f"{code} did not stand in {crew.unit}.")
        if crew.stage(code) == tree.IN:
            raise Refused("not_taken_out", f"{code} is still in {crew.unit}. Scan it as it comes out.")
        if code in codes:
            raise Refused("unit_inside_itself", f"{place.code} is inside {code}; it cannot go there.")
    going = [code for code in dict.fromkeys(hold) if crew.where(code) != place.code]
    if not going:
        raise Refused("unit_already_there", f"{', '.join(hold)} stands in {place.code} already.")
    return going


def _cold_enough(crew: tree.Crew, place: Unit, path: Sequence[Unit], why: str) -> None:
    if why.strip() or any(one.kind in PASSING for one in path):
        return
    was, will = set_point(path_of(crew.unit)), set_point(path)
    if will is None and was is not None and was <= 1000:
        raise Refused(
            "wrong_temperature_class",
            f"Nobody says how cold {place.code} is. Choose another place, or say why it goes there.",
        )
    if will is not None and was is not None and warmer(will, was):
        raise Refused(
            "wrong_temperature_class",
            f"{place.code} is warmer ({WORDS[class_of(will)]}) than {crew.unit} should be "
            f"({WORDS[class_of(was)]}). Choose a colder place, or say why it goes there.",
        )


# how warm it became -------------------------------------------------------------------------------


def say_thermal_event(
    actor: Actor,
    key: str,
    unit: Unit,
    start: datetime,
    stop: datetime,
    note: str,
    max_centi: int | None = None,
    probe: str = "",
) -> ThermalEvent:
    """From then to then this unit was not as cold as it should be. max_centi None: nobody knows how warm.

    Refused: reason_required, time_reversed, time_in_future, probe_without_measurement,
    unit_of_another_agency.
    """
    if there := ThermalEvent.objects.filter(key=key).first():
        return there
    reason = stated(note)
    _ours(actor, unit)
    if stop <= start:
        raise Refused("time_reversed", "It cannot end before it began.")
    if stop > timezone.now():
        raise Refused("time_in_future", "This time lies in the future.")
    if probe.strip() and max_centi is None:
        raise Refused("probe_without_measurement", "Say how warm the probe was, or leave the probe empty.")
    made = ThermalEvent(
        key=key, unit=unit, from_ms=ms(start), to_ms=ms(stop), max_centi=max_centi, probe=probe.strip(),
        note=reason, by=actor.person, at=timezone.now(),
    )  # fmt: skip
    try:
        with transaction.atomic(), saving(actor.person.user, reason, made):
            made.save(force_insert=True)
    except IntegrityError:  # the same form, sent twice at once
        return ThermalEvent.objects.get(key=key)
    return made


def withdraw(actor: Actor, event: ThermalEvent, why: str) -> None:
    """It was said by mistake. Refused: reason_required, event_withdrawn, unit_of_another_agency."""
    reason = stated(why)
    _ours(actor, event.unit)
    with transaction.atomic(), saving(actor.person.user, reason, event):
        row = ThermalEvent.objects.select_for_update().get(pk=event.pk)
        if row.withdrawn:
            raise Refused("event_withdrawn", "This was withdrawn already.")
        event.withdrawn, event.withdrawn_by, event.withdrawn_why = timezone.now(), actor.person, reason
        event.save(update_fields=["withdrawn", "withdrawn_by", "withdrawn_why"])


def _ours(actor: Actor, unit: Unit) -> None:
    if unit.agency_id != actor.person.agency_id:
        raise Refused(
            "unit_of_another_agency",
            f"{unit.code} belongs to {unit.agency.name}; its people say how warm it was.",
        )
