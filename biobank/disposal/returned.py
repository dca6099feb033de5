"""What came back too late: the question whether a thaw is counted.

A return is a `put_away` or `moved` event by which something comes into the cold again. When it was out for
longer than its limit, the question is asked, with yes as the proposed answer, until it is answered or a thaw
of these tubes is counted otherwise.

Promises: a fixed number of queries however many tubes came back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.urls import reverse

from biobank.acting import Actor
from biobank.core.out import MINUTE_MS, Away, Limit
from biobank.disposal.clocks import KEPT, limits_of
from biobank.disposal.spans import Places, Trip, box_aways, first_cold, places, trips
from biobank.models import Programme, ThawAnswer
from custody import queries as ledger
from custody.core.state import TubeState

RETURNS = {"put_away", "moved"}
LOOKED_AT, MOST_TUBES = 300, 500  # newest events, and tubes of them, that the list of open questions sees
BACK_MS = 7 * 86_400_000
ALL = 1 << 30


@dataclass(frozen=True)
class Late:
    """A box, or the tubes that had left one, out from since to until."""

    unit: str
    tubes: tuple[str, ...]
    away: Away
    limit: Limit

    @property
    def minutes(self) -> int:
        """How long it was out, whole minutes rounded up: it was over."""
        return -(((self.away.since_ms) - (self.away.until_ms or 0)) // MINUTE_MS)


@dataclass(frozen=True)
class Question:
    """Whether a thaw is counted for what this event brought back."""

    id: str
    at_ms: int
    tz: str
    late: list[Late]

    @property
    def tubes(self) -> list[str]:
        return list(dict.fromkeys(code for one in self.late for code in one.tubes))


Found = list[tuple[str, Late]]  # (id of the return, what came late)


def question(event_id: str, org: str, programme: Programme) -> Question | None:
    """The question about one return; None when there is none, or when it is answered."""
    return next(iter(_asked(list(ledger.told([event_id]).values()), org, programme)), None)


def then(event_id: str, actor: Actor, otherwise: str) -> str:
    """Where to go after something was put somewhere: to the question about it, or `otherwise`."""
    late = question(event_id, actor.org, actor.person.programme)
    return reverse("out_thaw", args=[event_id]) if late else otherwise


def open_questions(org: str, programme: Programme, now_ms: int) -> list[Question]:
    """Those about the newest returns, newest first: of the last 300 events and 7 days, 500 tubes at most."""
    newest = [one for one in ledger.recent(LOOKED_AT) if _may_ask(one, org, now_ms)]
    return _asked(ledger.as_told(newest), org, programme, MOST_TUBES)


def _may_ask(said: ledger.Said, org: str, now_ms: int) -> bool:
    header = said.header
    return header["kind"] in RETURNS and header["org"] == org and now_ms - header["at"] < BACK_MS


def _asked(told: Sequence[ledger.Told], org: str, programme: Programme, most: int = ALL) -> list[Question]:
    live = [one for one in told if not one.voided and one.header["kind"] in RETURNS]
    done = ThawAnswer.objects.filter(returned__in=[one.said.id for one in live])
    answered = {str(one) for one in done.values_list("returned", flat=True)}
    live = [one for one in live if one.said.id not in answered]
    if not live:
        return []
    known, limits = places(), limits_of(programme)
    late = [*_boxes(live, org, known, limits), *_tubes(live, org, known, limits, most)]
    found = [
        Question(one.said.id, one.header["at"], one.header["tz"], _of(one.said.id, late)) for one in live
    ]
    return [one for one in found if one.late]


def _of(event_id: str, late: Found) -> list[Late]:
    mine = [item for key, item in late if key == event_id and item.tubes]
    return sorted(mine, key=lambda item: (item.unit, item.away.since_ms))


def _boxes(live: Sequence[ledger.Told], org: str, known: Places, limits: Mapping[str, Limit]) -> Found:
    """Boxes that were moved, alone or in a rack, and were out for too long."""
    spans = box_aways(known, _moved_boxes(live, known))
    late = [
        (one, code, away)
        for one in live
        for code in _moved_boxes([one], known)
        for away in spans[code]
        if away.until_ms == one.header["at"] and limits[away.band].over(away.since_ms, away.until_ms)
    ]
    inside = _exposed({code: away for _, code, away in late}, org, known) if late else {}
    return [
        (one.said.id, Late(code, tuple(sorted(inside.get(code, ()))), away, limits[away.band]))
        for one, code, away in late
    ]


def _moved_boxes(live: Sequence[ledger.Told], known: Places) -> list[str]:
    tops = [line["u"] for one in live for line in one.lines if "u" in line]
    return [code for code in known.below(tops) if code in known.units and known.units[code].kind == "box"]


def _exposed(boxes: Mapping[str, Away], org: str, known: Places) -> dict[str, list[str]]:
    """The tubes of these boxes that were out with them, and whose thaw nobody has counted."""
    states = [one for one in ledger.find(unit__in=list(boxes), custodian=org) if one.status in KEPT]
    found: dict[str, list[str]] = {}
    by_tube = {one.tube: one for one in states}
    for trip in trips(known, by_tube):
        unit = by_tube[trip.tube].unit or ""
        if trip.away.until_ms == boxes[unit].until_ms and not trip.thawed:
            found.setdefault(unit, []).append(trip.tube)
    return found


def _tubes(
    live: Sequence[ledger.Told], org: str, known: Places, limits: Mapping[str, Limit], most: int
) -> Found:
    """Tubes that were put back by themselves, or in a box that was never cold before."""
    when = _carried(live, known, most)
    states = ledger.states(when)
    ours = [code for code, one in states.items() if _ours(one, org)]
    groups: dict[tuple[str, str, Away], list[str]] = {}
    for trip in trips(known, ours):
        for key, at_ms in when[trip.tube]:
            if _late(trip, at_ms, limits):
                groups.setdefault((key, trip.unit, trip.away), []).append(trip.tube)
    return [
        (key, Late(unit, tuple(sorted(tubes)), away, limits[away.band]))
        for (key, unit, away), tubes in groups.items()
    ]


def _ours(state: TubeState, org: str) -> bool:
    return state.custodian == org and state.status in KEPT


def _late(trip: Trip, at_ms: int, limits: Mapping[str, Limit]) -> bool:
    away = trip.away
    back = away.until_ms == at_ms and not trip.thawed
    return back and limits[away.band].over(away.since_ms, at_ms)


def _carried(live: Sequence[ledger.Told], known: Places, most: int) -> dict[str, list[tuple[str, int]]]:
    """Tube -> the returns (id, when) that may have brought it back by itself."""
    moments = {one.header["at"] for one in live}
    first = first_cold(known, _moved_boxes(live, known))
    new = [code for code, at_ms in first.items() if at_ms in moments]
    inside: dict[str, list[str]] = {}
    for state in ledger.find(unit__in=new) if new else []:
        inside.setdefault(state.unit or "", []).append(state.tube)
    found: dict[str, list[tuple[str, int]]] = {}
    for one in live:
        tubes = [line["t"] for line in one.lines if "t" in line]
        tubes += [tube for box in _moved_boxes([one], known) for tube in inside.get(box, [])]
        for tube in tubes:
            if tube in found or len(found) < most:
                found.setdefault(tube, []).append((one.said.id, one.header["at"]))
    return found
