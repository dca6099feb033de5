"""Pages of lives: the phases of one tube with their numbers, as a table and as CSV; and what the numbers
mean."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from biobank.access import may, right, tube_or_404
from biobank.acting import ms
from biobank.plans.sheet import harmless
from biobank.temperature import life_kept, recompute
from biobank.temperature.life import Life, Lived, life_of
from biobank.temperature.life_words import beyond

# anchors of the page of meanings, for links to one word
WORDS = [
    ("reading", "reading"), ("gap", "gap"), ("line", "between two readings"), ("measured", "measured"),
    ("assumed", "assumed"), ("no-data", "no data"), ("coverage", "coverage"), ("lowest", "lowest, highest"),
    ("above", "above, below"), ("at-limit", "at the limit"), ("excursion", "excursion"),
    ("longest", "longest"),
    ("open", "open"), ("thaw", "thaw cycle"), ("mkt", "mean kinetic temperature"),
    ("stability", "stability used"), ("probe", "what the probe is in"), ("correction", "correction"),
    ("phase", "phase"), ("up-to-date", "up to date"),
]  # fmt: skip


@require_safe
@right("see")
def tube_life(request: HttpRequest, code: str) -> HttpResponse:
    """Every phase of a tube's life, from the kept result, and whether that still holds."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    if found.code != code:
        return redirect("tube_life", found.code)
    row = recompute.kept([found.code]).get(found.code)
    why = recompute.fresh([found.code])[found.code]
    life = life_kept.read(row) if row else life_of(found.code, ms(timezone.now()))
    return render(request, "temperature/life.html", {
        "tube": found, "life": life, "row": row, "why": why, "tz": request.person.programme.tz,  # type: ignore[attr-defined]
        "may_load": may(request.person, "loggers"),  # type: ignore[attr-defined]
    })  # fmt: skip


@require_POST
@right("loggers")
def tube_life_again(request: HttpRequest, code: str) -> HttpResponse:
    """Work it out again and keep it. Pressed twice, it is kept once."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    done = recompute.work_out([found.code], ms(timezone.now()))
    if done.new:
        messages.success(request, "Worked out again and kept. The result before stays too.")
    elif done.same:
        messages.success(request, "Nothing changed: what was kept still holds.")
    else:
        messages.warning(request, "This tube holds nothing, so there is nothing to work out.")
    return redirect("tube_life", found.code)


@require_safe
@right("see")
def tube_life_csv(request: HttpRequest, code: str) -> HttpResponse:
    """The phases as a table for a spreadsheet: UTC, seconds, °C; an empty cell is not known. What was kept
    and no longer holds is worked out again for it."""
    found = tube_or_404(request.person, code)  # type: ignore[attr-defined]
    row = recompute.kept([found.code]).get(found.code)
    holds = row is not None and not recompute.fresh([found.code])[found.code]
    life = life_kept.read(row) if row and holds else life_of(found.code, ms(timezone.now()))
    if life is None:
        raise Http404("This tube was never filled.")
    answer = HttpResponse(table(life), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="temperature-{found.code}.csv"'
    return answer


@require_safe
@right("see")
def meanings(request: HttpRequest) -> HttpResponse:
    """What each number means, and what it does not."""
    return render(request, "temperature/meaning.html", {"words": WORDS})


# --- CSV ------------------------------------------------------------------------------------------

HEADINGS = [
    "tube", "phase", "within_the_one_before", "from_utc", "to_utc", "goes_on", "length_s", "measured_s",
    "assumed_s", "no_data_s", "lowest_c", "highest_c", "mean_kinetic_c", "thaw_cycles",
    "thaw_cycles_at_least", "loggers", "probes", "notes",
]  # fmt: skip
OF_LIMIT = [
    "above_s", "longest_above_s", "longest_above_open", "excursions_above",
    "below_s", "longest_below_s", "longest_below_open", "excursions_below",
]  # fmt: skip


def table(life: Life) -> str:
    """One line a phase, the whole life last."""
    text = io.StringIO()
    sheet = csv.writer(text, lineterminator="\r\n")
    sheet.writerow([*HEADINGS, *(f"{name} {limit / 100:g}" for limit in life.limits for name in OF_LIMIT)])
    whole = Lived(
        life.phases[0].phase, life.whole, "The whole life", tuple(life.used), tuple(life.notes), life.open
    )
    for one in [*life.phases, whole]:
        sheet.writerow(
            [harmless(cell) if isinstance(cell, str) else cell for cell in _line(life, one, one is whole)]
        )
    return text.getvalue()


def _line(life: Life, one: Lived, whole: bool) -> list[object]:
    said, used = one.summary, [life.used[pk] for pk in one.loggers]
    probes = dict.fromkeys(medium for logger in used for medium in logger.media)
    cells: list[object] = [
        life.tube, one.words, _yes(one.phase.within and not whole), _utc(said.start_ms), _utc(said.end_ms),
        _yes(one.open),
        _s(said.end_ms - said.start_ms), _s(said.measured_ms), _s(said.assumed_ms), _s(said.no_data_ms),
        _c(said.min_centi), _c(said.max_centi), _c(said.mean_kinetic_centi), said.thaws,
        _yes(said.thaws_unsure),
        "; ".join(logger.code for logger in used), "; ".join(probes), "; ".join(one.notes),
    ]  # fmt: skip
    for row in beyond(said, life.limits):
        cells += [
            _s(row.above), _s(row.longest_above), _yes(row.above_open), row.above_count,
            _s(row.below), _s(row.longest_below), _yes(row.below_open), row.below_count,
        ]  # fmt: skip
    return cells


def _yes(said: bool) -> str:
    return "yes" if said else "no"


def _utc(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _s(length_ms: int | None) -> float | str:
    return "" if length_ms is None else length_ms / 1000


def _c(centi: int | None) -> float | str:
    return "" if centi is None else centi / 100
