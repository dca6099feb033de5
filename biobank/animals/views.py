"""Pages of animals: found by anything they bear, and who they are. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.field import scanning
from biobank.field.forms import NewAnimalForm
from biobank.field.queries import animal_or_404, changes, workup_or_404
from biobank.forms import act_view
from biobank.models import Animal, AnimalMerge, Identifier

from . import actions, queries
from .forms import ChipForm, EndForm, FindForm, IdentifierForm, MergeForm, SplitForm, UndoMergeForm

PAGE = 50


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())  # type: ignore[attr-defined]


def _asked(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


@right("see")
@require_safe
def animals(request: HttpRequest) -> HttpResponse:
    """All individuals, or those that ever bore what is asked for. At most 6 queries."""
    form = FindForm(request.GET)
    text = form.cleaned_data["q"].strip() if form.is_valid() else ""
    programme = request.person.programme  # type: ignore[attr-defined]
    found = queries.find(programme, text) if text else queries.of_programme(programme)
    page = Paginator(found, PAGE).get_page(request.GET.get("page"))
    return render(request, "animals/animals.html", {"page": page, "form": form, "q": text})


@right("see")
@require_safe
def animal(request: HttpRequest, code: str) -> HttpResponse:
    """One animal: what it bore, every time it was in hand, and how this came to be known."""
    return render(request, "animals/animal.html", _context(request, animal_or_404(_who(request), code)))


def _who(request: HttpRequest) -> Any:
    return request.person  # type: ignore[attr-defined]


def _context(request: HttpRequest, found: Animal, **forms: Any) -> dict[str, Any]:
    who = _who(request)
    known = queries.known(found)
    shown = {
        "animal": found,
        "known": known,
        "changes": changes(found, who.programme.tz),
        "may_identify": may(who, "identify"),
        "may_merge": may(who, "curate"),
    }
    if shown["may_identify"]:
        today = {"since": timezone.localdate().isoformat()}
        shown["identifier_form"] = IdentifierForm(initial=today, auto_id="borne_%s")
    if shown["may_merge"]:
        shown["merge_form"] = MergeForm(who=who, rows=known.rows, auto_id="merge_%s")
        shown["split_form"] = SplitForm(animal=found, auto_id="split_%s")
    return shown | forms


def _page(request: HttpRequest, found: Animal, name: str, form: Any, do: Any, done: str) -> HttpResponse:
    context = _context(request, found, **{name: form})
    return act_view(request, form, "animals/animal.html", do, context, done=done)


@right("identify")
def identifier_add(request: HttpRequest, code: str) -> HttpResponse:
    found = animal_or_404(_who(request), code)
    form = IdentifierForm(_asked(request), auto_id="borne_%s")

    def do(said: dict[str, Any]) -> str:
        actions.add_identifier(_actor(request), found, **said)
        for warning in form.warnings:
            messages.warning(request, warning)
        return reverse("animal", args=[found.code])

    return _page(request, found, "identifier_form", form, do, "Written down.")


@right("identify")
def identifier_end(request: HttpRequest, pk: int) -> HttpResponse:
    """An identifier that is borne no longer: a page of its own."""
    borne = Identifier.objects.select_related("animal")
    found = get_object_or_404(borne, pk=pk, animal__programme=_who(request).programme)
    form = EndForm(_asked(request), initial={"until": timezone.localdate().isoformat()})

    def do(said: dict[str, Any]) -> str:
        actions.end_identifier(_actor(request), found, **said)
        return reverse("animal", args=[found.animal.code])

    return act_view(request, form, "animals/end.html", do, {"identifier": found}, done="It has ended.")


@right("curate")
def animal_merge(request: HttpRequest, code: str) -> HttpResponse:
    found = animal_or_404(_who(request), code)
    rows = queries.individual(found)
    form = MergeForm(_asked(request), who=_who(request), rows=rows, auto_id="merge_%s")

    def do(said: dict[str, Any]) -> str:
        actions.merge(_actor(request), found, **said)
        return reverse("animal", args=[found.code])

    return _page(request, found, "merge_form", form, do, "Both are one animal now.")


@right("curate")
def animal_unmerge(request: HttpRequest, pk: int) -> HttpResponse:
    """Two animals after all: a page of its own."""
    merges = AnimalMerge.objects.select_related("kept", "gone")
    found = get_object_or_404(merges, pk=pk, kept__programme=_who(request).programme)
    form = UndoMergeForm(_asked(request))

    def do(said: dict[str, Any]) -> str:
        actions.unmerge(_actor(request), found, **said)
        return reverse("animal", args=[found.kept.code])

    return act_view(request, form, "animals/unmerge.html", do, {"merge": found}, done="They are two again.")


@right("curate")
def animal_split(request: HttpRequest, code: str) -> HttpResponse:
    found = animal_or_404(_who(request), code)
    form = SplitForm(_asked(request), animal=found, auto_id="split_%s")

    def do(said: dict[str, Any]) -> str:
        made = actions.split(_actor(request), found, **said)
        return reverse("animal", args=[made.code])

    return _page(request, found, "split_form", form, do, "This is the other animal.")


@right("draw")
def workup_chip(request: HttpRequest, code: str) -> HttpResponse:
    """A chip is read on the animal in hand. A chip that nobody knows leads on to a new animal."""
    workup = workup_or_404(_who(request), code)
    form = ChipForm(_asked(request), auto_id="chip_%s")

    def do(said: dict[str, Any]) -> str:
        read = scanning.chip(_actor(request), workup, said["text"], said["reason"], said["as_read"])
        messages.info(request, read.sentence)
        for warning in read.warnings:
            messages.warning(request, warning)
        return read.to or reverse("workup", args=[workup.code])

    asked_chip = request.GET.get("chip", "")[:20]
    context = {"workup": workup, "chip_form": form, "new_chip": asked_chip}
    if asked_chip:
        tz = _who(request).programme.tz
        initial = {"kind": "chip", "text": asked_chip, "species": _usual_species(workup)}
        context["new_form"] = NewAnimalForm(tz=tz, auto_id="new_%s", initial=initial)
    return act_view(request, form, "animals/chip.html", do, context, done="Chip read.")


def _usual_species(workup: Any) -> str:
    """The species of the animal that was made last: most often the same one. 1 query."""
    newest = Animal.objects.filter(programme=workup.day.site.programme).order_by("-pk").first()
    return newest.species if newest else ""
