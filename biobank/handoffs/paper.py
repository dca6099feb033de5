"""Chain-of-custody papers: of one handoff, and of one tube.

Promises: a paper says only what the ledger says, names the event it rests on by number and hash, and
leaves room for two signatures. It carries a signed checkpoint of the ledger, so whoever keeps the paper can
hold the ledger to its history. No place, coordinate or animal is on it.
"""

from __future__ import annotations

from io import BytesIO
from typing import Any

import qrcode
import qrcode.image.svg
from django.conf import settings
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from weasyprint import HTML

from biobank.acting import ms
from biobank.amend.queries import names, timeline
from biobank.handoffs import queries
from biobank.handoffs.actions import HOW
from custody import checkpoints
from custody import queries as ledger


def qr(text: str) -> SafeString:
    """A QR code (level M) as SVG."""
    made = qrcode.make(text, image_factory=qrcode.image.svg.SvgPathImage, border=4)
    return mark_safe(made.to_string(encoding="unicode"))


def pdf(template: str, context: dict[str, Any]) -> bytes:
    """A paper from a template; nothing is fetched from anywhere."""
    context |= {"made": timezone.now(), "site_name": settings.SITE_NAME, "demo": settings.DEMO}
    out = BytesIO()
    HTML(string=render_to_string(template, context), url_fetcher=_nothing).write_pdf(out)
    return out.getvalue()


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a paper fetches nothing, not even {url[:60]}")


def handoff_pdf(handoff: queries.Handoff) -> bytes:
    """Who gave which tubes to whom, how many, how cold, and what had happened to them before."""
    known, header = names(), handoff.header
    who = {"giver": header["org"], "receiver": header["data"]["to"], "given_by": header["by"]}
    said = {name: known.get(code, code) for name, code in who.items()}
    checkpoint = checkpoints.for_paper(handoff.said.seq)
    return pdf("print/handoff.html", said | {
        "handoff": handoff,
        "how": dict(HOW)[header["data"]["how"]],
        "rows": queries.tube_rows(handoff),
        "chain": queries.chain(handoff.tubes),
        "symbol": qr(handoff.said.id),
        "checkpoint": checkpoint,
        "checkpoint_symbol": qr(checkpoint.short) if checkpoint else "",
        "size": ledger.size(),
    })  # fmt: skip


def tube_pdf(code: str) -> bytes:
    """The whole story of one tube, and of the tube it came from."""
    state = ledger.state(code)
    parent = state.parent if state else None
    called = names()
    return pdf("print/tube.html", {
        "code": code, "state": state, "story": timeline(ledger.history(code), called),
        "parent": parent, "parent_story": timeline(ledger.history(parent), called) if parent else [],
        "custody": ledger.custody(code, ms(timezone.now())),
        "symbol": qr(code), "size": ledger.size(),
    })  # fmt: skip
