"""Pages of counts: what to count, choosing, the count itself, its result, accuracy over time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.bench.asked import actor
from biobank.core import counting, risk
from biobank.counts import actions, queries
from biobank.counts.forms import BoxForm, CloseForm, DrawForm, FinishForm, RackForm, ScanForm
from biobank.forms import act_view, named
from biobank.models import Count, CountDraw
from custody.core.refusal import Refused

asks = require_http_methods(["GET", "HEAD", "POST"])
SHOWN, NEWEST = 30, 8


def may_count(request: HttpRequest) -> bool:
    return may(request.person, "store")  # type: ignore[attr-defined]


@require_safe
@right("see")
def counts(request: HttpRequest) -> HttpResponse:
    """What is to be counted, and what was."""
    context = {"to_do": queries.to_do(), "done": queries.done(), "may_count": may_count(request)}
    return render(request, "counts/counts.html", context)


@asks
@right("store")
def choose(request: HttpRequest) -> HttpResponse:
    """Boxes by risk; draw some."""
    boxes = queries.weighed(request.person.agency)  # type: ignore[attr-defined]
    start = {"wanted": max(1, risk.a_month(len(boxes)))}
    form = DrawForm(request.POST or None, initial=start)

    def do(said: dict[str, Any]) -> str:
        made = actions.draw(actor(request), **said)
        return reverse("count_draw", args=[made.pk])

    context = {"boxes": boxes[:SHOWN], "all": len(boxes), "box": BoxForm()}
    return act_view(request, form, "counts/choose.html", do, context, "Chosen. Their counts are on the list.")


@asks
@right("store")
def begin(request: HttpRequest) -> HttpResponse:
    """Count this box now."""
    form = BoxForm(request.POST or None)

    def do(said: dict[str, Any]) -> str:
        return reverse("count", args=[actions.by_hand(actor(request), said["unit"]).pk])

    return act_view(request, form, "counts/begin.html", do, done="Scan its tubes.")


@require_safe
@right("see")
def draw(request: HttpRequest, pk: int) -> HttpResponse:
    """One choice of boxes, and how to redo it."""
    found = CountDraw.objects.select_related("by").filter(pk=pk).first()
    if found is None:
        raise Http404("No such draw.")
    context = {"draw": found, "rows": queries.lots(found), "redone": queries.redone(found)}
    return render(request, "counts/draw.html", context)


@require_safe
@right("see")
def accuracy(request: HttpRequest) -> HttpResponse:
    """How exact the store is, month by month."""
    rows = queries.months(request.person.programme.tz)  # type: ignore[attr-defined]
    rates = [one.rate for one in rows if one.rate is not None]
    context = {"months": rows, "picture": queries.picture(rows), "trend": risk.trend(rates) if rates else ""}
    return render(request, "counts/accuracy.html", context)


def count_or_404(pk: int) -> Count:
    found = Count.objects.select_related("unit", "by", "draw", "after__unit").filter(pk=pk).first()
    if found is None:
        raise Http404("No such count.")
    return found


# one count ----------------------------------------------------------------------------------------


@asks
@right("see")
def count(request: HttpRequest, pk: int) -> HttpResponse:
    """Count a box, or see what was found in it."""
    one = count_or_404(pk)
    if request.method == "POST":
        if not may_count(request):
            raise PermissionDenied("Your role does not include the right to count.")
        return _act(request, one)
    return _result(request, one) if one.finished else _open(request, one)


def _act(request: HttpRequest, one: Count) -> HttpResponse:
    """What was sent from the page of an open count: one of its four forms."""
    name = request.POST.get("do", "")
    form = {"rack": RackForm, "finish": FinishForm, "back": forms.Form}.get(name, ScanForm)(request.POST)
    if form.is_valid():
        try:
            done = DO.get(name, _scan)(request, one, form.cleaned_data)
        except Refused as no:
            field = None if name in DO or no.code == "count_finished" else "scan"
            form.add_error(field, ValidationError(named(no), no.code))
        else:
            messages.success(request, done)
            return redirect("count", pk=one.pk)
    one = count_or_404(one.pk)
    if one.finished:
        return _result(request, one, form, 422)
    return _open(request, one, {name if name in DO else "scan": form}, 422)


def _scan(request: HttpRequest, one: Count, said: dict[str, Any]) -> str:
    if said["scan"].strip().upper() == one.unit.code:
        return _finish(request, one, {"key": said["key"], "empty": False})
    return actions.read(actor(request), one, said["scan"])


def _rack(request: HttpRequest, one: Count, said: dict[str, Any]) -> str:
    return f"{risk.many(actions.rack(actor(request), one, said['rack']), 'tube')} read. Finish the count."


def _finish(request: HttpRequest, one: Count, said: dict[str, Any]) -> str:
    actions.finish(actor(request), said["key"], one, said["empty"])
    return "Counted and written down."


def _back(request: HttpRequest, one: Count, said: dict[str, Any]) -> str:
    actions.take_back(actor(request), one)
    return "The newest reading is taken back."


DO: dict[str, Callable[[HttpRequest, Count, dict[str, Any]], str]] = {
    "rack": _rack, "finish": _finish, "back": _back,
}  # fmt: skip


def _open(
    request: HttpRequest, one: Count, bound: dict[str, forms.Form] | None = None, status: int = 200
) -> HttpResponse:
    reads, grid = queries.reads_of(one), one.unit.grid
    blank = {"scan": ScanForm(), "rack": RackForm(auto_id="rack_%s"), "finish": FinishForm(auto_id="end_%s")}
    sent = bound or {}
    newest = [(read.tube, queries.slot_name(grid, read.slot)) for read in reversed(reads[-NEWEST:])]
    context = {
        "count": one, "read": len(reads), "newest": newest, "may_count": may_count(request),
        "forms": blank | sent, "wrong": next(iter(sent.values()), None),
    }  # fmt: skip
    return render(request, "counts/count.html", context, status=status)


def _result(
    request: HttpRequest, one: Count, wrong: forms.Form | None = None, status: int = 200
) -> HttpResponse:
    noted = queries.differences(one)
    context = {
        "count": one, "differences": noted, "left": sum(not diff.closed for diff in noted),
        "unnamed": queries.unnamed(one, {diff.tube for diff in noted}), "words": counting.WORDS,
        "queued": one.queued.select_related("unit"), "may_count": may_count(request),
        "share": _share(one), "wrong": wrong,
    }  # fmt: skip
    return render(request, "counts/result.html", context, status=status)


def _share(one: Count) -> str:
    rate = counting.rate(one.found, one.expected, one.extra)
    return "" if rate is None else risk.share(rate)


@asks
@right("store")
def close(request: HttpRequest, pk: int, event: UUID) -> HttpResponse:
    """Say how a difference was settled."""
    one = count_or_404(pk)
    found = next((diff for diff in queries.differences(one) if diff.event == str(event)), None)
    if found is None:
        raise Http404("This count noted no such difference.")

    def do(said: dict[str, Any]) -> str:
        actions.close(actor(request), said["key"], one, str(event), said["note"])
        return reverse("count", args=[one.pk])

    context = {"count": one, "found": found, "word": counting.WORDS.get(found.word, found.word)}
    return act_view(request, CloseForm(request.POST or None), "counts/close.html", do, context, "Closed.")
