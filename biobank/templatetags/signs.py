"""Small drawn signs: one shape per answer, one disc per cap colour.

Promises: two answers never share a shape, so that they differ without colour; every drawing is
hidden from screen readers, because the word stands beside it. SVG attributes only (no style), so
a strict content security policy lets them through.
"""

from __future__ import annotations

from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

INK, SHEET, SIGNAL = "#111210", "#ffffff", "#ff7a00"

OCTAGON = "M7 1.5h10L22.5 7v10L17 22.5H7L1.5 17V7z"
TRIANGLE = "M12 2 23 21.5H1z"
DIAMOND = "M12 1.5 22.5 12 12 22.5 1.5 12z"
TICK = "m6.6 12.4 3.7 3.9 7.2-8.4"
CROSS = "m7.6 7.6 8.8 8.8m0-8.8-8.8 8.8"
BANG = "M12 8.6v6.2m0 2v2.4"
QUESTION = "M9 9.3a3 3 0 1 1 4.5 2.6c-1 .6-1.5 1.2-1.5 2.3m0 2v2"


def shape(d: str, fill: str = "none", stroke: str = INK, width: float = 2, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    drawn_by = f'stroke="{stroke}" stroke-width="{width}" stroke-linejoin="round"{dashed}'
    return f'<path d="{d}" fill="{fill}" {drawn_by}/>'


def ring(fill: str = "none", dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<circle cx="12" cy="12" r="10" fill="{fill}" stroke="{INK}" stroke-width="2"{dashed}/>'


# answer: (word, drawing). Filled or ringed for a whole verdict, bare for a single check.
MARKS: dict[str, tuple[str, str]] = {
    "fit": ("fit", ring(INK) + shape(TICK, stroke=SHEET, width=2.8)),
    "caution": ("fit with caution", shape(TRIANGLE, SHEET) + shape(BANG, width=2.6)),
    "not_fit": ("not fit", shape(OCTAGON, SIGNAL) + shape(CROSS, width=3)),
    "cannot_tell": ("cannot tell", ring(dash="3.4 2.9") + shape(QUESTION, width=2.2)),
    "pass": ("pass", shape("m3.5 12.8 6 6.2L21 5.5", width=3.4)),
    "fail": ("fail", shape("m4 4 16 16m0-16L4 20", width=4)),
    "info": ("note", shape("M2 2h20v20H2z", SHEET) + shape("M12 10.4v7.2M12 5.6v2.4", width=2.8)),
    "stop": ("stop", shape(OCTAGON, SIGNAL) + shape("M6.5 12h11", width=3.6)),
    "note": ("note", shape("M2 2h20v20H2z", SHEET) + shape("M12 10.4v7.2M12 5.6v2.4", width=2.8)),
    "now": ("act now", shape(DIAMOND, SIGNAL) + shape("M12 6.6v7m0 2v2.2", width=2.6)),
    "act": ("act now", shape(DIAMOND, SIGNAL) + shape("M12 6.6v7m0 2v2.2", width=2.6)),
    "done": ("done", shape(TICK, width=2.8)),
    "disputed": ("disputed", shape("M5 2v20", width=2.6) + shape("M5 3h15l-4 5 4 5H5z", SIGNAL)),
    "reserved": (
        "reserved",
        shape("M4 10.5h3V7a5 5 0 0 1 10 0v3.5h3v11H4z", SHEET) + shape("M12 14v4", width=2.8),
    ),
    # where a tube is
    "unknown": ("not known", ring(dash="3.4 2.9") + shape(QUESTION, width=2.2)),
    "void": ("void", shape("M2.5 2.5h19v19h-19z", dash="3.4 2.9") + shape("M4 20 20 4", width=2.6)),
    "labelled": ("labelled", shape("M2 6.5h13L22 12l-7 5.5H2z", SHEET)),
    "not_collected": ("not collected", ring(dash="3.4 2.9") + shape("M5 19 19 5")),
    "held": ("held", shape("M12 2.5v9.5M3.5 12h17v4a5.5 5.5 0 0 1-5.5 5.5H9A5.5 5.5 0 0 1 3.5 16z", SHEET)),
    "stored": ("stored", shape("M2.5 2.5h19v19h-19z", SHEET) + shape("M7.5 7.5h9v9h-9z", INK)),
    "in_transit": ("in transit", shape("M2 12h18m-7.5-7.5L20.5 12l-8 7.5", width=3)),
    "discarded": ("discarded", shape("M3 6h18M9 6V2.5h6V6M5.5 6l1 15.5h11l1-15.5", SHEET)),
}

# Colours by the names of HL7's ContainerCap codes; shades are ours, chosen to be told apart in print.
CAPS = {
    "red": "#c8281e", "yellow": "#f4cf1f", "dark-yellow": "#c99700", "gold": "#d9a514", "grey": "#8d9296",
    "light-blue": "#8cc5ea", "blue": "#1f5fae", "black": "#111210", "green": "#1f8a3c",
    "light-green": "#9bd38b", "lavender": "#a98bd0", "purple": "#6d3fa0", "brown": "#7b4a2a",
    "white": "#ffffff", "pink": "#f0a5c0", "orange": "#f08c2e", "clear": "#ffffff",
}  # fmt: skip
# ISO 6710:2017 Annex F recommends these; makers differ, so the additive is always written beside the disc.
USUAL_CAP = {
    "EDTK": "lavender", "EDTN": "lavender", "C32": "light-blue", "C38": "light-blue", "HEPL": "green",
    "HEPN": "green", "HEPA": "green", "NAF": "grey", "KOX": "grey", "SST": "gold",
}  # fmt: skip


def drawn(inside: str) -> SafeString:
    """`inside` is one of this file's own drawings, never anything that a person typed."""
    return mark_safe(f'<svg viewBox="0 0 24 24" aria-hidden="true" focusable="false">{inside}</svg>')


def sign(name: str) -> SafeString:
    """The bare drawing; an unknown name gets the 'note' square rather than nothing."""
    return drawn(MARKS.get(name, MARKS["note"])[1])


def mark(name: str, word: str = "") -> SafeString:
    """Sign and word. `word` replaces the usual word, the shape stays that of `name`."""
    usual = MARKS[name][0] if name in MARKS else name.replace("_", " ")
    said = word or usual
    kind = f"mark is-{name}" + (" long" if len(said) > 24 else "")
    return format_html('<span class="{}">{} {}</span>', kind, sign(name), said)


def disc(colour: str) -> SafeString:
    """A cap seen from above. No colour known: an empty dashed ring, so that nothing is guessed."""
    fill = CAPS.get(colour.strip().lower().replace(" ", "-"))
    if fill is None:
        return drawn(ring(dash="3.4 2.9"))
    stopper = f'<circle cx="12" cy="12" r="4.2" fill="none" stroke="{INK}" stroke-width="1.2"/>'
    return drawn(ring(fill) + stopper)
