"""A draft from a table: first what would change, then taken in. Ask, do, show."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from biobank.access import right
from biobank.checks import compare, queries, rule_forms, rule_sheet, ruling
from biobank.checks.rule_refused import asked, draft_or_refused, page_of, refusing
from biobank.checks.rule_values import digest, value_of
from biobank.checks.starter import Row
from biobank.forms import act_view
from biobank.imports.read import MOST_BYTES
from biobank.models import Assay, RuleSet
from custody.core.refusal import Refused

SHOWN_FAULTS = 100
TEMPLATE = "checks/rule_table.html"


@right("curate")
@refusing
def rule_table(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Without `content`: a file is looked at; with it: the table that was looked at is taken in."""
    draft = draft_or_refused(code, version)
    if request.method == "POST" and "content" in request.POST:
        return _taken_in(request, draft)
    form = rule_forms.TableForm(asked(request), request.FILES or None)
    context: dict[str, Any] = {"shown": draft}
    if request.method == "POST" and form.is_valid():
        try:
            rows = _read(form.cleaned_data["file"].read(MOST_BYTES + 1), context)
        except Refused as no:
            form.add_error(None, ValidationError(no.sentence, no.code))
        else:
            return render(request, TEMPLATE, context | {"form": form} | _preview(draft, rows))
    status = 422 if form.is_bound and form.errors else 200
    return render(request, TEMPLATE, context | {"form": form}, status=status)


def _read(content: bytes, context: dict[str, Any]) -> list[Row]:
    """The rules of the table. Refused: table_has_faults, with the faults in the context; as read_table."""
    rows, faults = rule_sheet.read(content, set(Assay.objects.values_list("code", flat=True)))
    context |= {"faults": faults[:SHOWN_FAULTS], "more": max(0, len(faults) - SHOWN_FAULTS)}
    if faults:
        cells = "1 cell needs" if len(faults) == 1 else f"{len(faults)} cells need"
        raise Refused("table_has_faults", f"Nothing was taken in: {cells} a look.")
    return rows


def _preview(draft: RuleSet, rows: Sequence[Row]) -> dict[str, Any]:
    there = value_of(draft)
    groups = compare.between(there, rows)
    content = base64.b64encode(rule_sheet.to_csv(rows)).decode()
    take_in = rule_forms.TakeInForm(initial={"content": content, "seen": digest(there)})
    return {"groups": queries.named(groups), "counts": compare.count(groups), "take_in": take_in}


def _taken_in(request: HttpRequest, draft: RuleSet) -> HttpResponse:
    form = rule_forms.TakeInForm(request.POST)
    context: dict[str, Any] = {"shown": draft, "take_in": form}

    def do(said: dict[str, Any]) -> str:
        rows = _read(_decoded(said["content"]), context)
        context.update(_compared(draft, rows))
        ruling.take_in(draft, rows, said["seen"], request.user, said["reason"])
        return page_of(draft)

    if not form.is_valid() and "content" in form.cleaned_data:
        context.update(_compared(draft, _read(_decoded(form.cleaned_data["content"]), context)))
    return act_view(request, form, TEMPLATE, do, context, "Taken in.")


def _compared(draft: RuleSet, rows: Sequence[Row]) -> dict[str, Any]:
    groups = compare.between(value_of(draft), rows)
    return {"groups": queries.named(groups), "counts": compare.count(groups)}


def _decoded(text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as why:
        raise Refused("file_kind", "This is not the table that was looked at. Give it again.") from why
