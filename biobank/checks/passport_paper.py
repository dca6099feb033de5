"""Passports as paper: one tube, or a batch with a cover page; and the proof file that goes with one.

Promises: nothing is fetched; each passport counts its own pages, so a batch can be taken apart; the
checkpoint on the paper covers the newest event of the tube. The proof file shows one event whole, with its
time, so only who may see tubes gets it.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import qrcode
import qrcode.image.svg
from django.conf import settings
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.checks.passport import CUSTODY_SOURCE, Passport, shown
from custody import checkpoints, proof
from custody import queries as ledger


@dataclass(frozen=True)
class Ink:
    """What is printed beside the facts: the ledger's size, the checkpoint and its symbol, our public key."""

    checkpoint: checkpoints.Made | None
    symbol: SafeString
    size: int
    key: str


def pdf(papers: Sequence[Passport], tz: str, cover: bool = False) -> bytes:
    """One PDF of all, in order. cover: with a page that lists them."""
    ink, fonts = _ink(max(one.seq for one in papers)), FontConfiguration()
    made = timezone.now()
    parts = [_laid("print/passport_cover.html", {"papers": papers}, ink, made, tz, fonts)] if cover else []
    parts += [_one(one, ink, made, tz, fonts) for one in papers]
    pages = [page for part in parts for page in part.pages]
    out = io.BytesIO()
    parts[0].copy(pages).write_pdf(out)
    return out.getvalue()


def _ink(seq: int) -> Ink:
    made = checkpoints.for_paper(seq)
    return Ink(made, qr(made.short) if made else mark_safe(""), ledger.size(), _key())


def _key() -> str:
    try:
        return checkpoints.ready()
    except Exception:  # no key, no key line: the checkpoint says so already
        return ""


def _one(paper: Passport, ink: Ink, made: Any, tz: str, fonts: FontConfiguration) -> Any:
    return _laid(
        "print/passport.html",
        {"paper": paper, "one": shown(paper), "symbol": qr(paper.code), "custody_source": CUSTODY_SOURCE},
        ink, made, tz, fonts,
    )  # fmt: skip


def _laid(
    template: str, context: dict[str, Any], ink: Ink, made: Any, tz: str, fonts: FontConfiguration
) -> Any:
    around = {"ink": ink, "made": made, "tz": tz, "site_name": settings.SITE_NAME, "demo": settings.DEMO}
    around["site"] = str(settings.SITE_URL or "").rstrip("/")
    html = HTML(string=render_to_string(template, around | context), url_fetcher=_nothing)
    return html.render(font_config=fonts)


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a paper fetches nothing, not even {url[:60]}")


def qr(text: str) -> SafeString:
    """A QR code (level M) as SVG, in one path."""
    made = qrcode.make(text, image_factory=qrcode.image.svg.SvgPathImage, border=4)
    return mark_safe(made.to_string(encoding="unicode").replace(' id="qr-path"', ""))  # two on one paper


def proof_text(paper_event: str, code: str, build: Callable[..., dict[str, Any]] = proof.build) -> str:
    """The proof file of one event, with the lines of this tube only."""
    return proof.text(build(paper_event, [code]))
