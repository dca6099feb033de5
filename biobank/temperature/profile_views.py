"""Pages of saved file profiles: list, one with its history, the next version of one.

Promises: a file taken in keeps the profile as it was then; a change here is for files to come, and stays
readable: who, when, why, and what changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import may, right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import LoggerMapping
from biobank.temperature import filing
from biobank.temperature.file_forms import EMPTY, ProfileForm
from biobank.temperature.parse import Mapping
from biobank.temperature.profile import ENCODINGS, IN_FILE, OF_ONE_FILE, UNITS, words_of

A_PAGE = 50
NAMES = {
    "encoding": "Written in", "delimiter": "Columns parted by", "decimal": "Decimal sign", "sheet": "Sheet",
    "header_rows": "Lines before the first reading", "header_words": "Words of the line of headings",
    "footer_words": "The table ends before", "time_column": "Time column", "time_format": "Times look like",
    "zone": "Times are those of", "value_column": "Temperature column", "unit": "Unit",
    "missing": "Words for no reading", "errors": "Words of a failed sensor",
    "serial_words": "Serial number in the line", "serial_column": "Serial number in the column",
}  # fmt: skip


@dataclass(frozen=True)
class Version:
    """One state of a profile: when, who, why, and for each part that changed (name, before, after)."""

    at: datetime
    who: str
    why: str
    version: int
    changes: tuple[tuple[str, str, str], ...]


@require_safe
@right("see")
def logger_profiles(request: HttpRequest) -> HttpResponse:
    """How kinds of logger files are read. 2 queries however many."""
    page = Paginator(LoggerMapping.objects.all(), A_PAGE).get_page(request.GET.get("page"))
    rows = [(one, _short(Mapping.of(one.spec))) for one in page]
    context = {"page": page, "rows": rows, "may_load": may(request.person, "loggers")}  # type: ignore[attr-defined]
    return render(request, "temperature/profiles.html", context)


def _short(mapping: Mapping) -> dict[str, Any]:
    said = {name: words(name, _part(mapping, name)) for name in ("time_format", "zone", "unit")}
    return said | {"version": mapping.version}


def _part(mapping: Mapping, name: str) -> Any:
    return IN_FILE if name == "zone" and mapping.offset_in_file else getattr(mapping, name)


def words(name: str, value: Any) -> str:
    """A part of a profile for people."""
    match name:
        case "time_format":
            return words_of(value)
        case "zone" if value == IN_FILE:
            return "the offset beside each time"
        case "unit":
            return UNITS[value]
        case "encoding":
            return ENCODINGS[value]
        case "decimal":
            return {".": "point", ",": "comma"}[value]
        case "missing" | "errors":
            return ", ".join(word or EMPTY for word in value)
    return str(value)


def parts(mapping: Mapping) -> list[tuple[str, str]]:
    """(name, words) of everything that a profile says."""
    return [(said, words(name, _part(mapping, name))) for name, said in NAMES.items()]


@require_safe
@right("see")
def logger_profile(request: HttpRequest, pk: int) -> HttpResponse:
    """One profile and every state it had."""
    profile = get_object_or_404(LoggerMapping, pk=pk)
    context = {
        "profile": profile, "mapping": Mapping.of(profile.spec), "parts": parts(Mapping.of(profile.spec)),
        "versions": list(versions(profile)), "may_load": may(request.person, "loggers"),  # type: ignore[attr-defined]
    }  # fmt: skip
    return render(request, "temperature/profile.html", context)


def versions(profile: LoggerMapping) -> Iterator[Version]:
    """Newest first. 1 query."""
    states = list(
        profile.history.select_related("history_user__person").order_by("-history_date", "-history_id")
    )
    for state, before in zip(states, [*states[1:], None], strict=True):
        now, then = Mapping.of(state.spec), Mapping.of(before.spec) if before else None
        who, why = _who(state.history_user), state.history_change_reason or ""
        yield Version(state.history_date, who, why, now.version, tuple(_changes(then, now)))


def _who(user: Any) -> str:
    person = getattr(user, "person", None)
    return person.name if person else str(user or "")


def _changes(then: Mapping | None, now: Mapping) -> Iterator[tuple[str, str, str]]:
    if then is None:
        return
    for name, said in NAMES.items():
        before, after = _part(then, name), _part(now, name)
        if before != after and name not in OF_ONE_FILE:
            yield said, words(name, before), words(name, after)


@require_http_methods(["GET", "POST"])
@right("loggers")
def logger_profile_edit(request: HttpRequest, pk: int) -> HttpResponse:
    """The next version of a profile."""
    profile = get_object_or_404(LoggerMapping, pk=pk)
    tz = request.person.programme.tz  # type: ignore[attr-defined]
    form = ProfileForm(request.POST or None, mapping=Mapping.of(profile.spec), tz=tz)

    def do(said: dict[str, Any]) -> str:
        filing.save_mapping(Actor.of(request.user), profile.name, form.mapping, said["reason"])
        return reverse("logger_profile", args=[profile.pk])

    return act_view(request, form, "temperature/profile_edit.html", do, {"profile": profile})
