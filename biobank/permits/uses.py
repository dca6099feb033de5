"""What was done that papers are about: animals worked up, tubes drawn, held, sent and received.

Promises: what was voided counts no more, what was corrected counts as corrected. A sending counts unless it
was withdrawn or refused; a receipt counts what arrived, in whatever state. Nothing is read that no paper with
a quantity asks for; a fixed number of queries (but for slices of 500 tubes, and amended events).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db.models import Min, Q

from biobank.models import Animal, Permit, Programme, Tube, Workup
from biobank.permits import subjects
from biobank.permits.matching import Done, Merged
from biobank.permits.subjects import Subject
from custody import queries as ledger
from custody.core import fold
from custody.core.state import FULL, Happening

TOLD = {"take", "hold", "send", "receive"}  # of the others the ledger does not say which act was one
ARRIVED = {"ok", "damaged", "warm"}
SEND = {"send", "receive"}


def merged() -> Merged:
    """Which row an animal's row was merged into. 1 query."""
    rows = Animal.objects.filter(merged_into__isnull=False)
    return dict(rows.values_list("pk", "merged_into_id"))


def done(programme: Programme, permits: Iterable[Permit], today: date, without: str = "") -> list[Done]:
    """All that counts for those of these papers that have a quantity. without: a handoff that is left out."""
    counting = [one for one in permits if one.quantity is not None]
    asked = {(one.allows, one.counted) for one in counting}
    holders = {one.agency.code for one in counting if one.allows == "hold"}
    moving = [one for one in counting if one.allows in SEND]
    found: list[Done] = []
    if ("take", "animals") in asked:
        found += worked_up(programme)
    if asked & {("take", "tubes"), ("take", "ul")}:
        found += drawn(programme)
    if holders:
        found += held(programme, holders, today)
    if moving:
        found += moved(programme, moving, without)
    return found


def counts_in(permit: Permit, one: Done) -> bool:
    """Is this act told in what the paper counts? An animal in hand is no tube, and a tube no animal taken."""
    return permit.allows != "take" or (permit.counted == "animals") == (not one.what.tube)


def worked_up(programme: Programme) -> list[Done]:
    """Every workup of which anything is known: a set of tubes, or a time of its clock.

    The agency is that of who leads the day; of a day without a leader, the one that bound or drew the tubes.
    At most 5 queries for 500 workups.
    """
    something = Q(tube_set__isnull=False)
    for name in Workup.CLOCK:
        something |= Q(**{f"{name}__isnull": False})
    rows = Workup.objects.filter(something, day__site__programme=programme).values_list(
        "code", "day__date", "day__lead__agency__code", "animal_id", "animal__species"
    )
    found = list(rows.distinct())
    acted = _acted({code for code, _, org, _, _ in found if org is None})
    return [
        Done("take", day, org or acted.get(code), Subject("", "", species or "", animal, code, programme.pk))
        for code, day, org, animal, species in found
    ]


def _acted(workups: Iterable[str]) -> dict[str, str]:
    """The agency that bound or drew the tubes of each of these workups, as one of its tubes tells."""
    rows = Tube.objects.filter(tube_set__workup__code__in=workups).values_list("tube_set__workup__code")
    tubes = dict(rows.annotate(tube=Min("code")).order_by()) if workups else {}
    said = ledger.histories(tubes.values())
    orgs = {
        code: next((one.org for one in said[tube] if one.kind in {"bound", "drawn"} and not one.voided), "")
        for code, tube in tubes.items()
    }
    return {code: org for code, org in orgs.items() if org}


def drawn(programme: Programme) -> list[Done]:
    """Every tube that was drawn. A query, and 4 for each 500 tubes."""
    codes = Tube.objects.filter(tube_set__plan__programme=programme, tube_set__workup__isnull=False)
    wanted = list(codes.filter(parent_hint="").values_list("code", flat=True))
    about, found = subjects.of(wanted), list[Done]()
    for code, said in ledger.histories(wanted).items():
        first = next((one for one in said if one.kind == "drawn" and not one.voided), None)
        if first is not None:
            on = _day(first.at_ms, first.off_min)
            found.append(Done("take", on, first.org, about[code], ul=first.line.get("ul")))
    return found


def held(programme: Programme, holders: Iterable[str], today: date) -> list[Done]:
    """Every tube with content that is with one of these now."""
    states = ledger.find(custodian__in=sorted(holders), status__in=sorted(FULL))
    about = subjects.of(one.tube for one in states)
    return [
        Done("hold", today, one.custodian, about[one.tube], ul=one.volume_ul)
        for one in states
        if _ours(about[one.tube], programme)
    ]


def moved(programme: Programme, permits: Sequence[Permit], without: str = "") -> list[Done]:
    """Every tube sent, and every tube received, as far as one of these papers could be about it.

    For papers of one agency, sendings are found by the agency and the addressee that were said first; one
    whose agency was corrected since is missed.
    """
    parties = {one.agency.code for one in permits}
    said = ledger.sendings(next(iter(parties)) if len(parties) == 1 else None)
    given = [one for one in ledger.as_told(said) if not one.voided and one.said.id != without]
    answers = _answers([one.said.id for one in given])
    rows: list[tuple[str, Done]] = []
    for one in given:
        told = answers.get(one.said.id, [])
        back = {line["t"] for kind, _, line in told if kind in {"refused", "withdrawn"}}
        here = {line["t"]: header for kind, header, line in told if line.get("result") in ARRIVED}
        rows += [(one.said.id, _sent(one.header, code)) for code in _tubes(one.lines) if code not in back]
        rows += [(one.said.id, _received(one.header, header, code)) for code, header in here.items()]
    near = [(ref, one) for ref, one in rows if any(_near(paper, one) for paper in permits)]
    return _said_of(near, programme, any(one.counted == "ul" for one in permits))


def _near(permit: Permit, one: Done) -> bool:
    """May it count for this paper, as far as the act itself tells? The tube is not looked at yet."""
    mine = (permit.allows, permit.agency.code) == (one.verb, one.org)
    return mine and permit.valid_from <= one.day <= permit.valid_until


Answer = tuple[str, Mapping[str, Any], Mapping[str, Any]]


def _answers(ids: Sequence[str]) -> dict[str, list[Answer]]:
    """Kind, header and line of every answer that counts, by handoff, oldest first."""
    found: dict[str, list[Answer]] = {}
    told = ledger.as_told(sorted(ledger.events(refs=ids), key=lambda one: one.seq)) if ids else []
    for one in told:
        if not one.voided:
            kind, header = one.header["kind"], one.header
            found.setdefault(header["ref"], []).extend(
                (kind, header, line) for line in one.lines if "t" in line
            )
    return found


def _tubes(lines: Iterable[Mapping[str, Any]]) -> list[str]:
    return [str(line["t"]) for line in lines if "t" in line]


def _sent(header: Mapping[str, Any], code: str) -> Done:
    day = _day(header["at"], header["off"])
    return Done("send", day, header["org"], Subject(code), header["data"]["to"])


def _received(given: Mapping[str, Any], header: Mapping[str, Any], code: str) -> Done:
    day = _day(header["at"], header["off"])
    return Done("receive", day, given["data"]["to"], Subject(code), given["data"]["to"])


def _said_of(rows: Sequence[tuple[str, Done]], programme: Programme, deep: bool) -> list[Done]:
    """The same with what is known of the tubes; those of other programmes are left out."""
    about = subjects.of(one.what.tube for _, one in rows)
    said = ledger.histories(about) if deep else {}
    volumes = {
        (ref, one.what.tube): volume_at(said[one.what.tube], ref) if deep else None for ref, one in rows
    }
    return [
        replace(one, what=about[one.what.tube], ul=volumes[ref, one.what.tube])
        for ref, one in rows
        if _ours(about[one.what.tube], programme)
    ]


def volume_at(said: Sequence[Happening], event: str) -> int | None:
    """What was in a tube when this event happened to it; None: not measured."""
    ordered = fold.in_order(said)
    until = next((n for n, one in enumerate(ordered) if one.id == event), len(ordered))
    return fold.fold(ordered[0].line["t"], ordered[:until]).state.volume_ul if ordered else None


def _ours(what: Subject, programme: Programme) -> bool:
    """Surely of this programme, or of none that is known."""
    return what.programme in {programme.pk, None}


def _day(at_ms: int, off_min: int) -> date:
    return (datetime.fromtimestamp(at_ms / 1000, UTC) + timedelta(minutes=off_min)).date()
