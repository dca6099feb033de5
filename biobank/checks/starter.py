"""The rule set that comes with the project, as data.

Promises: reads and checks the file, writes nothing; every rule is a valid pure rule with a source.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from custody.core.rules import Assay, Rule

FILE = Path(__file__).with_name("starter.toml")


@dataclass(frozen=True)
class Starter:
    """The file's content as pure values."""

    code: str
    version: int
    valid_from: date
    note: str
    assays: tuple[Assay, ...]
    rules: tuple[Rule, ...]


@cache
def starter() -> Starter:
    """ValueError or TypeError when the file says what no rule can say."""
    said = tomllib.loads(FILE.read_text("utf-8"))
    assays = tuple(_assay(one) for one in said["assay"])
    rules = tuple(rule for one in said["rule"] for rule in _rules(one))
    strangers = {rule.assay for rule in rules} - {"", *(assay.code for assay in assays)}
    if strangers:
        raise ValueError(f"rules for assays that are not in the file: {', '.join(sorted(strangers))}")
    return Starter(said["code"], said["version"], said["valid_from"], said["note"], assays, rules)


def _assay(said: dict[str, Any]) -> Assay:
    return Assay(
        said["code"], said["name"], frozenset((matrix, additive) for matrix, additive in said["takes"])
    )


def _rules(said: dict[str, Any]) -> list[Rule]:
    """One rule for each assay that it names; without any, one for all."""
    assays = said.pop("assays", None)
    if assays is None:
        return [Rule(**said)]
    code = said.pop("code")
    return [Rule(code=f"{assay.lower()}-{code}", assay=assay, **said) for assay in assays]
