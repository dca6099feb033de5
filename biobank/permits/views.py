"""Pages of permits and agreements: the register, one paper, its files. Ask, do, show.

Promises: a paper of another programme is 404. What a paper allows is for the authorities to say, not for
these pages. Every file that is taken away is logged with who, what and how large.
"""

from __future__ import annotations

import logging
from typing import Any

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.checks.rule_refused import asked, today
from biobank.forms import act_view
from biobank.models import Permit, Person
from biobank.permits import actions, history, queries
from biobank.permits.forms import PermitForm
from biobank.sheets.photos import ENDINGS, Kind
from custody.core.refusal import Refused

log = logging.getLogger("biobank.exports")
ONE = "permits/permit.html"


def _who(request: HttpRequest) -> Person:
    return request.person  # type: ignore[attr-defined,no-any-return]


def _may(who: Person) -> bool:
    return may(who, "curate") or may(who, "register")


def _must(who: Person) -> None:
    if not _may(who):
        raise PermissionDenied("Your role does not include the right to curate.")


@require_safe
@right("see")
def permits(request: HttpRequest) -> HttpResponse:
    """All of the programme, with where they stand and what is used of them."""
    who = _who(request)
    rows = queries.register(who.programme, today(request))
    return render(request, "permits/list.html", {"rows": rows, "may_edit": _may(who)})


@require_safe
@right("see")
def permit(request: HttpRequest, pk: int) -> HttpResponse:
    return _page(request, pk)


def _page(request: HttpRequest, pk: int, wrong: Refused | None = None) -> HttpResponse:
    who = _who(request)
    shown = queries.one(who.programme, pk, today(request))
    return render(request, ONE, {
        "one": shown, "permit": shown.permit, "files": queries.files(shown.permit),
        "changes": history.history_of(shown.permit), "may_edit": _may(who), "wrong": wrong,
    }, status=422 if wrong else 200)  # fmt: skip


@right("see")
def permit_new(request: HttpRequest) -> HttpResponse:
    return _form(request, None)


@right("see")
def permit_edit(request: HttpRequest, pk: int) -> HttpResponse:
    return _form(request, get_object_or_404(Permit, pk=pk, programme=_who(request).programme))


def _form(request: HttpRequest, found: Permit | None) -> HttpResponse:
    who = _who(request)
    _must(who)
    form = PermitForm(asked(request), programme=who.programme, permit=found)

    def do(said: dict[str, Any]) -> str:
        kept = actions.save_permit(who.programme, found, said, request.user, said["reason"])
        return reverse("permit", args=[kept.pk])

    return act_view(request, form, "permits/form.html", do, {"permit": found}, "Saved.")


@require_POST
@right("see")
def permit_files(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep files; one byte more than allowed is read, so that it is refused."""
    who = _who(request)
    found = get_object_or_404(Permit, pk=pk, programme=who.programme)
    _must(who)
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    sent = [(one.name or "", one.read(most + 1)) for one in request.FILES.getlist("files")]
    try:
        actions.add_files(Actor.of(request.user), found, sent)
    except Refused as no:
        return _page(request, pk, no)
    return redirect("permit", pk)


@require_safe
@right("see")
def permit_file(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """The exact bytes of a file, to be kept and never to be run: it came from outside."""
    who = _who(request)
    found = queries.file_or_404(who, pk, name)
    called = f"{found.permit.sort}-{found.permit.number}-{name}.{ENDINGS[Kind(found.kind)]}"
    log.info("permit file %s of %s, %d bytes, by %s", name, found.permit.number, found.size, who.code)
    return HttpResponse(bytes(found.content), content_type=found.kind, headers={
        "Content-Disposition": content_disposition_header(True, called.replace("/", "-")) or "attachment",
        "X-Content-Type-Options": "nosniff", "Content-Security-Policy": "sandbox; default-src 'none'",
        "Cache-Control": "private, no-store",
    })  # fmt: skip
