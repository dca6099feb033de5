"""Field sheets as a PDF: what a team writes on when the tubes are filled.

Promises: every tube has a symbol whose modules cover whole dots of an office printer, and its code for eyes;
a row is high enough for a wet hand; black on white, so that a laser printer without grey loses nothing;
what does not fit on a line goes on the next; nothing is fetched from anywhere.

WeasyPrint lays out text and tables; the symbols are put where it left room for them (its `finisher`), as on
labels. Each sheet is laid out alone, so that its pages are counted alone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from io import BytesIO
from typing import Any

import pydyf
from django.conf import settings
from django.template.loader import render_to_string
from django.utils import timezone
from weasyprint import HTML

from biobank.core.sheet import INCH, MATRIX_MODULES, QR_MODULES, Stock
from biobank.labels import letters, symbols
from biobank.labels.pdf import Sheet
from biobank.models import FieldDay, TubeSet
from custody.core.refusal import Refused

from .letters import HOW, WORDS
from .queries import Paper, crew, papers, sets_of

PAPERS = {
    "a4": Stock("a4", "A4", (210.0, 297.0), (210.0, 297.0), dpi=300),
    "letter": Stock("letter", "Letter", (215.9, 279.4), (215.9, 279.4), dpi=300),
}
DOTS = 5  # a module of 0.42 mm: 3.4 dots of a printer with 203 dots an inch, and a phone reads it
MOST_COPIES = 4
# control characters, and what turns the direction of reading: nobody means these on paper
UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff]")
TUBE, BAG = "tube-", "bag-"  # how the ids of places for symbols begin; a code ends them
PX = INCH / 96  # mm


def sheet_pdf(tube_set: TubeSet, paper: str = "a4", copies: int = 1) -> bytes:
    """The field sheet of a set, so many times. Refused: set_is_void, count_out_of_range."""
    if tube_set.state == TubeSet.State.VOID:
        raise Refused("set_is_void", f"The set {tube_set.code} is void. Take another set.")
    if not 1 <= copies <= MOST_COPIES:
        raise Refused("count_out_of_range", f"Print between 1 and {MOST_COPIES} copies, not {copies}.")
    (said,) = papers([tube_set])
    return _joined([_laid(said, paper, n, copies) for n in range(1, copies + 1)], paper)


def day_pdf(day: FieldDay, paper: str = "a4") -> bytes:
    """All that a team needs on a day without any device: what to do, who and which sets, their sheets."""
    said = papers(sets_of(day))
    told = {"day": day, "papers": said, "crew": crew(day), "tz": day.site.programme.tz}
    first = _render("print/sheet_day.html", paper, told)
    return _joined([first, *(_laid(one, paper, 1, 1) for one in said)], paper)


def _laid(said: Paper, paper: str, copy: int, copies: int) -> Any:
    told = {"paper": said, "set": said.tube_set, "tz": said.tube_set.plan.programme.tz}
    return _render("print/sheet.html", paper, told | {"copy": copy, "copies": copies})


def _render(template: str, paper: str, context: dict[str, Any]) -> Any:
    """Laid out, and not yet written."""
    width, height = (f"{side:.6f}" for side in PAPERS[paper].paper)
    context |= {
        "width": width, "height": height, "printed": timezone.now(), "reasons": WORDS, "how": HOW,
        "grades": range(5), "site_name": settings.SITE_NAME, "demo": settings.DEMO,
    }  # fmt: skip
    html = UNSEEN.sub("", render_to_string(template, context))
    return HTML(string=html, url_fetcher=_nothing).render(font_config=letters.fonts())


def _nothing(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"a sheet fetches nothing, not even {url[:60]}")


def _joined(documents: Sequence[Any], paper: str) -> bytes:
    """The pages of all of them, in order, with their symbols."""
    pages = [page for one in documents for page in one.pages]

    def finish(_: Any, pdf: pydyf.PDF) -> None:
        for page, number in zip(pages, pdf.pages["Kids"][::3], strict=True):
            there = pdf.objects[number]
            stream = pydyf.Stream([b"\n".join([b"q 0 g", *_marks(page, paper), b"Q"])], compress=True)
            pdf.add_object(stream)
            there["Contents"] = pydyf.Array([stream.reference, there["Contents"]])

    out = BytesIO()
    documents[0].copy(pages).write_pdf(out, finisher=finish)
    return out.getvalue()


def _marks(page: Any, paper: str) -> Iterator[bytes]:
    """A Data Matrix in the middle of each tube's place, a QR code in that of the set."""
    sheet = Sheet(PAPERS[paper])
    for name, place in page.anchors.items():
        code = name.rpartition("-")[2]
        if name.startswith(TUBE):
            _mark(sheet, symbols.matrix_mask(code, DOTS), MATRIX_MODULES, place)
        if name.startswith(BAG):
            _mark(sheet, symbols.qr_mask(code, DOTS), QR_MODULES, place)
    yield from sheet.marks


def _mark(sheet: Sheet, bits: bytes, modules: int, place: tuple[float, float, float, float]) -> None:
    side = modules * DOTS
    left, top, right, bottom = (px * PX for px in place)
    room = sheet.stock.mm(side)
    sheet.mask(bits, side, side, (left + right - room) / 2, (top + bottom - room) / 2)
