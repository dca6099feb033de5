"""Pages of field sheets: the paper, what was written on it, and its photos."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from biobank.access import right
from biobank.days.queries import day_or_404
from biobank.field.queries import set_page
from biobank.forms import act_view
from biobank.models import SheetPhoto, TubeSet
from biobank.sets.queries import set_or_404
from biobank.sets.views import actor_of
from custody.core.refusal import Refused

from . import actions, paper, photos, queries
from .forms import EnterForm, PdfForm

PRINT, ENTER = "sheets/print.html", "sheets/enter.html"


@right("print")
@require_safe
def set_sheet(request: HttpRequest, code: str) -> HttpResponse:
    """The field sheet of a set; `?paper=` a4 or letter, `?copies=` up to four."""
    found = set_or_404(request.person, code)
    form = PdfForm({"paper": "a4"} | request.GET.dict())
    if form.is_valid():
        said = form.cleaned_data
        try:
            pdf = paper.sheet_pdf(found, said["paper"], said["copies"] or 1)
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
        else:
            return _pdf(pdf, f"sheet-{found.code}")
    return render(request, PRINT, {"form": form, "set": found}, status=422)


@right("print")
@require_safe
def day_sheets(request: HttpRequest, pk: int) -> HttpResponse:
    """Everything for a day without any device: what to do, who and which sets, and their sheets."""
    found = day_or_404(request.person, pk)
    form = PdfForm({"paper": "a4"} | request.GET.dict())
    if not form.is_valid():
        return render(request, PRINT, {"form": form, "day": found}, status=422)
    name = f"sheets-{found.site.code}-{found.date}"
    return _pdf(paper.day_pdf(found, form.cleaned_data["paper"]), name)


def _pdf(pdf: bytes, name: str) -> HttpResponse:
    shown = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return HttpResponse(pdf, content_type="application/pdf", headers=shown)


@right("draw")
def enter(request: HttpRequest, code: str) -> HttpResponse:
    """Type what a sheet says, its photo beside it. Photos are kept at once, whatever becomes of the rest."""
    found = set_or_404(request.person, code)
    new, wrong = _taken(request, found)
    if request.method == "POST" and (wrong or "add" in request.POST):
        form = _form(request, found, initial=_typed(request, new))
        context = {**_context(form, found), "form": form, "wrong": wrong}
        return render(request, ENTER, context, status=422 if wrong else 200)
    form = _form(request, found, data=_posted(request, new) if request.method == "POST" else None)

    def do(said: dict[str, Any]) -> str:
        actions.enter(actor_of(request), said["key"], found, form.sheet())
        return reverse("set", args=[found.code])

    return act_view(request, form, ENTER, do, _context(form, found), done="Saved as coming from paper.")


def _taken(request: HttpRequest, found: TubeSet) -> tuple[list[SheetPhoto], Refused | None]:
    """Photos that came with this form; one byte more than allowed is read, so that it is refused."""
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    sent = [(file.name or "", file.read(most + 1)) for file in request.FILES.getlist("files")]
    try:
        return actions.keep(actor_of(request), found, sent) if sent else [], None
    except Refused as no:
        return [], no


def _form(request: HttpRequest, found: TubeSet, **given: Any) -> EnterForm:
    return EnterForm(
        tube_set=found, rows=set_page(found)["rows"], photos=list(queries.photos(found)),
        people=queries.fillers(request.person), typist=request.person, **given,
    )  # fmt: skip


def _posted(request: HttpRequest, new: list[SheetPhoto]) -> Any:
    """What was sent, and the photos that came with it ticked."""
    said = request.POST.copy()
    said.setlist("seen", [*said.getlist("seen"), *(one.short for one in new)])
    return said


def _typed(request: HttpRequest, new: list[SheetPhoto]) -> dict[str, Any]:
    """What was typed so far, to be shown again and not yet judged."""
    said = _posted(request, new)
    return said.dict() | {"seen": said.getlist("seen")}


def _context(form: EnterForm, found: TubeSet) -> dict[str, Any]:
    return {"set": found, "photos": form.photos, "open": len(form.open_rows)}


@right("see")
@require_safe
def photo(request: HttpRequest, name: str) -> HttpResponse:
    """The exact bytes of a photo, to look at and never to run: it came from outside."""
    found = queries.photo_or_404(request.person, name)
    shown = content_disposition_header(not found.is_picture, photos.file_name(found)) or ""
    return HttpResponse(bytes(found.content), content_type=found.kind, headers={
        "Content-Disposition": shown, "X-Content-Type-Options": "nosniff",
        "Content-Security-Policy": "sandbox; default-src 'none'", "Cache-Control": "private, max-age=3600",
    })  # fmt: skip
