"""Pages of a logger's file: take it in, answer what it does not say, look at it, store it.

Promises: nothing is stored before a person has looked; what the file leaves open is asked.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from biobank.access import right
from biobank.acting import Actor, ms
from biobank.forms import act_view
from biobank.models import LoggerDraft, LoggerImport
from biobank.temperature import filing, parse, plausible
from biobank.temperature.file_forms import AnswerForm, FileForm, NameForm, ReadForm
from biobank.temperature.forms import KeyForm
from biobank.temperature.guess import Guess, answered, guess
from biobank.temperature.parse import Mapping
from biobank.temperature.profile import IN_FILE, UNITS, words_of
from biobank.temperature.trace import draw
from biobank.templatetags.words import when
from custody.core.refusal import Refused
from custody.core.thermal import Series

PROBLEMS_SHOWN = 50
MANY = 200_000  # rows above which a page says how long storing takes
A_SECOND = 400_000  # rows read, compared and sealed in about that time
EXPLAINED = 3_000_000  # bytes up to which the reasons are worked out again for the page
get_or_post = require_http_methods(["GET", "POST"])


@get_or_post
@right("loggers")
def logger_import(request: HttpRequest) -> HttpResponse:
    """Step one: a file, whose it is, and how it is read if that was said before."""
    form = FileForm(
        request.POST or None, request.FILES or None, initial={"logger": request.GET.get("logger")}
    )

    def do(said: dict[str, Any]) -> str:
        content = said["file"].read()
        saved = said["saved"]
        mapping = Mapping.of(saved.spec) if saved else guess(content).mapping
        name = saved.name if saved else ""
        held = filing.draft(Actor.of(request.user), said["logger"], mapping, said["file"].name, content, name)
        return reverse("logger_draft", args=[held.pk])

    done = "The file was read. Nothing is stored yet."
    return act_view(request, form, "temperature/import.html", do, done=done)


def _held(request: HttpRequest, pk: int) -> LoggerDraft:
    mine = LoggerDraft.objects.select_related("logger").filter(person=request.person, logger__isnull=False)  # type: ignore[attr-defined]
    found: LoggerDraft = get_object_or_404(mine, pk=pk)
    return found


@get_or_post
@right("loggers")
def logger_draft(request: HttpRequest, pk: int) -> HttpResponse:
    """Step two: what the file says, and the button that stores it."""
    form = KeyForm(request.POST or None)
    pressed = request.method == "POST" and form.is_valid()
    if pressed and (known := LoggerImport.objects.filter(key=form.cleaned_data["key"]).first()):
        return redirect("logger", known.logger.code)  # the second tap finds the draft gone
    held = _held(request, pk)
    if pressed:
        try:
            stored = filing.store(Actor.of(request.user), held, str(form.cleaned_data["key"]))
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
        else:
            messages.success(request, _said(stored))
            return redirect("logger", held.logger.code)
    return _page(request, held, form)


def _said(stored: filing.Stored) -> str:
    if stored.source is None:
        return f"Nothing new: all {stored.already:,} readings of this file are stored already."
    differs = (
        f" {stored.conflicts:,} are stored with another value: a curator settles it."
        if stored.conflicts
        else ""
    )
    return f"{stored.new:,} new readings stored; {stored.already:,} were stored already.{differs}"


def _page(
    request: HttpRequest, held: LoggerDraft, form: Any, answers: AnswerForm | None = None
) -> HttpResponse:
    """The file with its questions, or as it would be stored."""
    mapping = Mapping.of(held.mapping_spec)
    context = {
        "held": held, "mapping": mapping, "form": form, "tz": request.person.programme.tz,  # type: ignore[attr-defined]
        "unit": UNITS[mapping.unit], "times": words_of(mapping.time_format), "name_form": NameForm(),
    }  # fmt: skip
    try:
        context |= (
            _questions(request, held, mapping, answers) if mapping.ask else _look(request, held, answers)
        )
    except Refused as no:
        context["refused"] = no
    wrong = form.errors or (answers is not None and answers.errors)
    return render(request, "temperature/draft.html", context, status=422 if wrong else 200)


def _questions(
    request: HttpRequest, held: LoggerDraft, mapping: Mapping, answers: AnswerForm | None
) -> dict[str, Any]:
    found = _guess(held, mapping)
    return {"guess": found, "answers": answers or _answer_form(request, held, mapping, found)}


def _guess(held: LoggerDraft, mapping: Mapping) -> Guess:
    """The guess, with the column of the temperature if a person said it before."""
    found = guess(bytes(held.content))
    if "value" not in mapping.ask and any(one.name == "value" for one in found.questions):
        found = guess(bytes(held.content), mapping.value_column)
    return found


def _answer_form(
    request: HttpRequest, held: LoggerDraft, mapping: Mapping, found: Guess, data: Any = None
) -> AnswerForm:
    open_ = [one for one in found.questions if one.name in mapping.ask]
    last = LoggerImport.objects.filter(logger=held.logger).defer("content").first()
    zone = last.mapping_spec.get("zone", "") if last else ""
    zone = "" if zone == IN_FILE else zone
    return AnswerForm(data, questions=open_, tz=request.person.programme.tz, zone=zone)  # type: ignore[attr-defined]


def _look(request: HttpRequest, held: LoggerDraft, answers: AnswerForm | None) -> dict[str, Any]:
    found = filing.look(held.logger, bytes(held.content), Mapping.of(held.mapping_spec))
    parsed, tz = found.parsed, request.person.programme.tz  # type: ignore[attr-defined]
    asked = AnswerForm(asked=parsed.asked) if parsed.asked else None
    explained = not held.mapping_name and len(held.content) < EXPLAINED
    return {
        "look": found, "problems": found.problems[:PROBLEMS_SHOWN], "answers": answers or asked,
        "more": len(found.problems) - PROBLEMS_SHOWN, "trace": _trace(found, tz),
        "report": _report(held, parsed, tz), "guess": _reasons(held) if explained else None,
        "seconds": round(found.new / A_SECOND) if found.new > MANY else 0,
    }  # fmt: skip


def _reasons(held: LoggerDraft) -> Guess | None:
    try:
        return guess(bytes(held.content))
    except Refused:
        return None  # it is read in a way that a person said


def _report(held: LoggerDraft, parsed: parse.Parsed, tz: str) -> plausible.Report | None:
    logger = held.logger
    return plausible.report(
        parsed, now_ms=ms(timezone.now()), interval_ms=logger.interval_ms, say=lambda at: when(at, tz),
        placed=list(logger.placements.values_list("from_ms", "to_ms", "unit__code")), serial=logger.serial,
    )  # fmt: skip


def _trace(found: filing.Look, tz: str) -> Any:
    times = found.parsed.times
    if not times:
        return None
    part = (Series(times, found.parsed.centi, found.gap_ms), times[0], times[-1] + 1)
    return draw([part], [], times[0], times[-1] + 1, tz)


@require_POST
@right("loggers")
def logger_draft_answers(request: HttpRequest, pk: int) -> HttpResponse:
    """What a person says of this file that the file does not."""
    held = _held(request, pk)
    mapping = Mapping.of(held.mapping_spec)
    if mapping.ask:
        form = _answer_form(request, held, mapping, _guess(held, mapping), request.POST)
    else:
        asked = parse.parse(bytes(held.content), mapping).asked
        form = AnswerForm(request.POST, asked=asked)
    if form.is_valid():
        try:
            changed = _answered(held, mapping, form)
            filing.claim(Actor.of(request.user), held, held.logger, changed, held.mapping_name)
            return redirect("logger_draft", held.pk)
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
    return _page(request, held, KeyForm(), form)


def _answered(held: LoggerDraft, mapping: Mapping, form: AnswerForm) -> Mapping:
    """The profile with these answers. The temperature's column comes first: its unit may then be asked."""
    said = form.answers
    known = guess(bytes(held.content), said["value"]).mapping if "value" in said else mapping
    for name in known.ask:
        if name in said:
            known = answered(known, name, said[name])
    known = replace(known, passes=(*known.passes, *form.passes))
    parse.parse(bytes(held.content), known)  # refuses what cannot be read so
    return known


@get_or_post
@right("loggers")
def logger_draft_reading(request: HttpRequest, pk: int) -> HttpResponse:
    """How this file is read, all of it, to be changed."""
    held = _held(request, pk)
    tz = request.person.programme.tz  # type: ignore[attr-defined]
    form = ReadForm(request.POST or None, mapping=Mapping.of(held.mapping_spec), tz=tz)

    def do(said: dict[str, Any]) -> str:
        parse.parse(bytes(held.content), form.mapping)  # refuses what cannot be read so
        filing.claim(Actor.of(request.user), held, held.logger, form.mapping, "")
        return reverse("logger_draft", args=[held.pk])

    return act_view(request, form, "temperature/reading.html", do, {"held": held}, "The file was read again.")


@require_POST
@right("loggers")
def logger_draft_save(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep how this file is read under a name."""
    held = _held(request, pk)
    form, mapping = NameForm(request.POST), Mapping.of(held.mapping_spec)
    if form.is_valid() and not mapping.ask:
        name = form.cleaned_data["name"]
        actor = Actor.of(request.user)
        saved = filing.save_mapping(actor, name, mapping)
        filing.claim(actor, held, held.logger, mapping, saved.name)
        messages.success(request, f"Saved as {saved.name}. Files like this can be read so from now on.")
    return redirect("logger_draft", held.pk)
