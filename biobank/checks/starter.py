"""The rule set that comes with the project, as data: the files in the folder `starter`.

Promises: reads and checks the files, writes nothing and asks no database; every rule is a valid pure rule
with a source that stands in sources.toml, and every quantity was written with its unit (starter_units).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from biobank.checks.starter_units import PARSERS, volume
from custody.core.rules import Assay, Rule

FOLDER = Path(__file__).with_name("starter")
RULES = ("all", "serum", "haemolysis", "plasma", "blood", "swabs_tissue", "storage")  # one file each
# What a rule may say beside its quantities (PARSERS); `rest` names the words that go to the rule as they are
REST = ("kind", "severity", "matrix", "taxon", "material", "question", "from_act", "to_act", "phase",
        "grade_name", "container_has", "permit_for", "hint", "evidence", "studied")  # fmt: skip
OWN = ("code", "assays", "additives", "from", "finding", "active", "choice")


@dataclass(frozen=True)
class Row:
    """A rule as it is shipped: whether it counts, and why it or another source was chosen."""

    rule: Rule
    active: bool = True
    choice: str = ""


@dataclass(frozen=True)
class Starter:
    """The files' content as pure values. Families stand before their members."""

    code: str
    version: int
    valid_from: date
    note: str
    assays: tuple[Assay, ...]
    rows: tuple[Row, ...]

    @property
    def rules(self) -> tuple[Rule, ...]:
        """Those that count."""
        return tuple(row.rule for row in self.rows if row.active)


@cache
def starter() -> Starter:
    """ValueError or TypeError, with the rule's code, when a file says what no rule can say."""
    head, sources = _read("set"), _read("sources")
    assays = _assays(_read("assays"))
    rows = tuple(row for name in RULES for said in _read(name)["rule"] for row in rows_of(said, sources))
    _check(assays, rows)
    return Starter(head["code"], head["version"], head["valid_from"], head["note"], assays, rows)


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{name}.toml").read_text("utf-8"))


def _check(assays: tuple[Assay, ...], rows: tuple[Row, ...]) -> None:
    known, codes = {one.code for one in assays}, [row.rule.code for row in rows]
    strangers = {row.rule.assay for row in rows} | {one.family for one in assays}
    if strangers := strangers - known - {""}:
        raise ValueError(f"rules or members of what is not in assays.toml: {', '.join(sorted(strangers))}")
    if twice := {code for code in codes if codes.count(code) > 1}:
        raise ValueError(f"two rules have one code: {', '.join(sorted(twice))}")
    if idle := [row.rule.code for row in rows if not row.active and not row.choice]:
        raise ValueError(f"a rule that does not count says why: {', '.join(idle)}")


def _assays(said: Mapping[str, Any]) -> tuple[Assay, ...]:
    found = [_assay(one, said["takes"]) for one in said["assay"]]
    return tuple(sorted(found, key=lambda one: bool(one.family)))


def _assay(said: Mapping[str, Any], takes: Mapping[str, list[list[str]]]) -> Assay:
    pairs = frozenset((matrix, additive) for matrix, additive in takes.get(said.get("takes", ""), ()))
    least = volume(said["least"]) if "least" in said else None
    return Assay(said["code"], said["name"], pairs, said.get("family", ""), least)


def rows_of(said: Mapping[str, Any], sources: Mapping[str, Mapping[str, str]]) -> Iterator[Row]:
    """One row for each assay and each additive that the entry names; without any, one for all."""
    code = said.get("code", "a rule without a code")
    if unknown := set(said) - set(OWN) - set(REST) - set(PARSERS):
        raise ValueError(f"{code}: no rule says {', '.join(sorted(unknown))}")
    fields = _cited(said, sources) | {name: said[name] for name in REST if name in said} | _measured(said)
    assays, additives = said.get("assays", [""]), said.get("additives", [""])
    for assay in assays:
        for additive in additives:
            parts = (assay.lower(), code, additive.lower() if len(additives) > 1 else "")
            rule = Rule(code="-".join(filter(None, parts)), assay=assay, additive=additive, **fields)
            yield Row(rule, said.get("active", True), said.get("choice", ""))


def _cited(said: Mapping[str, Any], sources: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """What the source gives to the rule: its citation with the finding, the evidence, how far it was read."""
    name = said.get("from", "")
    if name not in sources:
        raise ValueError(f"{said.get('code')}: {name or 'nothing'} is not in sources.toml")
    source, finding = sources[name], said.get("finding", "")
    text = ": ".join(filter(None, (source["cite"], finding)))
    return {"source": text, "evidence": source["evidence"], "read": source["read"],
            "studied": source.get("studied", "")}  # fmt: skip


def _measured(said: Mapping[str, Any]) -> dict[str, Any]:
    """The quantities in the rule's own units; `above` and `below` say the side, too."""
    found: dict[str, Any] = {}
    for name in PARSERS.keys() & said.keys():
        field, parse = PARSERS[name]
        try:
            found[field] = parse(said[name])
        except ValueError as wrong:
            raise ValueError(f"{said.get('code')}, {name}: {wrong}") from wrong
    sides = [side for side in ("above", "below") if side in said]
    if len(sides) > 1:
        raise ValueError(f"{said.get('code')}: either above or below")
    return found | ({"side": sides[0]} if sides else {})
