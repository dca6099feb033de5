"""The page of scans, and its cards on paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.bench.asked import actor
from biobank.core import codes
from biobank.core.acted import MODES
from biobank.models import Pass
from biobank.scan import actions, cards, passes, queries
from biobank.scan.forms import EyeForm, KeyForm, ScanForm, run_form
from biobank.scan.turn import Answer
from custody.core.refusal import Refused

PAGE = "scan/scan.html"


@require_http_methods(["GET", "HEAD", "POST"])
@right("bench")
def scan(request: HttpRequest) -> HttpResponse:
    """Scan. `?mode=` says what is being done, else the mode of last time; `?eye=1` shows what it may be."""
    who = actor(request)
    if request.method != "POST":
        row = passes.of(who.person)
        return _page(request, who, row, _mode(request, row))
    mode = _mode(request, None) or passes.of(who.person).mode
    return _posted(request, who, mode)


def _mode(request: HttpRequest, row: Pass | None) -> str:
    asked = request.GET.get("mode", "")
    return asked if asked in MODES else row.mode if row else ""


def _posted(request: HttpRequest, who: Actor, mode: str) -> HttpResponse:
    """Do it and come back; what was refused is shown at once, with its code."""
    name = next((name for name in ("undo", "eye", "run", "clear") if name in request.POST), "scan")
    try:
        answer, wrong = DO[name](who, mode, request.POST)
    except Refused as no:
        row = passes.of(who.person)
        typed = {"run": _typed(mode, row, request.POST), "run_no": no} if name == "run" else {}
        return _page(request, who, row, mode, 422, no=no, **typed)
    if wrong is not None:
        return _page(request, who, passes.of(who.person), mode, 422, **{_shown(name): wrong})
    if _stays(request, mode, answer):
        return _page(request, who, passes.of(who.person), mode)
    return redirect(answer.go or f"{reverse('scan')}?mode={answer.mode or mode}")


def _stays(request: HttpRequest, mode: str, answer: Answer) -> bool:
    """A scan that scan.js sends is answered by the page at once: one way there and back, not two.

    Fetch Metadata (W3C) tells it from a form that a browser sends by itself, which is sent on to the page,
    so that a reload does not send it again.
    """
    fetched = request.headers.get("Sec-Fetch-Dest") == "empty"
    return fetched and not answer.go and answer.mode in {"", mode}


def _shown(name: str) -> str:
    return {"eye": "eye_form", "run": "run"}.get(name, "form")


def _typed(mode: str, row: Pass, sent: QueryDict) -> forms.Form | None:
    return run_form(mode, row.held.get(mode, {}), sent)


Done = tuple[Answer, forms.Form | None]  # what was answered, or the form that is not filled in rightly
NOTHING = Answer("")


def _scan(who: Actor, mode: str, sent: QueryDict) -> Done:
    form = ScanForm(sent)
    if not form.is_valid():
        return NOTHING, form
    said = form.cleaned_data
    press = sent.get("press", "")[:200]
    return actions.scan(who, said["key"], mode, press or said["scan"], said["why"], bool(press)), None


def _undo(who: Actor, mode: str, sent: QueryDict) -> Done:
    form = KeyForm(sent)
    number = sent["undo"]
    if not form.is_valid():
        return NOTHING, form
    wanted = int(number) if number.isascii() and number.isdigit() else 0
    return actions.undo(who, form.cleaned_data["key"], mode, wanted), None


def _eye(who: Actor, mode: str, sent: QueryDict) -> Done:
    form = _eye_form(who, mode, passes.of(who.person), sent)
    if not form.is_valid():
        return NOTHING, form
    said = form.cleaned_data
    return actions.by_eye(who, said["key"], mode, said["tube"], said["wrong"]), None


def _run(who: Actor, mode: str, sent: QueryDict) -> Done:
    form = _typed(mode, passes.of(who.person), sent)
    if form is None:
        return NOTHING, None
    if not form.is_valid():
        return NOTHING, form
    actions.set_run(who, mode, form.cleaned_data)
    return NOTHING, None


def _clear(who: Actor, mode: str, sent: QueryDict) -> Done:
    actions.clear(who)
    return NOTHING, None


DO: dict[str, Callable[[Actor, str, QueryDict], Done]] = {
    "scan": _scan, "undo": _undo, "eye": _eye, "run": _run, "clear": _clear,
}  # fmt: skip


def _eye_form(who: Actor, mode: str, row: Pass, data: QueryDict | None = None) -> EyeForm:
    tubes = [(one.code, f"{codes.show(one.code)} {one.label}") for one in queries.expected(who, mode, row)]
    return EyeForm(data, tubes=tubes, auto_id="eye_%s")


def _page(
    request: HttpRequest, who: Actor, row: Pass, mode: str, status: int = 200, no: Refused | None = None,
    **sent: Any,
) -> HttpResponse:  # fmt: skip
    bag = row.held.get(mode, {})
    eye = sent.get("eye_form") or (_eye_form(who, mode, row) if "eye" in request.GET else None)
    said = queries.lines(row)
    context = {
        "mode": mode, "mode_words": MODES[mode], "bag": bag, "lines": said[1:], "newest": said[:1],
        "modes": [(name, words, number) for number, (name, words) in enumerate(MODES.items(), 1)],
        "expects": queries.expects(mode, bag), "form": ScanForm(), "run": run_form(mode, bag), "no": no,
        "ask_why": no is not None and no.code == "wrong_temperature_class",
        "may_print": may(who.person, "print"),
        **queries.shown(mode, bag), **sent, "eye_form": eye,
    }  # fmt: skip
    return render(request, PAGE, context, status=status)


@require_safe
@right("bench")
def cards_pdf(request: HttpRequest) -> HttpResponse:
    """Action cards to hang beside the scanner, and the reader's own badge."""
    shown = {"Content-Disposition": 'inline; filename="action-cards.pdf"'}
    return HttpResponse(cards.pdf_of(actor(request).person), content_type="application/pdf", headers=shown)
