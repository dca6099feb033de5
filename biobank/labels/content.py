"""What stands on one label.

Promises: never where an animal lives; nothing that a printer or a reader could take for a command.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from custody.core.refusal import Refused

HAZARD = "☣"
BLANK = "____-__-__"
BIDI = {"RLE", "LRE", "RLO", "LRO", "PDF", "RLI", "LRI", "FSI", "PDI"}


@dataclass(frozen=True)
class LabelContent:
    """One label. volume_ul microlitres or None; target as words ("−80 °C"); copy 0 for the first print."""

    code: str
    set_code: str
    title: str
    additive: str = ""
    cap: str = ""
    volume_ul: int | None = None
    target: str = ""
    workup: str = ""
    date: str = ""
    hazard: bool = True
    copy: int = 0

    def __post_init__(self) -> None:
        for text in (self.code, self.title, self.additive, self.cap, self.target, self.workup, self.date):
            printable(text)


def printable(text: str) -> str:
    """The text itself; Refused `label_text_not_printable` for control and other unseen characters."""
    for letter in text:
        category, direction = unicodedata.category(letter), unicodedata.bidirectional(letter)
        if category in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"} or direction in BIDI:
            raise Refused(
                "label_text_not_printable", f"The text {text[:30]!r} has a character that no label can show."
            )
    return text


def volume(ul: int | None) -> str:
    return "" if ul is None else f"{ul / 1000:g} mL" if ul >= 1000 else f"{ul} µL"


def lines(label: LabelContent, beside: int, under: int) -> tuple[list[str], str]:
    """Lines beside the symbols, at most `beside` characters each, and one line under the code (`under`).

    A line that is too long is cut with an ellipsis, never run over the edge.
    """
    kind = " ".join(word for word in (label.additive, label.cap) if word)
    amount = " ".join(word for word in (volume(label.volume_ul), label.target) if word)
    if len(amount) > beside:  # rather without the spaces before units than without the unit
        amount = amount.replace(" mL", "mL").replace(" µL", "µL").replace(" °C", "°C")
    # what must not be lost stands first: hazard, copy; the workup's own code holds its date
    foot = " ".join(
        word
        for word in (HAZARD if label.hazard else "", copy(label), label.workup or label.date or BLANK)
        if word
    )
    return [cut(text, beside) for text in (label.title, kind, amount)], cut(foot, under)


def copy(label: LabelContent) -> str:
    return f"C{label.copy}" if label.copy else ""


def cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: max(0, most - 1)] + "…"
