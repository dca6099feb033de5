"""What the pages of plans show. Every function says how many queries it needs; none grows with the rows."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Count, QuerySet
from django.http import Http404

from biobank.blood.rules import in_force
from biobank.core import blood
from biobank.models import BloodLimit, FieldDay, Person, Programme, SamplePlan, TubeLot
from biobank.plans.rows import value_of
from biobank.plans.totals import Totals, totals
from biobank.plans.values import Plan

DRAWN = blood.BLOOD | {"SME"}  # from the vein, and the drop that is smeared


@dataclass(frozen=True)
class PlanRow:
    """The newest version of a plan in a list, with its older ones."""

    plan: SamplePlan
    sums: Totals
    older: tuple[SamplePlan, ...] = ()


def plans_of(programme: Programme) -> list[PlanRow]:
    """Every plan, the newest version of each. 3 queries."""
    found = programme.plans.annotate(printed=Count("sets", distinct=True)).order_by("code", "-version")
    versions = defaultdict[str, list[SamplePlan]](list)
    for plan in found.prefetch_related("tubes__made"):
        versions[plan.code].append(plan)
    return [PlanRow(newest, totals(value_of(newest)), tuple(older)) for newest, *older in versions.values()]


def plan_or_404(who: Person, code: str, version: int) -> SamplePlan:
    """One version, with how many sets were printed from it. 1 query."""
    found = SamplePlan.objects.annotate(printed=Count("sets"))
    plan = found.filter(programme=who.programme, code=code, version=version).first()
    if plan is None:
        raise Http404("No such plan.")
    return plan


def versions_of(plan: SamplePlan) -> list[SamplePlan]:
    """All versions, the newest first. 1 query."""
    return list(
        SamplePlan.objects.filter(code=plan.code).annotate(printed=Count("sets")).order_by("-version")
    )


def printable_plans(programme: Programme) -> list[SamplePlan]:
    """The newest version of each plan that is printed from. 1 query."""
    found = programme.plans.filter(retired=False).order_by("code", "version")
    return list({plan.code: plan for plan in found}.values())


def days_of(programme: Programme) -> QuerySet[FieldDay]:
    days = FieldDay.objects.filter(site__programme=programme, closed=False)
    return days.select_related("site").order_by("-date")


@dataclass(frozen=True)
class Allowed:
    """What one limit of the programme allows for a mass, and whether a plan stays within it."""

    species: str
    limit: blood.Limit
    over_ul: int


def allowed(programme: Programme, mass_g: int, planned_ul: int, on: date) -> list[Allowed]:
    """Each limit in force, earlier draws of an animal not counted. 1 query. Refused: mass_not_plausible."""
    rows = in_force(BloodLimit.objects.filter(programme=programme), on).values()
    limits = [(row, blood.limit(row.rule, mass_g)) for row in rows]
    return [Allowed(row.species, limit, max(0, planned_ul - limit.ul)) for row, limit in limits]


def lots_of(programme: Programme) -> QuerySet[TubeLot]:
    return TubeLot.objects.filter(programme=programme)


def printed_for(day: FieldDay) -> list[tuple[Plan, int]]:
    """The plans of the sets printed for a field day, and how many of each; void ones left out. 4 queries."""
    sets = Counter(day.sets.exclude(state="void").values_list("plan_id", flat=True))
    plans = SamplePlan.objects.filter(pk__in=sets).prefetch_related("tubes__made").order_by("code", "version")
    return [(value_of(plan), sets[plan.pk]) for plan in plans]


def today_of(programme: Programme, now: datetime) -> date:
    return now.astimezone(ZoneInfo(programme.tz)).date()
