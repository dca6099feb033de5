"""Pages of alarms: what goes on, who is told, what is watched, and the monthly tests."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.alarms import actions, mails, queries
from biobank.alarms.forms import AnswerForm, EndOnCallForm, LimitsForm, OnCallForm, SeenForm, WhyForm
from biobank.bench.asked import actor, bound
from biobank.counts.forms import KeyForm
from biobank.forms import act_view
from biobank.models import AlarmTest, OnCall, Person, Unit

asks = require_http_methods(["GET", "HEAD", "POST"])
DELAY_MIN, SILENCE_MIN = 30, 60  # what stands in the form of a unit that was never watched


def rights(request: HttpRequest) -> dict[str, Any]:
    who = request.person  # type: ignore[attr-defined]
    return {"may_store": may(who, "store"), "may_curate": may(who, "curate")}


def common(request: HttpRequest) -> dict[str, Any]:
    """What stands on every page of the room: its heartbeat."""
    return {"heart": queries.heart(timezone.now())} | rights(request)


@require_safe
@right("see")
def alarms(request: HttpRequest) -> HttpResponse:
    """What waits, who is on call, what is watched."""
    now = timezone.now()
    context = {
        "waiting": queries.waiting(), "earlier": queries.earlier(), "units": queries.units(now),
        "duty": queries.duty(now), "tests": queries.open_tests(), "test_days": queries.TEST_DAYS,
    }  # fmt: skip
    return render(request, "alarms/alarms.html", context | common(request))


def _alarm_or_404(pk: int) -> queries.Shown:
    found = queries.alarm(pk)
    if found is None:
        raise Http404("No such alarm.")
    return found


@asks
@right("see")
def alarm(request: HttpRequest, pk: int) -> HttpResponse:
    """One alarm, its messages, and its acknowledgement."""
    shown = _alarm_or_404(pk)
    if request.method == "POST":
        return _acknowledge(request, shown)
    return render(request, "alarms/alarm.html", _context(request, shown) | {"form": bound(SeenForm, request)})


@right("store")
def _acknowledge(request: HttpRequest, shown: queries.Shown) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        return reverse("alarm", args=[actions.acknowledge(actor(request), shown.alarm, said["why"]).pk])

    form = bound(SeenForm, request)
    return act_view(
        request,
        form,
        "alarms/alarm.html",
        do,
        _context(request, shown),
        done="Acknowledged. No more messages.",
    )


def _context(request: HttpRequest, shown: queries.Shown) -> dict[str, Any]:
    return {"shown": shown, "alarm": shown.alarm, "mails": shown.alarm.mails.all()} | common(request)


@asks
@right("store")
def close(request: HttpRequest, pk: int) -> HttpResponse:
    """Close one by hand."""
    shown = _alarm_or_404(pk)

    def do(said: dict[str, Any]) -> str:
        return reverse("alarm", args=[actions.close(actor(request), shown.alarm, said["why"]).pk])

    form = bound(WhyForm, request)
    return act_view(request, form, "alarms/close.html", do, _context(request, shown), done="Closed.")


# --- units ----------------------------------------------------------------------------------------


def _unit_or_404(code: str) -> Unit:
    return get_object_or_404(Unit.objects.select_related("agency", "alarm_setting"), code=code)


@asks
@right("see")
def unit(request: HttpRequest, code: str) -> HttpResponse:
    """Limits, delays, tests and alarms of one unit."""
    found = _unit_or_404(code)
    if request.method == "POST":
        return _limits(request, found)
    return render(
        request, "alarms/unit.html", _unit_context(request, found) | {"form": _form(request, found)}
    )


@right("curate")
def _limits(request: HttpRequest, found: Unit) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        given = {name: said[name] for name in ("above", "below", "delay_min", "silence_min", "active")}
        actions.set_limits(actor(request), found, actions.Limits(**given), said["why"])
        return reverse("alarm_unit", args=[found.code])

    return act_view(request, _form(request, found), "alarms/unit.html", do, _unit_context(request, found))


def _form(request: HttpRequest, found: Unit) -> LimitsForm:
    setting = getattr(found, "alarm_setting", None)
    start = {
        "above": _typed(found.alarm_above_centi), "below": _typed(found.alarm_below_centi),
        "delay_min": setting.delay_s // 60 if setting else DELAY_MIN,
        "silence_min": setting.silence_s // 60 if setting else SILENCE_MIN,
        "active": setting.active if setting else True,
    }  # fmt: skip
    return bound(LimitsForm, request, initial=start)


def _typed(centi: int | None) -> str:
    return "" if centi is None else f"{centi / 100:.2f}".rstrip("0").rstrip(".")


def _unit_context(request: HttpRequest, found: Unit) -> dict[str, Any]:
    now = timezone.now()
    return {
        "unit": found, "watched": queries.unit(found, now), "alarms": queries.alarms_of(found),
        "tests": queries.tests_of(found), "changes": queries.changes(found), "on_call": mails.on_call(now),
        "test_form": KeyForm(), "test_days": queries.TEST_DAYS,
    } | common(request)  # fmt: skip


# --- tests ----------------------------------------------------------------------------------------


@asks
@right("store")
def send_test(request: HttpRequest, code: str) -> HttpResponse:
    """Send a test message to whoever is on call."""
    found = _unit_or_404(code)

    def do(said: dict[str, Any]) -> str:
        return reverse("alarm_test", args=[actions.send_test(actor(request), said["key"], found).pk])

    context = {"unit": found, "on_call": mails.on_call(timezone.now())} | common(request)
    return act_view(
        request, bound(KeyForm, request), "alarms/send_test.html", do, context,
        done="Handed over. Say here whether it came.",
    )  # fmt: skip


@asks
@right("see")
def test(request: HttpRequest, pk: int) -> HttpResponse:
    """One test: whether it came."""
    rows = AlarmTest.objects.select_related("unit", "to", "by", "answered_by").prefetch_related("mails")
    found = get_object_or_404(rows, pk=pk)
    context = {"test": found} | common(request)
    if request.method == "POST":
        return _answer(request, found, context)
    return render(request, "alarms/test.html", context | {"form": bound(AnswerForm, request)})


@right("store")
def _answer(request: HttpRequest, found: AlarmTest, context: dict[str, Any]) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        done = actions.answer_test(actor(request), found, said["result"], said["note"])
        return reverse("alarm_unit", args=[done.unit.code])

    return act_view(
        request, bound(AnswerForm, request), "alarms/test.html", do, context, done="Written down."
    )


# --- on call --------------------------------------------------------------------------------------


@asks
@right("see")
def on_call(request: HttpRequest) -> HttpResponse:
    """Who is told, from when to when."""
    if request.method == "POST":
        return _put_on_call(request)
    return render(request, "alarms/on_call.html", _duty(request) | {"form": _on_call_form(request)})


def _duty(request: HttpRequest) -> dict[str, Any]:
    return {"duty": queries.duty(timezone.now()), "ahead_days": queries.AHEAD_DAYS} | common(request)


def _on_call_form(request: HttpRequest) -> OnCallForm:
    who = request.person  # type: ignore[attr-defined]
    people = Person.objects.filter(programme=who.programme_id).order_by("name")
    return bound(OnCallForm, request, initial={"rank": 1, "after_min": 30}, people=people)


@right("curate")
def _put_on_call(request: HttpRequest) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        given = {
            name: said[name] for name in ("person", "email", "rank", "after_min", "start", "stop", "why")
        }
        actions.put_on_call(actor(request), **given)
        return reverse("on_call")

    return act_view(request, _on_call_form(request), "alarms/on_call.html", do, _duty(request))


@asks
@right("curate")
def end_on_call(request: HttpRequest, pk: int) -> HttpResponse:
    """Somebody is no longer on call."""
    row = get_object_or_404(OnCall.objects.select_related("person"), pk=pk)

    def do(said: dict[str, Any]) -> str:
        actions.end_on_call(actor(request), row, said["stop"], said["why"])
        return reverse("on_call")

    context = {"row": row} | common(request)
    return act_view(request, bound(EndOnCallForm, request), "alarms/end_on_call.html", do, context)
