"""The moment a shipment leaves: everything that was planned is looked at once more, then custody is given.

Promises: one event `shipped` for all its tubes, or a refusal and nothing changed. What was not sure and is
sent all the same stands in the event's note, in the words of whoever sent it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.utils import timezone

from biobank.acting import Actor, ms, saving
from biobank.bench.hands import in_hand
from biobank.core import codes
from biobank.core.journey import Journey
from biobank.handoffs.actions import Parcel, again, hand_off
from biobank.models import Leg, Shipment
from biobank.shipping import planning, queries
from biobank.shipping.actions import check_free, still_draft
from biobank.shipping.planning import Warm, Way
from biobank.shipping.queries import Covered
from biobank.templatetags.words import span
from custody.core.refusal import Refused
from custody.record import Recorded

NAMED = 5  # tubes that a refusal names


@dataclass(frozen=True)
class Doubt:
    """Something that is not sure, and that may be sent with a reason."""

    code: str
    sentence: str


def send(
    actor: Actor,
    key: str,
    shipment: Shipment,
    *,
    how: str,
    seal: str = "",
    due: datetime | None = None,
    centi_c: int | None = None,
    at: datetime | None = None,
    why: str = "",
) -> Recorded:
    """It leaves now. why: why it is sent though the way or a permit is not sure.

    Refused: those of `blocking`, permit_unsure, journey_unsure, and of `handoffs.actions.hand_off`.
    """
    if done := again(actor, key, "shipped"):
        return done
    still_draft(shipment)
    now = timezone.now()
    rows, inside = queries.legs(shipment), queries.contents(shipment)
    tubes = [one.tube for one in inside]
    way = planning.way(shipment, rows, tubes, ms(now))
    covered = queries.covered(shipment, tubes, day_of(shipment, at or now))
    if no := blocking(shipment, rows, inside, way, covered):
        raise Refused(no[0].code, no[0].sentence)
    if (unsure := doubts(way, covered)) and not why.strip():
        raise Refused(unsure[0].code, f"{unsure[0].sentence} Say why it is sent all the same, or change it.")
    in_hand(actor, tubes)
    check_free(shipment, tubes)
    note = _note(shipment, unsure, why.strip())
    return hand_off(
        actor, key, tubes, shipment.receiver.code, how=how, seal=seal, due=due or planning.expected(way),
        centi_c=centi_c, at=at, note=note, assay=shipment.assay.code if shipment.assay else "",
        kind="shipped", parcel=_parcel(shipment, rows, inside), before=_sent(actor, key, shipment, tubes),
    )  # fmt: skip


def day_of(shipment: Shipment, at: datetime) -> date:
    """The day of this moment where the programme is."""
    return at.astimezone(ZoneInfo(shipment.programme.tz)).date()


def blocking(
    shipment: Shipment,
    rows: Sequence[Leg],
    inside: Sequence[queries.Content],
    way: Way,
    covered: Sequence[Covered],
) -> list[Doubt]:
    """What must be put right before it can go, the first first: no_tube, legs_missing, leg_backwards,
    legs_overlap, hazard_missing, contact_missing, ice_mass_missing, packing_open, permit_missing."""
    found = [] if inside else [Doubt("no_tube", "There is no tube in it yet.")]
    found += [Doubt(code, sentence) for code, sentence in way.wrong]
    if not shipment.hazard:
        found.append(Doubt("hazard_missing", "Say what it is for transport: its hazard is not set."))
    if shipment.hazard == "category_b" and not shipment.contact:
        found.append(Doubt("contact_missing", "UN3373 asks for a responsible person with a telephone."))
    if any(one.coolant == "dry_ice" for one in rows[:1]) and not planning.ice_g(list(rows)):
        found.append(
            Doubt("ice_mass_missing", "Dry ice travels with its net mass on the box: say how many kg.")
        )
    asked = queries.packing(shipment, list(rows), list(inside))
    if open_ := sum(one.check is None for one in asked):
        found.append(
            Doubt("packing_open", f"{open_} of {len(asked)} points of the packing list are not answered.")
        )
    return found + [_missing(one) for one in covered if one.answer == "fail"]


def _missing(one: Covered) -> Doubt:
    return Doubt("permit_missing", f"{one.sentence} {_tubes(one)}")


def _tubes(one: Covered) -> str:
    named = ", ".join(codes.show(tube) for tube in one.tubes[:NAMED])
    rest = f" and {len(one.tubes) - NAMED} more" if len(one.tubes) > NAMED else ""
    return f"({named}{rest})"


def doubts(way: Way, covered: Sequence[Covered]) -> list[Doubt]:
    """What is not sure: permit_unsure, permit_missing (when the programme keeps no permit of that sort at
    all), leg_too_warm, journey_not_safe, journey_unsure."""
    found = [
        Doubt("permit_unsure" if one.kept else "permit_missing", f"{one.sentence} {_tubes(one)}")
        for one in covered
        if one.answer == "cannot_tell"
    ]
    found += [Doubt("leg_too_warm", _warm(one)) for one in way.warm]
    if way.journey and way.journey.answer == "fail":
        found.append(Doubt("journey_not_safe", _unsafe(way.journey)))
    elif way.journey and way.journey.answer == "cannot_tell":
        found.append(Doubt("journey_unsure", "Nobody can tell whether it stays cold until it is taken in."))
    return found


def _warm(one: Warm) -> str:
    many = f"{one.tubes} tube" + ("" if one.tubes == 1 else "s")
    return (
        f"Leg {one.leg} is kept cold by {one.coolant}; {many} in it are to be kept at {one.wanted} or colder."
    )


def _unsafe(journey: Journey) -> str:
    """What goes wrong on the way as it is planned, and by how much."""
    early = journey.failing
    if early is None:
        return "As planned a rule about what is inside runs out before it is taken in."
    legs = ", ".join(map(str, early.legs))
    before = "it is taken in" if early.needed_ms == journey.taken_ms else "the next coolant"
    return (
        f"As planned the coolant of leg {legs} ends {span(-(early.spare_min or 0) * 60_000)} before {before}."
    )


def _note(shipment: Shipment, unsure: Sequence[Doubt], why: str) -> str:
    """What stands in the event, so that it does not depend on our rows."""
    said = [shipment.remarks]
    if unsure:
        said += [" ".join(dict.fromkeys(one.code for one in unsure)) + f": sent all the same: {why}"]
    elif why:
        said.append(why)
    return " ".join(one for one in said if one)[:500]


def _parcel(shipment: Shipment, rows: Sequence[Leg], inside: Sequence[queries.Content]) -> Parcel:
    """Carrier and waybill of all legs; the loggers in it; for a tube in its box its place there."""
    boxes = {one.tube: (one.box, *_place(one)) for one in inside if one.box}
    return Parcel(
        carrier=_listed([row.carrier for row in rows]), waybill=_listed([row.waybill for row in rows]),
        logger=_listed([row.logger.code for row in rows if row.logger]), hazard=shipment.hazard,
        terms=shipment.terms, ice_g=planning.ice_g(list(rows)), shipment=shipment.number, boxes=boxes,
    )  # fmt: skip


def _place(one: queries.Content) -> tuple[int | None, int | None]:
    """Row and column in its box, when it lies there still."""
    there = one.state is not None and one.state.unit == one.box
    return (one.state.row, one.state.col) if there and one.state else (None, None)


def _listed(words: Sequence[str]) -> str:
    return ", ".join(dict.fromkeys(word for word in words if word))


def _sent(actor: Actor, key: str, shipment: Shipment, tubes: Sequence[str]) -> Callable[[], None]:
    """In the transaction of the event: nobody sent, dropped or refilled it in between."""

    def do() -> None:
        still_draft(shipment)
        row = Shipment.objects.get(pk=shipment.pk)
        if set(row.tubes.values_list("tube", flat=True)) != set(tubes):
            raise Refused(
                "shipment_changed", "Somebody has just changed what is in it. Look, then send again."
            )
        row.handoff = key
        with saving(actor.person.user, "sent", row):
            row.save()

    return do
