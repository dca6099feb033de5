"""What the pages of field days show.

Promises: every function says how many queries it needs, and none grows with the number of sets or tubes
(but for the ledger's slices of 500 tubes).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import Count, Q, QuerySet
from django.shortcuts import get_object_or_404

from biobank.labels.queries import in_order
from biobank.models import FieldDay, Person, Programme, Tube, TubeSet, Workup
from custody import queries as ledger
from custody.core.state import Happening, Problem

from .account import Account, Number, word
from .checks import offsets


def days(programme: Programme) -> QuerySet[FieldDay]:
    """Field days, newest first, each with its numbers of sets and workups. 1 query."""
    found = FieldDay.objects.filter(site__programme=programme).select_related("site", "lead__agency")
    counts = {"set_count": Count("sets", distinct=True), "workup_count": Count("workups", distinct=True)}
    return found.annotate(**counts).order_by("-date", "-pk")


def day_or_404(who: Person, pk: int) -> FieldDay:
    return get_object_or_404(days(who.programme), pk=pk)


def account(day: FieldDay) -> Account:
    """What became of every number printed for a day. 8 queries, 3 more when a device without network had
    its part, and the ledger's slices of 500 tubes."""
    sets = list(_sets_of(day))
    own = [one for one in sets if _counts_here(one, day)]
    returned = [one for one in sets if one not in own and not _is_used_elsewhere(one, day)]
    tubes = list(Tube.objects.filter(tube_set__in=[*own, *returned]).select_related("planned"))
    said = ledger.histories([tube.code for tube in tubes])
    states = ledger.states(said)
    back = {one.pk for one in returned}
    rows = {one.pk: one for one in sets}
    numbers = [
        Number(
            tube, a_set := rows[tube.tube_set_id],
            word(a_set, states.get(tube.code), a_set.pk in back), states.get(tube.code),
            [one for one in said[tube.code] if not one.voided],
        )
        for tube in sorted(tubes, key=in_order)
    ]  # fmt: skip
    return Account(
        day, own, returned, [one for one in sets if one not in own and one not in returned],
        list(_workups_of(day)), numbers, _findings(said), _offsets(said),
    )  # fmt: skip


def _sets_of(day: FieldDay) -> QuerySet[TubeSet]:
    """All sets that are, or ever were, of this day: a set that went back to the store has no day any more."""
    once = TubeSet.history.filter(day=day).values("id")
    found = TubeSet.objects.filter(Q(day=day) | Q(workup__day=day) | Q(pk__in=once))
    return found.select_related("workup__day", "plan", "day__site", "out_with", "out_org").order_by("pk")


def _counts_here(one: TubeSet, day: FieldDay) -> bool:
    return one.workup.day_id == day.pk if one.workup else one.day_id == day.pk


def _is_used_elsewhere(one: TubeSet, day: FieldDay) -> bool:
    """Printed for this day and never given back, but bound on another."""
    return one.day_id == day.pk


def _workups_of(day: FieldDay) -> QuerySet[Workup]:
    return day.workups.select_related("animal", "day__site__programme").order_by("code")


def _findings(said: Mapping[str, Any]) -> list[Problem]:
    return [one for one in ledger.findings() if one.subject in said]


def _offsets(said: Mapping[str, Sequence[Happening]]) -> dict[str, int]:
    """Of each device that had a part in this day: how far its clock is off, ms (see checks.offsets)."""
    sent = {one.id for some in said.values() for one in some if one.via == "sync"}
    told = ledger.told(sent).values() if sent else []
    return offsets((one.said.header["dev"], one.said.recorded_ms - one.said.header["rec_at"]) for one in told)
