"""What each value of a plan may be: one table for the editor, the spreadsheet, and the starter files.

Promises: what `write` gives is read back as the same value; `read` takes text as people type it and refuses
with a code and a sentence; whatever a label shows is one line, without markup and in one direction.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from biobank.labels.content import printable
from biobank.models import ADDITIVES, MATRICES, ShortRule, Taxon
from biobank.models.people import CODE
from custody.core.refusal import Refused

Said = str | int | float
NUMBER = re.compile(r"[+-]?\d{1,9}([.,]\d{1,6})?\Z")
COLDEST, WARMEST = -27_315, 10_000
YES, NO = {"yes", "y", "true", "x", "1"}, {"", "no", "n", "false", "0"}


@dataclass(frozen=True)
class Column:
    """`name` of the value, `heading` in a table and on a form; needed: it cannot be left out.

    choices: pairs of code and words. most: characters of a text, or the highest number; least the lowest.
    """

    name: str
    heading: str
    read: Callable[[str], Any]
    write: Callable[[Any], Said]
    kind: str
    needed: bool = False
    choices: tuple[tuple[str, str], ...] = ()
    least: Decimal | None = None
    most: Decimal | None = None
    hint: str = ""


def clean(text: str) -> str:
    """The same text in composed form, without blanks at its ends, with plain line ends."""
    return unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n")).strip()


def needed(text: str) -> str:
    if not text:
        raise Refused("value_missing", "This must not be empty.")
    return text


def words(
    name: str, heading: str, most: int, must: bool = False, hint: str = "", label: bool = False
) -> Column:
    """A text of one line; `label`: it is printed on labels."""

    def read(text: str) -> str:
        said = needed(clean(text)) if must else clean(text)
        return on_label(short(said, most)) if label else printable(short(said, most))

    return Column(name, heading, read, str, "text", must, most=Decimal(most), hint=hint)


def short(text: str, most: int) -> str:
    if len(text) > most:
        raise Refused("text_too_long", f"This has {len(text)} characters; there is room for {most}.")
    return text


def on_label(text: str) -> str:
    """Refused: label_text_not_printable, label_text_markup, label_text_direction."""
    printable(text)
    if set(text) & set("<>"):
        raise Refused("label_text_markup", f"The text {text[:30]!r} has < or >, which a label does not show.")
    if any(unicodedata.bidirectional(letter) in {"R", "AL", "AN"} for letter in text):
        raise Refused(
            "label_text_direction",
            f"The text {text[:30]!r} has letters that are written from right to left. Beside a number they "
            "could be read in another order; labels are printed from left to right only.",
        )
    return text


def prose(name: str, heading: str, most: int, hint: str = "") -> Column:
    """A text of several lines."""

    def read(text: str) -> str:
        said = short(clean(text), most)
        for line in said.split("\n"):
            printable(line)
        return said

    return Column(name, heading, read, str, "prose", most=Decimal(most), hint=hint)


def code(name: str, heading: str, most: int) -> Column:
    def read(text: str) -> str:
        said = short(needed(clean(text)), most)
        if not re.match(CODE.regex, said):
            raise Refused("code_letters", "A code has letters, digits and hyphens only.")
        return said

    return Column(name, heading, read, str, "text", True, most=Decimal(most))


def number(text: str) -> Decimal:
    """A number as people type it, with a comma or a typographic minus if they like."""
    plain = clean(text).replace("−", "-")
    if not NUMBER.match(plain):
        raise Refused("number_malformed", f"“{text.strip()[:20]}” is not a number.")
    try:
        return Decimal(plain.replace(",", "."))
    except InvalidOperation as why:
        raise Refused("number_malformed", f"“{text.strip()[:20]}” is not a number.") from why


def scaled(
    name: str, heading: str, low: int, high: int, by: int = 1, must: bool = False, **more: Any
) -> Column:
    """A number kept as a whole number of 1/`by`; `low` and `high` as kept."""
    least, most = Decimal(low) / by, Decimal(high) / by

    def read(text: str) -> int | None:
        if not clean(text):
            return None if not must else int(needed(""))
        said = number(text)
        if not least <= said <= most:
            raise Refused("number_out_of_range", f"{said:f} is not between {least:f} and {most:f}.")
        if said * by != int(said * by):
            kind = "a whole number" if by == 1 else f"a number with so many decimals as {Decimal(1) / by:f}"
            raise Refused("number_too_fine", f"{said:f} is not {kind}.")
        return int(said * by)

    def write(value: int | None) -> Said:
        if value is None:
            return ""
        return value // by if value % by == 0 else value / by

    return Column(name, heading, read, write, "number", must, (), least, most, **more)


def choice(name: str, heading: str, pairs: Iterable[tuple[str, str]], blank: str = "", **more: Any) -> Column:
    """One of these codes; its words are understood too. `blank`: what no choice means, where it may be."""
    known = tuple(pairs)
    by_words = {words.casefold(): code for code, words in known} | {
        code.casefold(): code for code, _ in known
    }

    def read(text: str) -> str:
        said = clean(text).casefold()
        if not said and blank:
            return ""
        if said not in by_words:
            raise Refused("choice_unknown", f"“{clean(text)[:30]}” is none of {_some(known)}.")
        return by_words[said]

    shown = ((("", blank),) if blank else ()) + known
    return Column(name, heading, read, str, "choice", not blank, shown, **more)


def _some(known: Sequence[tuple[str, str]]) -> str:
    codes = [code for code, _ in known]
    return ", ".join(codes[:24])


def yes(name: str, heading: str, hint: str = "") -> Column:
    def read(text: str) -> bool:
        said = clean(text).casefold()
        if said not in YES | NO:
            raise Refused("choice_unknown", f"“{clean(text)[:30]}” is neither yes nor no.")
        return said in YES

    return Column(name, heading, read, lambda value: "yes" if value else "", "yes", hint=hint)


def minutes(name: str, heading: str, hint: str = "") -> Column:
    return scaled(name, heading, 0, 30_000, hint=hint)


def target(heading: str = "storage target, °C") -> Column:
    return scaled("target_centi", heading, COLDEST, WARMEST, 100)


MATRIX = choice("matrix", "matrix", MATRICES)
VOLUME = "volume, mL"
PRIORITY = scaled("priority", "priority", 1, 999, must=True, hint="1 is taken first and given up last.")

PLAN = (
    code("code", "code", 20),
    words("name", "name", 120, True),
    choice("taxon", "taxon", Taxon.choices),
    words("order_source", "source of the order of draw", 200),
    prose("note", "note", 4000),
    scaled("spare_pct", "spare labels, %", 0, 100, must=True),
    scaled("ice_g", "ice, g", 0, 1_000_000, must=True, hint="For one animal."),
    scaled("dry_ice_g", "dry ice, g", 0, 1_000_000, must=True, hint="For one animal."),
)
TUBE = (
    scaled("number", "number", 1, 99, must=True, hint="Two digits in the tube's code; used once in a plan."),
    scaled("order_of_draw", "order", 0, 999, must=True, hint="The lowest is drawn first."),
    words("label", "label", 40, True, "Stands on the tube.", label=True),
    MATRIX,
    choice("additive", "additive", ADDITIVES, "not known"),
    words("cap", "cap", 20, label=True),
    words("container", "container", 40),
    scaled("volume_ul", VOLUME, 1, 2_000_000, 1000),
    scaled("inversions", "inversions", 0, 50),
    words("handling", "handling", 160),
    minutes("clot_min", "clots at least, min"),
    minutes("clot_max_min", "clots at most, min"),
    scaled("spin_g", "spin, g", 1, 30_000),
    scaled("spin_minutes", "spin, min", 1, 600),
    minutes("separate_min", "separate by, min", "From the draw."),
    target(),
    choice("short_rule", "when short", ShortRule.choices),
    scaled("least_pct", "short below, %", 1, 100, hint="Of the volume."),
    PRIORITY,
    words("purpose", "purpose", 120),
)
ALIQUOTS = (
    scaled("count", "count", 1, 899, must=True),
    MATRIX,
    scaled("ul", VOLUME, 1, 2_000_000, 1000, must=True),
    words("container", "container", 40, True),
    target(),
    words("purpose", "purpose", 120),
    PRIORITY,
    yes("reserve", "reserve", "Kept back, whatever else falls away."),
)
