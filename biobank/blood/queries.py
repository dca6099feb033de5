"""What the pages of blood limits show.

Promises: every function says how many queries it needs, and none grows with the number of tubes, workups or
draws (but for the ledger's slices of 500 tubes). Volumes come from the ledger, never from copies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from datetime import time as clock_time
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404

from biobank.acting import ms
from biobank.core import blood
from biobank.core.blood import Draw
from biobank.labels.queries import in_order
from biobank.models import BloodAllowance, BloodLimit, Person, Programme, Tube, TubeSet, Workup
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import TubeState

from .budget import CANNOT_TELL, OVER, Budget, Waiting, waiting
from .draws import Taken, others, taken
from .rules import in_force, of_species, same_species, strictest

__all__ = ["Budget", "Waiting", "budget", "budgets", "has_limit", "limits", "over_limit", "workup_or_404"]
LOOKED_AT = 100  # workups, the newest


def limits(programme: Programme) -> list[BloodLimit]:
    """All rows ever, newest first within a species. 1 query."""
    return list(programme.blood_limits.select_related("set_by"))


def has_limit(workup: Workup) -> bool:
    """Whether the programme ever set one, for any species. 1 query."""
    return BloodLimit.objects.filter(programme=workup.day.site.programme_id).exists()


def workups(programme: Programme) -> QuerySet[Workup]:
    found = Workup.objects.filter(day__site__programme=programme)
    return found.select_related("animal", "day__site__programme", "tube_set__plan")


def workup_or_404(who: Person, code: str) -> Workup:
    return get_object_or_404(workups(who.programme), code=code)


def budget(workup: Workup, tube_set: TubeSet | None = None) -> Budget:
    """How a workup stands, and what of its set (or of this one) still fits.

    At most 13 queries, besides those for a workup that came without its day, site, programme and animal.
    """
    asked = tube_set or getattr(workup, "tube_set", None)
    stands = budgets([workup])[workup.pk]
    open_ = _open(asked) if asked else []
    planned = blood.total(Draw(0, None, one.planned.volume_ul if one.planned else None) for one in open_)
    stands = replace(stands, planned=planned)
    return replace(stands, waiting=waiting(open_, stands.left_ul))


def _open(tube_set: TubeSet) -> list[Tube]:
    """The tubes of blood that are still empty, in order of draw. 2 queries."""
    tubes = list(tube_set.tubes.filter(parent_hint="", matrix__in=blood.BLOOD).select_related("planned"))
    states = ledger.states(one.code for one in tubes)
    return sorted((one for one in tubes if _empty(states.get(one.code))), key=in_order)


def _empty(state: TubeState | None) -> bool:
    return state is not None and state.status == "labelled"


def budgets(there: Sequence[Workup]) -> dict[int, Budget]:
    """How workups stand, by pk, without what is still planned. At most 10 queries, for any number."""
    alike = others(there)
    rows = list(BloodLimit.objects.filter(programme__in={one.day.site.programme_id for one in there}))
    draws = _draws(there, alike, max((row.window_days for row in rows), default=1))
    allowed = _allowed(there)
    return {one.pk: _budget(one, rows, draws, alike.get(one.pk, []), allowed) for one in there}


def _draws(there: Sequence[Workup], alike: dict[int, list[str]], days: int) -> dict[str, list[Taken]]:
    """All draws that may count, by workup; own ones however old they are."""
    other = {code for some in alike.values() for code in some}
    oldest = min((_midnight(one) for one in there), default=0) - (days + 1) * blood.DAY_MS
    by_workup: dict[str, list[Taken]] = {}
    for one in taken([one.code for one in there], other, oldest):
        by_workup.setdefault(one.workup, []).append(one)
    return by_workup


def _allowed(there: Sequence[Workup]) -> dict[int, list[BloodAllowance]]:
    found: dict[int, list[BloodAllowance]] = {}
    for row in BloodAllowance.objects.filter(workup__in=there).select_related("by"):
        found.setdefault(row.workup_id, []).append(row)
    return found


def _budget(
    one: Workup,
    rows: Sequence[BloodLimit],
    draws: Mapping[str, list[Taken]],
    alike: Sequence[str],
    allowed: Mapping[int, list[BloodAllowance]],
) -> Budget:
    species = one.animal.species if one.animal else None
    mine = [row for row in rows if row.programme_id == one.day.site.programme_id]
    counting = of_species(mine, species, one.day.date)
    row, limit, why = _limit(counting, one.mass_g)
    own = [said.draw for said in draws.get(one.code, [])]
    start, end = _span(one, own)
    days = row.window_days if row else 0
    before = {
        code: blood.inside((said.draw for said in draws.get(code, [])), start, end, days) for code in alike
    }
    return Budget(
        workup=one, row=row, limit=limit, mass_g=one.mass_g, estimated=one.mass_estimated, why_unknown=why,
        guessed_species=species is None and len(counting) > 1, drawn=blood.total(own),
        earlier=blood.total(draw for some in before.values() for draw in some),
        earlier_workups=tuple(sorted(code for code, some in before.items() if some)),
        allowances=tuple(allowed.get(one.pk, ())),
    )  # fmt: skip


def _limit(
    counting: Sequence[BloodLimit], mass_g: int | None
) -> tuple[BloodLimit | None, blood.Limit | None, str]:
    """The row that counts and what it gives, or why nobody knows."""
    if not counting:
        return None, None, ""
    if mass_g is None:
        return counting[0], None, "No mass yet: the limit is not known."
    try:
        return *strictest(counting, mass_g), ""
    except Refused as no:
        return counting[0], None, no.sentence


def _span(one: Workup, own: Sequence[Draw]) -> tuple[int, int]:
    """When the workup begins and ends, UTC ms: its clock and its draws, else its whole field day."""
    clock = [when for when in (one.net_closed, one.out_of_water, one.first_needle) if when]
    known = [*(ms(when) for when in clock), *(draw.at_ms for draw in own)]
    midnight = _midnight(one)
    last = [draw.at_ms for draw in own] + ([ms(one.last_tube)] if one.last_tube else [])
    return min(known, default=midnight), max([midnight + blood.DAY_MS, *last])


def _midnight(one: Workup) -> int:
    """When the field day began in the programme's zone."""
    zone = ZoneInfo(one.day.site.programme.tz)
    return ms(datetime.combine(one.day.date, clock_time(), zone))


@dataclass(frozen=True)
class Shown:
    """A limit on its page: in force now, later, or no more; and what published texts would say."""

    row: BloodLimit
    stands: str  # "now", "later", "ended"
    is_of_nobody: bool = False  # no animal bears this species: perhaps it is written in another way

    @property
    def words(self) -> str:
        return blood.words(self.row.rule)

    @property
    def doubts(self) -> list[blood.Doubt]:
        return blood.doubts(self.row.rule)


def shown(rows: Sequence[BloodLimit], today: date, species: Iterable[str]) -> list[Shown]:
    """The rows with what they are today, those in force first. No query."""
    now = {row.pk for row in in_force(rows, today).values()}
    there = {"", *map(same_species, species)}
    found = [
        Shown(
            row,
            "now" if row.pk in now else "later" if row.since > today else "ended",
            same_species(row.species) not in there,
        )
        for row in rows
    ]
    return sorted(found, key=lambda one: ("now", "later", "ended").index(one.stands))


def species_of(programme: Programme) -> list[str]:
    """How the species of the programme's animals are written. 1 query."""
    return sorted(set(programme.animals.values_list("species", flat=True)))


def over_limit(programme: Programme) -> list[Budget]:
    """Workups in which more was drawn than the limit and what was allowed, and those with blood drawn whose
    limit nobody can know; of the newest LOOKED_AT since there are limits. At most 13 queries."""
    first = programme.blood_limits.order_by("since").values_list("since", flat=True).first()
    if first is None:
        return []
    newest = list(workups(programme).filter(day__date__gte=first).order_by("-day__date", "-pk")[:LOOKED_AT])
    stands = budgets(newest)
    return [stands[one.pk] for one in newest if _is_wrong(stands[one.pk])]


def _is_wrong(one: Budget) -> bool:
    drawn = bool(one.drawn_ul or one.drawn.unknown)
    return drawn and one.stands in (OVER, CANNOT_TELL)
