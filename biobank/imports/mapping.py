"""Which column of a table means what: a mapping, read from data (TableMapping.spec).

Promises: a mapping that parses is complete and fits the database; what is wrong with one that does
not is said in a sentence (`mapping_malformed`). No Django here: a mapping can be tried anywhere.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping as Dict
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from custody.core import canon
from custody.core.refusal import Refused

OUTCOMES = ["drawn", "short", "not_collected"]
TESTS = ["if_contains", "if_equals", "if_blank", "if_present"]
KINDS = ["chip", "tag", "brand", "field"]
SEXES = ["F", "M", "U"]
OTHERWISE = ["refuse", "drawn"]
MICROLITRES = {"mL": 1000, "µL": 1}
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*")
TOP = {"about", "individual", "species", "sex", "site", "date", "missing", "plan", "tubes", "comments",
       "rules", "otherwise"}  # fmt: skip


@dataclass(frozen=True)
class Individual:
    """What makes an individual: these columns together, joined. `why` says how one can know."""

    columns: tuple[str, ...]
    kind: str = "field"
    join: str = " "
    why: str = ""


@dataclass(frozen=True)
class Said:
    """A value that stands in a column, or is the same for the whole table; `words` translates cells."""

    column: str = ""
    value: str = ""
    words: tuple[tuple[str, str], ...] = ()

    def word(self, text: str) -> str | None:
        return next((to for cell, to in self.words if cell.casefold() == text.casefold()), None)


@dataclass(frozen=True)
class Dated:
    """When the row was sampled. Without an hour in `format`: noon, give or take half a day."""

    column: str
    format: str = "%Y-%m-%d"
    tz: str = ""
    why: str = ""

    @property
    def has_time(self) -> bool:
        return any(sign in self.format for sign in ("%H", "%I", "%X", "%T", "%c"))


@dataclass(frozen=True)
class TubeSpec:
    """A tube that every row makes. Additive empty: not known. volume_ul: what was planned."""

    label: str
    matrix: str
    additive: str = ""
    container: str = ""
    volume_ul: int | None = None
    volume_column: str = ""
    volume_unit: str = "mL"


@dataclass(frozen=True)
class Rule:
    """If the test holds for the cell (comments, unless another column is named), the tube's outcome."""

    test: str
    text: str
    outcome: str
    reason: str = ""
    tube: str = ""
    column: str = ""
    why: str = ""

    def holds(self, cell: str) -> bool:
        folded, wanted = cell.casefold(), self.text.casefold()
        match self.test:
            case "if_contains":
                return wanted in folded
            case "if_equals":
                return wanted == folded
            case "if_blank":
                return not cell
        return bool(cell)


@dataclass(frozen=True)
class Mapping:
    """A whole mapping. Rules are asked in order, the first that holds decides."""

    individual: Individual
    species: Said
    sex: Said
    site: Said
    date: Dated
    tubes: tuple[TubeSpec, ...]
    plan_code: str
    plan_name: str
    missing: tuple[str, ...] = ()
    comments: str = ""
    rules: tuple[Rule, ...] = ()
    otherwise: str = "refuse"
    about: str = ""

    @property
    def columns(self) -> list[str]:
        """Every column that the table must have, once, in the order of asking."""
        named = [
            *self.individual.columns, self.species.column, self.sex.column, self.site.column,
            self.date.column, self.comments,
            *(rule.column for rule in self.rules), *(tube.volume_column for tube in self.tubes),
        ]  # fmt: skip
        return [name for name in dict.fromkeys(named) if name]


def digest(spec: Any) -> str:
    """A fingerprint of a mapping's data, to notice that it changed between looking and taking in."""
    return hashlib.sha256(json.dumps(spec, sort_keys=True).encode()).hexdigest()


def parse(spec: Any, matrices: set[str], additives: set[str]) -> Mapping:
    """The mapping that this data means. Refused: mapping_malformed, with what is wrong."""
    top = part(canon.nfc(spec), "The mapping", TOP)
    plan = part(top.get("plan"), "plan", {"code", "name"})
    tubes = tuple(_tube(one, matrices, additives) for one in several(top.get("tubes"), "tubes"))
    comments = text(top, "comments")
    found = Mapping(
        individual=_individual(top.get("individual")),
        species=_said(top.get("species"), "species", 80),
        sex=_sex(top.get("sex", {"value": "U"})),
        site=_site(top.get("site")),
        date=_dated(top.get("date")),
        tubes=tubes,
        plan_code=code(text(plan, "code"), "plan code", 20),
        plan_name=text(plan, "name", 100) or "As imported",
        missing=tuple(words(top.get("missing", []), "missing")),
        comments=comments,
        rules=tuple(_rule(one, tubes, comments) for one in top.get("rules") or []),
        otherwise=choice(top.get("otherwise", "refuse"), "otherwise", OTHERWISE),
        about=text(top, "about"),
    )
    twice = [tube.label for n, tube in enumerate(tubes) if tube.label in [one.label for one in tubes[:n]]]
    if twice:
        raise wrong(f"Two tubes are called {twice[0]!r}.")
    return found


def _individual(spec: Any) -> Individual:
    said = part(spec, "individual", {"columns", "kind", "join", "why"})
    columns = tuple(words(said.get("columns"), "individual columns"))
    if not columns:
        raise wrong("Name at least one column that tells individuals apart.")
    kind = choice(said.get("kind", "field"), "identifier kind", KINDS)
    return Individual(columns, kind, str(said.get("join", " "))[:3], text(said, "why"))


def _said(spec: Any, name: str, longest: int) -> Said:
    said = part(spec, name, {"column", "value", "words"})
    if bool(said.get("column")) == bool(said.get("value")):
        raise wrong(f"{name}: give a column, or one value for the whole table.")
    table = part(said.get("words", {}), f"{name} words", None)
    pairs = tuple((str(cell).strip(), text(table, cell, longest)) for cell in table)
    return Said(text(said, "column"), text(said, "value", longest), pairs)


def _sex(spec: Any) -> Said:
    said = _said(spec, "sex", 1)
    for to in [*(to for _, to in said.words), *([said.value] if said.value else [])]:
        choice(to, "sex", SEXES)
    return said


def _site(spec: Any) -> Said:
    """Site words give each name its code."""
    said = _said(spec, "site", 120)
    for _, to in said.words:
        code(to, "site code", 12)
    return said


def _dated(spec: Any) -> Dated:
    said = part(spec, "date", {"column", "format", "tz", "why"})
    form = text(said, "format") or "%Y-%m-%d"
    found = Dated(text(said, "column"), form, text(said, "tz"), text(said, "why"))
    if not found.column:
        raise wrong("Name the column with the date.")
    try:
        datetime.strptime(datetime(2001, 2, 3).strftime(found.format), found.format)
    except ValueError as why:
        raise wrong(f"{found.format!r} is not a date format such as %Y-%m-%d or %d.%m.%Y.") from why
    try:
        ZoneInfo(found.tz or "UTC")
    except (ValueError, OSError, KeyError) as why:  # KeyError: ZoneInfoNotFoundError
        raise wrong(f"{found.tz!r} is not a time zone.") from why
    return found


def _tube(spec: Any, matrices: set[str], additives: set[str]) -> TubeSpec:
    fields = {"label", "matrix", "additive", "container", "volume_ul", "volume_column", "volume_unit"}
    said = part(spec, "tube", fields)
    if not text(said, "label", 40):
        raise wrong("Every tube needs a label.")
    ul = said.get("volume_ul")
    if ul is not None and (not isinstance(ul, int) or isinstance(ul, bool) or not 1 <= ul <= 2_000_000):
        raise wrong("A tube's volume is a whole number of microlitres, from 1 to 2 000 000.")
    return TubeSpec(
        text(said, "label", 40), choice(said.get("matrix"), "matrix", sorted(matrices)),
        choice(said.get("additive") or "", "additive", ["", *sorted(additives)]),
        text(said, "container", 40), ul, text(said, "volume_column"),
        choice(said.get("volume_unit", "mL"), "volume unit", list(MICROLITRES)),
    )  # fmt: skip


def _rule(spec: Any, tubes: tuple[TubeSpec, ...], comments: str) -> Rule:
    said = part(spec, "rule", {*TESTS, "tube", "outcome", "reason", "column", "why"})
    tests = [name for name in TESTS if name in said]
    if len(tests) != 1:
        raise wrong(f"A rule needs one of {', '.join(TESTS)}.")
    rule = Rule(
        tests[0], text(said, tests[0]) if tests[0] in TESTS[:2] else "",
        choice(said.get("outcome"), "outcome", OUTCOMES), text(said, "reason", 200), text(said, "tube"),
        text(said, "column"), text(said, "why"),
    )  # fmt: skip
    if rule.test in TESTS[:2] and not rule.text:
        raise wrong(f"{rule.test}: say which words.")
    if rule.tube and rule.tube not in {tube.label for tube in tubes}:
        raise wrong(f"A rule is about the tube {rule.tube!r}, which no row makes.")
    if rule.outcome != "drawn" and not rule.reason:
        raise wrong("A tube that is short or not collected needs a reason.")
    if not rule.column and not comments:
        raise wrong("A rule needs a column to look at, or the mapping a comments column.")
    return rule


def wrong(sentence: str) -> Refused:
    return Refused("mapping_malformed", sentence)


def part(spec: Any, name: str, known: set[str] | None) -> Dict[str, Any]:
    """An object of the mapping, with none but known fields: a misspelt one must not be passed over."""
    if not isinstance(spec, dict):
        raise wrong(f"{name} is missing, or is not an object.")
    odd = sorted(set(spec) - known) if known is not None else []
    if odd:
        raise wrong(f"{name} does not know the field {odd[0]!r}.")
    return spec


def several(spec: Any, name: str) -> list[Any]:
    if not isinstance(spec, list) or not 1 <= len(spec) <= 99:
        raise wrong(f"{name}: 1 to 99 are needed.")
    return spec


def words(spec: Any, name: str) -> list[str]:
    if not isinstance(spec, list) or not all(isinstance(one, str) for one in spec):
        raise wrong(f"{name} is not a list of words.")
    return [one.strip() for one in spec]


def text(spec: Dict[str, Any], name: str, longest: int = 1000) -> str:
    found = spec.get(name) or ""
    if not isinstance(found, str) or len(found) > longest:
        raise wrong(f"{name} must be text of at most {longest} characters.")
    return found.strip()


def choice(found: Any, name: str, of: list[str]) -> str:
    if found not in of:
        raise wrong(f"{found!r} is not a known {name}; known are {', '.join(one for one in of if one)}.")
    return str(found)


def code(found: str, name: str, longest: int) -> str:
    if not CODE.fullmatch(found) or len(found) > longest:
        raise wrong(f"The {name} {found!r} must be letters, digits and hyphens, at most {longest}.")
    return found
