"""What somebody with a one-time link sees: code, seal and count, scan, compare, name, receipt.

Promises: no login, and nothing but the codes, labels and types of the tubes of one handoff. The secret stands
in one address only, which answers with a redirect: so it is in no page, no Referer and, because we log what
goes wrong with its address, in no log of ours. Every closed link answers with the same page.
"""

from __future__ import annotations

from functools import wraps
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from biobank.access import View
from biobank.forms import named
from biobank.handoffs import answering, links
from biobank.handoffs.link_forms import CodeForm, ConfirmForm, CountForm, ScanForm
from biobank.models import HandoffLink
from custody.core.refusal import Refused

SESSION = "answer"  # what this browser has said so far of one link
HEADERS = {"Cache-Control": "no-store", "X-Robots-Tag": "noindex, nofollow"}
get_or_post = require_http_methods(["GET", "HEAD", "POST"])


def public(view: View) -> View:
    """A page without a login that nobody keeps, and the one page for every closed link."""

    @login_not_required
    @wraps(view)
    def shown(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            answer = view(request, *args, **kwargs)
        except Refused as no:
            if no.code != "link_closed":
                raise
            answer = _closed(request)
        for name, value in HEADERS.items():
            answer[name] = value
        return answer

    return shown


@csrf_exempt  # changes nothing; a refusal by form token would log the address, and so the secret
@public
def enter(request: HttpRequest, secret: str) -> HttpResponse:
    """The address that the receiver was sent. It always leads on to an address without the secret."""
    answer = redirect(_enter(request, secret))
    answer["Referrer-Policy"] = "no-referrer"
    return answer


def _enter(request: HttpRequest, secret: str) -> str:
    now, address = timezone.now(), request.META.get("REMOTE_ADDR", "")
    if links.too_many(address):
        return "answer_wait"
    link, before = links.find(secret), request.session.get(SESSION, {})
    if link is None:
        links.missed(address)
    if link and before.get("link") == link.pk:  # goes on where it was, or shows the receipt
        return "answer_code"
    request.session.pop(SESSION, None)
    if link and request.method == "GET":
        links.opened(link, now)
        request.session[SESSION] = {"link": link.pk}
    return "answer_code"


@public
def wait(request: HttpRequest) -> HttpResponse:
    """Too many addresses that open nothing came from one place."""
    return render(request, "handoffs/link_wait.html", status=429)


@public
@get_or_post
def code(request: HttpRequest) -> HttpResponse:
    """The code that was told apart. The session gets a new key, so nobody can have prepared it."""
    said = _said(request)
    if said.get("done"):
        return redirect("answer_receipt")
    link = links.live(said.get("link"), timezone.now())
    if said.get("code"):
        return redirect("answer_count")

    def do(cleaned: dict[str, Any]) -> str:
        links.check_code(link.pk, cleaned["code"], timezone.now())
        request.session.cycle_key()
        _keep(request, code=True)
        return "answer_count"

    return _step(request, CodeForm(request.POST or None), "handoffs/link_code.html", do, {"link": link})


@public
@get_or_post
def count(request: HttpRequest) -> HttpResponse:
    """Seal and blind count: nothing on this page tells how many there should be."""
    link, said = _answering(request)
    start = {name: said[name] for name in ("seal", "counted") if name in said}

    def do(cleaned: dict[str, Any]) -> str:
        seal = answering.seal(link, cleaned)
        seen = {"first": said["counted"]} if said.get("seen") and said.get("first") is None else {}
        _keep(request, counted=cleaned["counted"], **seal, **seen)
        return "answer_scan"

    form = CountForm(request.POST or None, initial=start)
    return _step(request, form, "handoffs/link_count.html", do, {"link": link})


@public
@get_or_post
def scan(request: HttpRequest) -> HttpResponse:
    """The code of each tube."""
    link, said = _answering(request)
    if "counted" not in said:
        return redirect("answer_count")
    start = {"scans": "\n".join(said.get("scans", [])), "foreign": "\n".join(said.get("foreign", []))}

    def do(cleaned: dict[str, Any]) -> str:
        _keep(request, scans=cleaned["scans"], foreign=cleaned["foreign"])
        return "answer_compare"

    form = ScanForm(request.POST or None, initial=start)
    return _step(request, form, "handoffs/link_scan.html", do, {"link": link, "counted": said["counted"]})


@public
@get_or_post
def compare(request: HttpRequest) -> HttpResponse:
    """What was scanned beside the list; name and confirm."""
    link, said = _answering(request)
    if "scans" not in said:
        return redirect("answer_scan")
    beside = answering.beside(link, [*said["scans"], *said["foreign"]], said["counted"])
    form = ConfirmForm(request.POST or None, found=beside.found, states=beside.states, extra=beside.extra)
    if not said.get("seen"):
        _keep(request, seen=True)

    def do(cleaned: dict[str, Any]) -> str:
        done = links.answer(link, cleaned["key"], form.answer(said), timezone.now())
        request.session[SESSION] = {"link": link.pk, "done": done.id}
        return "answer_receipt"

    differs = answering.seal_differs(link, said["seal"])
    context = {"link": link, "beside": beside, "found": beside.found, "said": said, "seal_differs": differs}
    return _step(request, form, "handoffs/link_compare.html", do, context)


@public
def receipt(request: HttpRequest) -> HttpResponse:
    """What was received, for the browser that said so."""
    done = _said(request).get("done")
    if not done:
        raise links.closed()
    return render(request, "handoffs/link_receipt.html", answering.receipt(done))


def _closed(request: HttpRequest) -> HttpResponse:
    """The one page of all closed links; but who has just answered, in this browser, sees what they said."""
    if _said(request).get("done"):
        return redirect("answer_receipt")
    return render(request, "handoffs/link_closed.html", status=404)


# --- what the steps share -------------------------------------------------------------------------


def _said(request: HttpRequest) -> dict[str, Any]:
    found: dict[str, Any] = request.session.get(SESSION, {})
    return found


def _keep(request: HttpRequest, **said: Any) -> None:
    request.session[SESSION] = _said(request) | said


def _answering(request: HttpRequest) -> tuple[HandoffLink, dict[str, Any]]:
    """The link of this browser, once its code was right. Refused `link_closed`."""
    said = _said(request)
    if not said.get("code"):
        raise links.closed()
    return links.live(said["link"], timezone.now()), said


def _step(
    request: HttpRequest, form: forms.Form, template: str, do: Any, context: dict[str, Any]
) -> HttpResponse:
    """Ask, do, lead on. A refusal stands in its form; a link that has closed meanwhile is closed."""
    if request.method == "POST" and form.is_valid():
        try:
            return redirect(do(form.cleaned_data))
        except Refused as no:
            if no.code == "link_closed":
                raise
            form.add_error(None, ValidationError(named(no), no.code))
    status = 422 if form.is_bound and form.errors else 200
    return render(request, template, {**context, "form": form}, status=status)
