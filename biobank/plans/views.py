"""Pages of plans: look, edit, tables in and out, kits, lots. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.imports.read import MOST_BYTES
from biobank.models import Programme, SamplePlan
from biobank.plans import actions, queries, sheet
from biobank.plans.forms import (
    KitForm,
    LotForm,
    MassForm,
    PlanForm,
    ReasonForm,
    TableForm,
    TubeForm,
)
from biobank.plans.history import history_of
from biobank.plans.kit import kit as kit_of
from biobank.plans.kit import line
from biobank.plans.rows import value_of
from biobank.plans.starters import starters
from biobank.plans.totals import YIELD_PCT, YIELD_SOURCE, advice, over_yield, totals
from biobank.plans.values import Plan
from custody.core.refusal import Refused

SHOWN_FAULTS = 100
KINDS = {
    "csv": (sheet.to_csv, "text/csv; charset=utf-8"),
    "xlsx": (sheet.to_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())  # type: ignore[attr-defined]


def _asked(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _plan(request: HttpRequest, code: str, version: int) -> SamplePlan:
    return queries.plan_or_404(request.person, code, version)  # type: ignore[attr-defined]


def _page_of(plan: SamplePlan) -> str:
    return reverse("plan", args=[plan.code, plan.version])


@right("see")
@require_safe
def plans(request: HttpRequest) -> HttpResponse:
    """Every plan, the newest version first. 4 queries."""
    who = request.person  # type: ignore[attr-defined]
    return render(
        request,
        "plans/plans.html",
        {"rows": queries.plans_of(who.programme), "may_edit": may(who, "curate")},
    )


@right("see")
@require_safe
def plan(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """One version: what is drawn, what it adds up to, what speaks against it. 9 queries."""
    found = _plan(request, code, version)
    form = MassForm(request.GET if "kg" in request.GET else None)
    context = _context(request, found) | {"mass_form": form, "changes": history_of(found)}
    if form.is_bound and form.is_valid():
        programme = request.person.programme  # type: ignore[attr-defined]
        context |= _blood(programme, context["sums"].blood_ul, form.cleaned_data["kg"])
    return render(request, "plans/plan.html", context, status=422 if form.is_bound and form.errors else 200)


def _context(request: HttpRequest, found: SamplePlan) -> dict[str, Any]:
    value, versions = value_of(found), queries.versions_of(found)
    blood = [one for one in value.tubes if one.matrix in queries.DRAWN]
    return {
        "plan": found,
        "value": value,
        "seen": value.digest(),
        "groups": [
            ("Drawn", blood),
            ("Also taken", [one for one in value.tubes if one.matrix not in queries.DRAWN]),
        ],
        "sums": totals(value),
        "advice": advice(value),
        "over_yield": over_yield(value),
        "yield_pct": YIELD_PCT,
        "yield_source": YIELD_SOURCE,
        "versions": versions,
        "newest": versions[0],
        "may_edit": may(request.person, "curate") and versions[0].pk == found.pk,  # type: ignore[attr-defined]
        "reason_form": ReasonForm(initial={"seen": value.digest()}),
    }


def _blood(programme: Programme, total_ul: int, mass_g: int) -> dict[str, Any]:
    """The blood of a plan against a mass: µL for a kilogram, its share, the limits in force. 1 query."""
    today = queries.today_of(programme, timezone.now())
    return {
        "mass_g": mass_g,
        "ul_per_kg": round(total_ul * 1000 / mass_g),
        "share": total_ul / mass_g / 10,
        "allowed": queries.allowed(programme, mass_g, total_ul, today),
    }


@right("curate")
def plan_new(request: HttpRequest) -> HttpResponse:
    form = PlanForm(_asked(request))

    def do(said: dict[str, Any]) -> str:
        return _page_of(actions.make(_actor(request), form.wanted()))

    return act_view(request, form, "plans/plan_form.html", do, done="Plan made. Now add its tubes.")


@right("curate")
def plan_change(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """What a plan says as a whole."""
    found = _plan(request, code, version)
    value = value_of(found)
    form = PlanForm(_asked(request), plan=value)

    def do(said: dict[str, Any]) -> str:
        return _changed(request, found, form.wanted(value), said)

    return act_view(request, form, "plans/plan_form.html", do, {"plan": found}, done="Changed.")


def _changed(request: HttpRequest, found: SamplePlan, wanted: Plan, said: dict[str, Any]) -> str:
    made = actions.change(_actor(request), found, wanted, said["seen"], said["reason"])
    if made.pk != found.pk:
        messages.info(
            request,
            f"Sets were printed from version {found.version}, so it stays. This is version {made.version}.",
        )
    return _page_of(made)


@right("curate")
def plan_tube_new(request: HttpRequest, code: str, version: int) -> HttpResponse:
    found = _plan(request, code, version)
    value = value_of(found)
    form = TubeForm(_asked(request), plan=value)

    def do(said: dict[str, Any]) -> str:
        return _changed(request, found, value.with_tube(said["tube"]), said)

    return act_view(request, form, "plans/tube.html", do, {"plan": found}, done="Tube added.")


@right("curate")
def plan_tube(request: HttpRequest, code: str, version: int, number: int) -> HttpResponse:
    """One planned tube with its aliquots."""
    found = _plan(request, code, version)
    value = value_of(found)
    tube = value.tube(number)
    if tube is None:
        raise Http404("This plan has no such tube.")
    form = TubeForm(_asked(request), plan=value, tube=tube)

    def do(said: dict[str, Any]) -> str:
        return _changed(request, found, value.with_tube(said["tube"], number), said)

    context = {"plan": found, "tube": tube, "remove_form": _removing(value)}
    return act_view(request, form, "plans/tube.html", do, context, done="Changed.")


def _removing(value: Plan, data: Any = None) -> ReasonForm:
    form = ReasonForm(data, initial={"seen": value.digest()}, auto_id="remove_%s")
    form.fields["reason"].label = "Why it is taken out"
    return form


@right("curate")
@require_POST
def plan_tube_remove(request: HttpRequest, code: str, version: int, number: int) -> HttpResponse:
    found = _plan(request, code, version)
    value = value_of(found)
    tube = value.tube(number)
    if tube is None:
        raise Http404("This plan has no such tube.")
    form = _removing(value, request.POST)

    def do(said: dict[str, Any]) -> str:
        return _changed(request, found, value.without(number), said)

    return act_view(request, form, "plans/remove.html", do, {"plan": found, "tube": tube}, done="Taken out.")


@right("curate")
@require_POST
def plan_move(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """One tube one place earlier or later: `earlier` or `later` is its number."""
    found = _plan(request, code, version)
    value = value_of(found)
    way = "earlier" if "earlier" in request.POST else "later"
    text = request.POST.get(way, "")
    tube = value.tube(int(text)) if text.isdecimal() and len(text) < 4 else None
    if tube is None:
        raise Http404("This plan has no such tube.")
    wanted = value.moved(tube.number, -1 if way == "earlier" else 1)
    said = {"seen": request.POST.get("seen", ""), "reason": f"{tube.label} is drawn {way}"}
    try:
        target = _changed(request, found, wanted, said)
    except Refused as no:
        messages.error(request, f"{no.sentence} ({no.code})")
        return render(request, "plans/moved.html", {"plan": found, "no": no}, status=422)
    return redirect(f"{target}#tube-{tube.number}")


@right("curate")
@require_POST
def plan_retire(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """No longer printed from, or again."""
    found = _plan(request, code, version)
    form = ReasonForm(request.POST)
    do_it = actions.bring_back if found.retired else actions.retire

    def do(said: dict[str, Any]) -> str:
        do_it(_actor(request), found, said["reason"])
        return _page_of(found)

    context = _context(request, found) | {"mass_form": MassForm(), "reason_form": form}
    return act_view(request, form, "plans/plan.html", do, context, done="Changed.")


@right("curate")
def plan_starters(request: HttpRequest) -> HttpResponse:
    """Begin from a plan that comes with the project; `name` says which."""
    if request.method == "POST":
        return _begun(request, request.POST.get("name", ""))
    rows = [(one, totals(one)) for one in starters().values()]
    return render(request, "plans/starters.html", {"rows": rows})


def _begun(request: HttpRequest, name: str) -> HttpResponse:
    who = request.person  # type: ignore[attr-defined]
    try:
        made = actions.install(who.programme, request.user, name)
    except Refused as no:
        rows = [(one, totals(one)) for one in starters().values()]
        return render(request, "plans/starters.html", {"rows": rows, "no": no}, status=422)
    messages.success(request, "Plan made. Go through it before you print from it.")
    return redirect(_page_of(made))


@right("curate")
def plan_table(request: HttpRequest) -> HttpResponse:
    """A plan from a table, or what is wrong with the table."""
    form = TableForm(_asked(request), request.FILES or None)
    context: dict[str, Any] = {}

    def do(said: dict[str, Any]) -> str:
        wanted, faults = sheet.read(said["file"].read(MOST_BYTES + 1))
        context["faults"], context["more"] = faults[:SHOWN_FAULTS], max(0, len(faults) - SHOWN_FAULTS)
        if wanted is None:
            raise Refused("table_has_faults", f"Nothing was taken in: {len(faults)} cells need a look.")
        return _page_of(actions.take_in(_actor(request), wanted, said["reason"]))

    return act_view(request, form, "plans/table.html", do, context, done="Plan taken in.")


@right("see")
@require_safe
def plan_export(request: HttpRequest, code: str, version: int, kind: str) -> HttpResponse:
    if kind not in KINDS:
        raise Http404("A plan is exported as csv or xlsx.")
    found = _plan(request, code, version)
    write, mime = KINDS[kind]
    answer = HttpResponse(write(value_of(found)), content_type=mime)
    answer["Content-Disposition"] = f'attachment; filename="{found.code}-{found.version}.{kind}"'
    return answer


@right("see")
@require_safe
def kit(request: HttpRequest) -> HttpResponse:
    """What to pack for a field day, or for a plan and so many animals. At most 11 queries."""
    programme = request.person.programme  # type: ignore[attr-defined]
    form = KitForm(request.GET or None, programme=programme)
    context: dict[str, Any] = {"form": form}
    if form.is_bound and form.is_valid():
        context |= _packed(request, form.cleaned_data)
    return render(request, "plans/kit.html", context, status=422 if form.is_bound and form.errors else 200)


def _packed(request: HttpRequest, said: dict[str, Any]) -> dict[str, Any]:
    programme, day = request.person.programme, said["day"]  # type: ignore[attr-defined]
    printed = queries.printed_for(day) if day and not said["plan"] else []
    animals = said["animals"] if said["animals"] is not None else day.expected_animals if day else 0
    wanted = printed
    if said["plan"]:
        wanted = [(value_of(said["plan"]), animals + (said["spares"] or 0))]
    on = day.date if day else queries.today_of(programme, timezone.now())
    lots = list(queries.lots_of(programme))
    return {
        "day": day,
        "on": on,
        "wanted": wanted,
        "printed": bool(printed),
        "kit": kit_of(wanted, lots, on),
        "chosen": said["plan"],
    }


@right("see")
def lots(request: HttpRequest) -> HttpResponse:
    """Lots of empty tubes, and until when they may be used; who has the right to print may add."""
    who = request.person  # type: ignore[attr-defined]
    may_add = may(who, "print")
    if request.method == "POST" and not may_add:
        raise PermissionDenied("Your role does not include the right to print.")
    form = LotForm(_asked(request))
    today = queries.today_of(who.programme, timezone.now())

    def do(said: dict[str, Any]) -> str:
        actions.add_lot(_actor(request), **said)
        return reverse("lots")

    context = {
        "rows": [line(one, today) for one in queries.lots_of(who.programme)],
        "may_add": may_add,
    }
    return act_view(request, form, "plans/lots.html", do, context, done="Lot added.")


@right("print")
@require_POST
def lot_used_up(request: HttpRequest, pk: int) -> HttpResponse:
    who = request.person  # type: ignore[attr-defined]
    lot = get_object_or_404(queries.lots_of(who.programme), pk=pk)
    actions.use_up(_actor(request), lot, not request.POST.get("again"))
    return redirect("lots")
