"""Text that is drawn letter by letter: which glyph each letter has, and when that is allowed.

Promises: a line is drawn so only when this machine has the font whose letters we count on, and only with
letters that are all equally wide, join with no neighbour and run from left to right. Any other line is laid
out by WeasyPrint, in a box that clips.

WeasyPrint's layout of a box costs more than everything else on a label; the embedding of the font, and what
a reader finds when it looks for text, stay WeasyPrint's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from html import escape
from io import BytesIO
from typing import Any

import pydyf
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from biobank.core.sheet import ADVANCE

FAMILY = "DejaVu Sans Mono"
EVEN = re.compile(r"[ -~\u00a1-\u00ac\u00ae-\u017fΑ-ΡΣ-Ωα-ωА-яё…−–—‘’“”]*\Z")
ALL = "".join(letter for letter in map(chr, range(32, 0x2300)) if EVEN.match(letter))
HEAVY = 600  # a font's weight from which on it is bold

Glyphs = Mapping[bool, Mapping[int, str]]  # bold or not: letter's number to its glyph in hexadecimal


@cache
def fonts() -> FontConfiguration:
    """Loaded once: it is slow, and the same for all labels."""
    return FontConfiguration()


def sample(letters: Mapping[bool, Iterable[str]]) -> str:
    """HTML that needs these letters, so that WeasyPrint embeds them. Nobody sees it."""
    plain, bold = (escape("".join(sorted(letters.get(weight, ())))) for weight in (False, True))
    style = f'margin:0;white-space:pre;font:1px/1 "{FAMILY}";font-variant-ligatures:none'
    return f"<div style='{style}'>{plain}<b>{bold}</b></div>"


@cache
def glyphs() -> Glyphs | None:
    """What to write for each letter; None when this machine has not the font, in both weights."""
    found: dict[bool, Mapping[int, str]] = {}

    def look(document: Any, pdf: pydyf.PDF) -> None:
        found.update({bold: _table(font) for bold, font in ours(document).items() if _is_even(font)})

    html = sample({False: ALL, True: ALL})
    HTML(string=html).write_pdf(BytesIO(), font_config=fonts(), finisher=look)
    return found if all(len(found.get(bold, ())) == len(ALL) for bold in (False, True)) else None


def ours(document: Any) -> dict[bool, Any]:
    """The fonts of a document that are ours, by whether they are bold."""
    there = [font for font in document.fonts.values() if font.family == FAMILY]
    return {font.weight >= HEAVY: font for font in there}


def _table(font: Any) -> dict[int, str]:
    return {ord(said): f"{glyph:04x}" for glyph, said in font.to_unicode.items() if len(said) == 1}


def _is_even(font: Any) -> bool:
    """All letters as wide as we count; WeasyPrint rounds to thousandths."""
    return all(abs(width - 1000 * ADVANCE) <= 1.5 for width in font.widths.values())


def is_even() -> bool:
    """Can lines be drawn letter by letter on this machine?"""
    return glyphs() is not None
