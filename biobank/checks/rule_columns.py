"""What each value of a rule may be: one table for the editor, the spreadsheet and the comparison.

Promises: what `write` gives is read back as the same value; a duration or a volume without its unit is
refused, never guessed; a form and a table refuse the same things with the same codes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from biobank.models import ADDITIVES, MATRICES, Taxon
from biobank.models.checks import EVIDENCE_WORDS, GRADES, READ_WORDS
from biobank.plans import columns as of
from biobank.plans.columns import COLDEST, WARMEST, Column
from custody.core import rule as core
from custody.core import rule_words
from custody.core.facts import ACTS, NOW
from custody.core.refusal import Refused

SECONDS = {"s": 1, "min": 60, "h": 3600, "d": 86_400, "wk": 604_800}
SECONDS |= {"sec": 1, "second": 1, "seconds": 1, "minute": 60, "minutes": 60, "hour": 3600, "hours": 3600,
            "day": 86_400, "days": 86_400, "week": 604_800, "weeks": 604_800}  # fmt: skip
MICROLITRES = {"µl": 1, "μl": 1, "ul": 1, "ml": 1000}  # the micro sign and the Greek letter
PART = re.compile(r"(\d+(?:[.,]\d+)?)\s*([^\W\d_]*)")
LONGEST_S, MOST_UL = 2_147_483_647, 2_000_000
EVER = "for ever"
WARMER = "warmer"


def duration_of(text: str) -> int:
    """Seconds of "2 h", "90 min", "1 d 12 h". Refused: unit_missing, unit_unknown, duration_malformed."""
    said = of.clean(text)
    parts = PART.findall(said)
    if not parts or PART.sub("", said).strip():
        raise Refused("duration_malformed", f"“{said[:20]}” is no duration: write for example 2 h or 90 min.")
    total = sum((_times(number, unit, SECONDS, "2 h, 90 min or 3 d") for number, unit in parts), Decimal(0))
    if total != int(total) or total > LONGEST_S:
        raise Refused("number_out_of_range", f"“{said[:20]}” is too long, or finer than a second.")
    return int(total)


def _times(number: str, unit: str, known: Mapping[str, int], example: str) -> Decimal:
    if not unit:
        raise Refused("unit_missing", f"{number} of what? Write the unit with it: {example}.")
    if unit.casefold() not in known:
        raise Refused("unit_unknown", f"“{unit[:12]}” is no unit for this. Write for example {example}.")
    return Decimal(number.replace(",", ".")) * known[unit.casefold()]


def duration_text(seconds: int) -> str:
    """The same in the fewest units that hide nothing: 5400 is "1 h 30 min", 172800 is "2 d"."""
    if seconds == 0:
        return "0 min"
    found, rest = [], seconds
    for unit in ("d", "h", "min", "s"):
        number, rest = divmod(rest, SECONDS[unit])
        found += [f"{number} {unit}"] if number else []
    return " ".join(found)


def duration(name: str, heading: str, hint: str = "With its unit: 2 h, 90 min, 3 d.") -> Column:
    return Column(
        name, heading, lambda text: duration_of(text) if of.clean(text) else None,
        lambda value: "" if value is None else duration_text(value), "text", most=Decimal(40), hint=hint,
    )  # fmt: skip


def volume(name: str, heading: str) -> Column:
    def read(text: str) -> int | None:
        said = of.clean(text)
        if not said:
            return None
        parts = PART.findall(said)
        if len(parts) != 1 or PART.sub("", said).strip():
            raise Refused(
                "volume_malformed", f"“{said[:20]}” is no volume: write for example 500 µL or 1.5 mL."
            )
        value = _times(*parts[0], MICROLITRES, "500 µL or 1.5 mL")
        if not 1 <= value <= MOST_UL or value != int(value):
            raise Refused(
                "number_out_of_range", f"“{said[:20]}” is not between 1 µL and {MOST_UL // 1000} mL."
            )
        return int(value)

    return Column(
        name, heading, read, lambda value: "" if value is None else rule_words.volume(value), "text",
        most=Decimal(20), hint="With its unit: 500 µL or 1.5 mL.",
    )  # fmt: skip


Bands = tuple[tuple[int | None, int | None], ...]


def bands_of(text: str) -> Bands:
    """Bands as people write them: "8 °C for 5 d; warmer for 8 h"."""
    return tuple(_band(one) for one in re.split(r"[;\n]", of.clean(text)) if one.strip())


def _band(text: str) -> tuple[int | None, int | None]:
    edge, found, time = text.strip().partition(" for ")
    if not found:
        raise Refused(
            "band_malformed",
            f"“{text.strip()[:30]}” is no band: write 8 °C for 5 d, and last warmer for 8 h.",
        )
    return edge_of(edge), None if time.strip() == "ever" else duration_of(time)


def edge_of(text: str) -> int | None:
    """Up to which temperature a band reaches, in hundredths of °C; "warmer" or nothing: without end."""
    said = of.clean(text).removesuffix("°C").strip()
    if said in ("", WARMER):
        return None
    value: int | None = EDGE.read(said)
    return value


def bands_text(bands: Bands) -> str:
    return "; ".join(f"{_edge_text(edge)} for {_bears(seconds)}" for edge, seconds in bands)


def _edge_text(edge: int | None) -> str:
    return WARMER if edge is None else rule_words.celsius(edge)


def _bears(seconds: int | None) -> str:
    return "ever" if seconds is None else duration_text(seconds)


def celsius(name: str, heading: str) -> Column:
    return of.scaled(name, heading, COLDEST, WARMEST, 100)


def _pairs(names: tuple[str, ...] | list[str]) -> list[tuple[str, str]]:
    return [(name, name.replace("_", " ")) for name in names]


def _act(name: str, heading: str, known: tuple[str, ...]) -> Column:
    return of.choice(name, heading, _pairs(known), "none")


EDGE = celsius("edge", "up to, °C")
KIND = of.choice("kind", "kind", _pairs(tuple(core.NEEDS)))
RULE: tuple[Column, ...] = (
    of.code("code", "code", 30),
    KIND,
    of.words("assay", "assay", 12, hint="Code of an assay or a family; empty: all."),
    of.choice("severity", "severity", _pairs(core.SEVERITIES)),
    of.choice("matrix", "matrix", MATRICES, "all"),
    of.choice("additive", "additive", ADDITIVES, "all"),
    of.choice("taxon", "species group", Taxon.choices, "all"),
    of.words("material", "only in tubes of", 40, hint="A word of the container, such as glass; empty: all."),
    of.words("question", "question", 120, hint="Rules with the same question answer one another."),
    _act("from_act", "from", ACTS),
    _act("to_act", "to", (*ACTS, NOW)),
    duration("at_least_s", "not before"),
    duration("limit_s", "not later than"),
    of.choice("phase", "where it was", _pairs(list(core.KNOWN["phase"])), "none"),
    of.choice("side", "side", _pairs(list(core.KNOWN["side"])), "none"),
    celsius("limit_centi", "temperature, °C"),
    duration("allowed_s", "allowed time beyond it", "In all, with its unit; 0 min: never."),
    Column("bands", "bands", bands_of, bands_text, "prose", most=Decimal(200)),
    celsius("forbidden_centi", "never above, °C"),
    of.scaled("max_thaws", "most thaws", 0, 99),
    volume("min_ul", "least volume"),
    of.scaled("min_percent", "least fill, %", 0, 100),
    of.choice("grade_name", "grade of", _pairs(GRADES), "none"),
    of.scaled("max_grade", "highest grade, by eye", 0, 4, hint="0 to 4."),
    of.scaled("max_cmgdl", "highest as measured, mg/dL", 0, 10_000_000, 100),
    of.scaled("min_g", "least force, × g", 1, 1_000_000),
    of.scaled("min_minutes", "shortest spin, min", 1, 30_000),
    of.scaled("max_spins", "spun at most so often", 0, 99),
    of.words("container_has", "container is of", 40),
    of.choice("permit_for", "permit to", _pairs(list(core.KNOWN["permit_for"])), "none"),
    of.prose("source", "source", 4000, "Who says so, where and when."),
    of.choice("evidence", "evidence", EVIDENCE_WORDS),
    of.choice("read", "the source was read", READ_WORDS),
    of.words("studied", "studied in", 80, hint="The species, in words."),
    of.words("hint", "what helps if it is broken", 200),
    of.yes("active", "counted"),
    of.words("choice", "why this source is chosen or not", 300,
             hint="Needed when the rule is not counted, and for a source from memory."),
)  # fmt: skip
BY_NAME = {one.name: one for one in RULE}
FIRST = ("code", "assay", "severity")
CONDITIONS = ("matrix", "additive", "taxon", "material")
SOURCE = ("source", "evidence", "read", "studied", "question", "hint", "active", "choice")
OF_KIND: dict[str, tuple[str, ...]] = {  # what a rule of this kind may say of its own
    "interval": ("from_act", "to_act", "at_least_s", "limit_s"),
    "never": ("to_act",),
    "temperature": ("phase", "from_act", "to_act", "side", "limit_centi", "allowed_s"),
    "budget": ("from_act", "to_act", "bands", "forbidden_centi"),
    "thaws": ("max_thaws",),
    "volume": ("min_ul",),
    "fill": ("min_percent",),
    "grade": ("grade_name", "max_grade", "max_cmgdl"),
    "spin": ("min_g", "min_minutes"),
    "spins": ("max_spins",),
    "container": ("container_has",),
    "custody": (),
    "permit": ("permit_for",),
}
KIND_WORDS = {
    "interval": "How long may lie between two acts, or how old the sample may be.",
    "never": "An act that must not have happened.",
    "temperature": "How long it may have been above or below a temperature.",
    "budget": "How long it bears each temperature; the shares add up.",
    "thaws": "How often it may have been thawed.",
    "volume": "How much must be left.",
    "fill": "How full it must have been drawn.",
    "grade": "How haemolysed, lipaemic or icteric it may be.",
    "spin": "With what force and for how long it was spun.",
    "spins": "How often it may have been spun.",
    "container": "What it must be kept in.",
    "custody": "No open discrepancy and no gap in custody.",
    "permit": "A permit covers taking or holding it.",
}


def shown(name: str, value: Any) -> str:
    """A value in words for reading, with the unit that its heading has; nothing is "–"."""
    column = BY_NAME[name]
    if column.kind == "choice":
        return dict(column.choices).get(value, str(value)) if value else "–"
    if column.kind == "yes":
        return "yes" if value else "no"
    said = column.write(value)
    return "–" if said == "" else str(said).replace("-", "−") if column.kind == "number" else str(said)
