"""Pages of the import room: what was taken in, upload, look at the rows, take in, mappings."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.imports import actions, queries
from biobank.imports.forms import (
    MappingForm,
    RuleRows,
    TakeInForm,
    TubeRows,
    UploadForm,
    form_of,
    rules_of,
    spec_of,
    tubes_of,
)
from biobank.imports.mapping import digest
from biobank.imports.read import MOST_BYTES
from custody.core.refusal import Refused

SHOWN_ROWS = 12
SHOWN_ERRORS = 100
PAGE = 50


@right("import")
def imports(request: HttpRequest) -> HttpResponse:
    """What was taken in, what waits to be looked at, and the mappings."""
    who = request.person  # type: ignore[attr-defined]
    pages = Paginator(queries.imports_of(who.programme), PAGE)
    context = {
        "page": pages.get_page(request.GET.get("page")),
        "drafts": queries.drafts_of(who),
        "mappings": queries.mappings_of(who.programme),
    }
    return render(request, "imports/imports.html", context)


@right("import")
def upload(request: HttpRequest) -> HttpResponse:
    """Choose a table and its mapping."""
    mappings = queries.mappings_of(request.person.programme)  # type: ignore[attr-defined]
    initial = {"mapping": request.GET.get("mapping")}
    form = UploadForm(request.POST or None, request.FILES or None, mappings=mappings, initial=initial)

    def do(said: dict[str, Any]) -> str:
        file = said["file"]
        content = file.read(MOST_BYTES + 1)  # one more than allowed, so that reading it refuses
        kept = actions.upload(Actor.of(request.user), said["mapping"], file.name, content, said["sheet"])
        return reverse("import_draft", args=[kept.pk])

    context = {"mappings": mappings}
    return act_view(request, form, "imports/upload.html", do, context, "Table read. Nothing is taken in yet.")


@right("import")
def draft(request: HttpRequest, pk: int) -> HttpResponse:
    """Look at a table as it would be taken in; take it in when every row can be read."""
    actor = Actor.of(request.user)
    form = TakeInForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and (done := actions.taken_with(actor, form.cleaned_data["key"]))
    ):
        return redirect("import_taken", done.pk)  # the same form again: its draft is gone
    kept = get_object_or_404(queries.drafts_of(actor.person), pk=pk)
    if not form.is_bound:
        form = TakeInForm(initial={"seen": digest(kept.mapping.spec)})

    def do(said: dict[str, Any]) -> str:
        return reverse("import_taken", args=[actions.take_in(actor, said["key"], kept, said["seen"]).pk])

    return act_view(request, form, "imports/draft.html", do, _looked_at(kept), "Taken in.")


def _looked_at(kept: Any) -> dict[str, Any]:
    try:
        reading = queries.read_draft(kept)
    except Refused as no:
        return {"draft": kept, "refused": no}
    return {
        "draft": kept,
        "reading": reading,
        "errors": reading.errors[:SHOWN_ERRORS],
        "rows": reading.rows[:SHOWN_ROWS],
        "more": max(0, len(reading.rows) - SHOWN_ROWS),
        "outcomes": reading.outcomes,
    }


@require_POST
@right("import")
def forget(request: HttpRequest, pk: int) -> HttpResponse:
    actor = Actor.of(request.user)
    actions.forget(actor, get_object_or_404(queries.drafts_of(actor.person), pk=pk))
    messages.success(request, "The table was let go. Nothing was taken in.")
    return redirect("imports")


@right("import")
def taken(request: HttpRequest, pk: int) -> HttpResponse:
    """One table that was taken in, with its workups and tubes as they are now."""
    who = request.person  # type: ignore[attr-defined]
    done = get_object_or_404(queries.imports_of(who.programme), pk=pk)
    page = Paginator(queries.workups_of(done), PAGE).get_page(request.GET.get("page"))
    context = {"done": done, "page": page, "shown": queries.with_tubes(page.object_list)}
    return render(request, "imports/taken.html", context)


@right("import")
def mapping(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """Make or change a mapping. `?draft=` comes back to the table that was being looked at."""
    actor = Actor.of(request.user)
    there = get_object_or_404(queries.mappings_of(actor.person.programme), pk=pk) if pk else None
    spec = there.spec if there else {}
    posted = request.POST or None
    form = MappingForm(posted, initial=form_of(spec) | {"name": there.name if there else ""})
    tubes = TubeRows(posted, prefix="tube", initial=tubes_of(spec))
    rules = RuleRows(posted, prefix="rule", initial=rules_of(spec))
    back = draft_named(request.GET.get("draft", ""))

    def do(said: dict[str, Any]) -> str:
        made = spec_of(said, tubes.said(), rules.said())
        saved = actions.save_mapping(actor, said["name"], made, there, said["reason"])
        return reverse("import_draft", args=[back]) if back else reverse("import_mapping", args=[saved.pk])

    if posted and not (tubes.is_valid() and rules.is_valid()):
        form.add_error(
            None, ValidationError("A tube or a rule below is not filled in right.", "mapping_malformed")
        )
    context = {"there": there, "tubes": tubes, "rules": rules, "back": back}
    return act_view(request, form, "imports/mapping.html", do, context, "Mapping saved.")


def draft_named(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 19 else None
