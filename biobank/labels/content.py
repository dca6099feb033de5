"""What stands on one label.

Promises: never where an animal lives; nothing that a printer or a reader could take for a command.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from custody.core.refusal import Refused

BLANK = "____-__-__"
SHORT = {  # chemical symbols and clipped words; common practice, no source
    "lithium heparin": "Li heparin",
    "sodium heparin": "Na heparin",
    "clot activator and gel": "clot act.+gel",
    "sodium fluoride": "Na fluoride",
    "clot activator": "clot act.",
    "trace-element EDTA": "trace EDTA",
    "trace-element, no additive": "trace, plain",
    "RNA stabiliser": "RNA stabil.",
    "blood culture broth": "culture broth",
    "bacterial transport medium": "bact. medium",
}
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


def lines(label: LabelContent, beside: int, under: int, more: bool = False) -> tuple[list[str], list[str]]:
    """Three lines of at most `beside` characters, and one or (`more`) two of at most `under`.

    A text that is too long is shortened so that it cannot be read as something else: a number is never cut,
    a title keeps its number, and the cap's colour goes before the additive does.
    """
    foot = cut(label.workup or label.date or BLANK, under)
    if more:
        amounts = [whole(volume(label.volume_ul), beside), whole(label.target, beside)]
        return [title(label.title, beside), *amounts], [kind(label, under), foot]
    amount = whole(" ".join(word for word in (volume(label.volume_ul), label.target) if word), beside)
    if label.cap and not kind(label, beside).endswith(label.cap):
        foot = foot if len(foot) + 1 + len(label.cap) > under else f"{foot} {label.cap}"
    return [title(label.title, beside), kind(label, beside), amount], [foot]


def title(text: str, most: int) -> str:
    """“EDTA plasma 12” as “EDTA p… 12”: without its number it would be another tube."""
    head, space, number = text.rpartition(" ")
    if len(text) <= most or not number.isdecimal() or len(number) > most - 3:
        return cut(text, most)
    return cut(head, most - 1 - len(number)) + space + number


def kind(label: LabelContent, most: int) -> str:
    """Additive and cap; the additive's short name, then no cap, when there is no room."""
    short = SHORT.get(label.additive, label.additive)
    full = [" ".join(word for word in (name, label.cap) if word) for name in (label.additive, short)]
    return next((text for text in (*full, label.additive) if len(text) <= most), cut(short, most))


def whole(text: str, most: int) -> str:
    """An amount: rather without the spaces before its units, then without its last words, never a part."""
    if len(text) > most:
        text = text.replace(" mL", "mL").replace(" µL", "µL").replace(" °C", "°C")
    while len(text) > most:
        text = text.rstrip("…").strip().rpartition(" ")[0] + "…"
    return text


def copy(label: LabelContent) -> str:
    return f"C{label.copy}" if label.copy else ""


def cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: max(0, most - 1)] + "…"
