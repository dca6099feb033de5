"""Words about paper: what came from a field sheet, and the photos that it was typed from."""

from __future__ import annotations

import re
from typing import Any

from django import template

from biobank.sheets import queries

register = template.Library()
NAMED = re.compile(r"\bsheet ((?:[0-9a-f]{16}(?:, )?)+)$")  # as biobank.sheets.actions writes it


@register.filter
def sheet_photos(happening: Any) -> list[str]:
    """Photos that an act (of a timeline, or alone) was typed from, by the ledger's names for them."""
    if getattr(happening, "via", "") != "paper":
        return []
    data = happening.header["data"] if hasattr(happening, "header") else happening.data
    found = NAMED.search(str(data.get("note") or ""))
    return found[1].split(", ") if found else []


@register.inclusion_tag("sheets/panel.html", takes_context=True)
def sheet_panel(context: template.Context, tube_set: Any) -> dict[str, Any]:
    """The field sheet of a set: print it, type it in, look at its photos. 1 query."""
    rights = {name: context.get(name) for name in ("may_print", "may_draw")}
    return {"set": tube_set, "photos": queries.photos(tube_set), **rights}
