"""Papers: from a template to a PDF, with symbols; and the papers of custody.

Promises: nothing is fetched from anywhere. A paper of custody says only what the ledger says, names the
event it rests on by number and hash, and carries a signed checkpoint of the ledger, so that whoever keeps the
paper can hold the ledger to its history. No place, coordinate or animal is on it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from io import BytesIO
from typing import Any

import qrcode
from django.conf import settings
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from weasyprint import HTML

from biobank.acting import ms
from biobank.handoffs import custody_list, custody_paper, leaves, queries
from biobank.handoffs.custody_words import CUSTODY, PLACE, SOURCE
from biobank.labels import letters
from biobank.templatetags.words import plain, tube_code
from custody import checkpoints
from custody import queries as ledger

DARK = re.compile("1+")


def qr(text: str) -> SafeString:
    """A QR code (level M) as SVG, with its light border of four modules."""
    made = qrcode.QRCode(border=0)
    made.add_data(text)
    made.make()
    return drawn(["".join("1" if dark else "0" for dark in row) for row in made.modules], 4)


def drawn(rows: Sequence[str], light: int) -> SafeString:
    """Modules as one path of runs, the fewer the faster; `light` modules are left free around them."""
    side, size = len(rows[0]) + 2 * light, len(rows) + 2 * light
    runs = (
        f"M{run.start() + light} {y}h{run.end() - run.start()}v1h{run.start() - run.end()}z"
        for y, row in enumerate(rows, light) for run in DARK.finditer(row)
    )  # fmt: skip
    return mark_safe(
        f'<svg width="{side}mm" height="{size}mm" viewBox="0 0 {side} {size}" xmlns="http://www.w3.org/2000/svg">'
        f'<path d="{"".join(runs)}" fill="#000"/></svg>'
    )


def laid(template: str, context: dict[str, Any]) -> str:
    """The HTML of a paper."""
    around = {"made": timezone.now(), "site_name": settings.SITE_NAME, "demo": settings.DEMO}
    return str(render_to_string(template, context | around))


def pdf(template: str, context: dict[str, Any]) -> bytes:
    """A paper from a template."""
    out = BytesIO()
    HTML(string=laid(template, context), url_fetcher=nothing).write_pdf(out, font_config=letters.fonts())
    return out.getvalue()


def nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a paper fetches nothing, not even {url[:60]}")


def checkpoint_of(seq: int) -> dict[str, Any]:
    """What a paper about event `seq` needs to be held against the ledger: checkpoint, symbol, key, size."""
    made = checkpoints.for_paper(seq)
    return {
        "checkpoint": made, "checkpoint_symbol": qr(made.short) if made else "", "public_key": _key(),
        "size": ledger.size(),
    }  # fmt: skip


def _key() -> str:
    try:
        return checkpoints.ready()
    except Exception:  # no key, no key line: that there is no checkpoint is said already
        return ""


# --- papers of custody ----------------------------------------------------------------------------


def custody_pdf(tubes: Sequence[str], title: str, symbol: str, **more: Any) -> bytes:
    """title: what the paper is about; symbol: text of its QR code. more: event, facts, tz."""
    record = custody_paper.record(tubes, ms(timezone.now()))
    sheets = custody_list.leaves_of(record.samples, title)
    html = laid("print/custody.html", {
        "record": record, "title": title, "symbol": qr(symbol), "definition": CUSTODY, "source": SOURCE,
        "place": PLACE, "tz": "", "event": None, "leaves": leaves.places(sheets) if sheets else "",
        **checkpoint_of(record.seq), **more,
    })  # fmt: skip
    return leaves.pdf(html, sheets, nothing)


def handoff_pdf(handoff: queries.Handoff) -> bytes:
    """Who gave which tubes to whom, how many, how cold, and what had happened to them before."""
    word = "shipment" if handoff.header["kind"] == "shipped" else "handoff"
    facts = [("State", f"{handoff.word}, {handoff.open} of {len(handoff.tubes)} not received")]
    return custody_pdf(
        handoff.tubes, f"{word} {handoff.said.seq}", handoff.said.id, event=handoff.said, facts=facts,
        tz=handoff.header["tz"],
    )  # fmt: skip


def tube_pdf(code: str) -> bytes:
    """The whole story of one tube, and of the tube it came from."""
    state = ledger.state(code)
    facts = []
    if state is not None:
        held = f", held by {state.custodian}" if state.custodian else ""
        facts = [("State", plain(state.status) + held), ("Thawed", f"{state.thaws} times")]
        facts += [("Made from", tube_code(state.parent))] if state.parent else []
    return custody_pdf([code], f"tube {tube_code(code)}", code, facts=facts)


def box_pdf(unit: Any) -> bytes:
    """The tubes that are in a box now. unit: a `biobank.models.Unit`."""
    inside = sorted(ledger.find(unit=unit.code), key=lambda one: (one.row or 0, one.col or 0, one.tube))
    facts = [("Stands with", unit.agency.name), ("Tubes in it now", str(len(inside)))]
    return custody_pdf([one.tube for one in inside], f"{unit.word} {unit.code}", unit.code, facts=facts)
