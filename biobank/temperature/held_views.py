"""Files that wait for somebody, and moments of which two files say different things."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import Logger, LoggerDraft, LoggerImport, LoggerMapping, ReadingConflict
from biobank.temperature import filing, settling
from biobank.temperature.parse import Mapping

A_PAGE = 100
get_or_post = require_http_methods(["GET", "POST"])


class ClaimForm(forms.Form):
    """Whose file it is and how it is read."""

    logger = forms.ModelChoiceField(
        Logger.objects.filter(retired=False), label="Logger", to_field_name="code"
    )
    saved = forms.ModelChoiceField(
        LoggerMapping.objects.all(), label="Profile", to_field_name="name", required=False,
        empty_label="as it was read before", help_text="How it is read, if that was saved before.",
    )  # fmt: skip


class GiveUpForm(forms.Form):
    reason = forms.CharField(label="Why it is not needed", max_length=160)


class SettleForm(forms.Form):
    """Which of two values counts, for some moments."""

    moments = forms.ModelMultipleChoiceField(ReadingConflict.objects.none(), required=False)
    every = forms.BooleanField(
        label="All that are open, whatever is marked", required=False, help_text="Also those on other pages."
    )
    choice = forms.ChoiceField(
        label="What counts", choices=ReadingConflict.Choice.choices, widget=forms.RadioSelect
    )
    reason = forms.CharField(label="How it is known", max_length=200)

    def __init__(self, *args: Any, logger: Logger, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["moments"].queryset = ReadingConflict.objects.filter(logger=logger)  # type: ignore[attr-defined]


# --- held files -----------------------------------------------------------------------------------


@require_safe
@right("loggers")
def held_files(request: HttpRequest) -> HttpResponse:
    """Files that could not be taken, oldest first. 2 queries however many."""
    rows = LoggerDraft.objects.exclude(aside_code__in=["", filing.NOT_NEEDED]).defer("content")
    page = Paginator(rows.select_related("logger", "person").order_by("made", "pk"), A_PAGE)
    return render(request, "temperature/held.html", {"page": page.get_page(request.GET.get("page"))})


def _held(pk: int) -> LoggerDraft:
    rows = LoggerDraft.objects.select_related("logger", "person").exclude(
        aside_code__in=["", filing.NOT_NEEDED]
    )
    return get_object_or_404(rows, pk=pk)


@get_or_post
@right("loggers")
def held_file(request: HttpRequest, pk: int) -> HttpResponse:
    """One of them: whose it is and how it is read, then it is looked at like any other."""
    held = _held(pk)
    form = ClaimForm(request.POST or None, initial={"logger": held.logger and held.logger.code})

    def do(said: dict[str, Any]) -> str:
        mapping, name = _mapping(held, said)
        filing.claim(Actor.of(request.user), held, said["logger"], mapping, name)
        return reverse("logger_draft", args=[held.pk])

    return act_view(request, form, "temperature/held_file.html", do, {"held": held}, "Nothing is stored yet.")


def _mapping(held: LoggerDraft, said: dict[str, Any]) -> tuple[Mapping, str]:
    """The chosen profile; else how the logger's last file was read; else as it is."""
    if said["saved"]:
        return Mapping.of(said["saved"].spec), said["saved"].name
    last = LoggerImport.objects.filter(logger=said["logger"]).defer("content").first()
    if last and held.aside_code in ("profile_not_known", "logger_not_known"):
        return Mapping.of(last.mapping_spec).general(), last.mapping_name
    return Mapping.of(held.mapping_spec), held.mapping_name


@get_or_post
@right("loggers")
def held_give_up(request: HttpRequest, pk: int) -> HttpResponse:
    """It is not needed."""
    held = _held(pk)

    def do(said: dict[str, Any]) -> str:
        filing.give_up(Actor.of(request.user), held, said["reason"])
        return reverse("held_files")

    form = GiveUpForm(request.POST or None)
    return act_view(request, form, "temperature/give_up.html", do, {"held": held}, "It left the list.")


# --- conflicts ------------------------------------------------------------------------------------


@require_safe
@right("see")
def conflicts(request: HttpRequest) -> HttpResponse:
    """Loggers of whose readings two files say different things. 1 query."""
    return render(request, "temperature/conflicts.html", {"loggers": settling.loggers_with_conflicts()})


@get_or_post
@right("see")
def logger_conflicts(request: HttpRequest, code: str) -> HttpResponse:
    """The moments of one logger, the open ones first; a curator says what counts."""
    logger = get_object_or_404(Logger, code=code)
    if request.method == "POST":
        return _settle(request, logger)
    return render(
        request, "temperature/logger_conflicts.html", _moments(request, logger, SettleForm(logger=logger))
    )


def _moments(request: HttpRequest, logger: Logger, form: SettleForm) -> dict[str, Any]:
    rows = (
        ReadingConflict.objects.filter(logger=logger).select_related("source", "by").defer("source__content")
    )
    page = Paginator(rows.order_by("choice", "at_ms", "pk"), A_PAGE)
    return {
        "logger": logger, "form": form, "page": page.get_page(request.GET.get("page")),
        "may_settle": may(request.person, "curate"),  # type: ignore[attr-defined]
        "marked": form.data.getlist("moments") if form.is_bound else None,
    }  # fmt: skip


@right("curate")
def _settle(request: HttpRequest, logger: Logger) -> HttpResponse:
    form = SettleForm(request.POST, logger=logger)

    def do(said: dict[str, Any]) -> str:
        wanted = [row.pk for row in said["moments"]]
        if said["every"]:
            wanted = list(logger.conflicts.filter(choice="").values_list("pk", flat=True))
        settling.settle(Actor.of(request.user), logger, wanted, said["choice"], said["reason"])
        return reverse("logger_conflicts", args=[logger.code])

    context = _moments(request, logger, form)
    return act_view(request, form, "temperature/logger_conflicts.html", do, context, "Settled.")
