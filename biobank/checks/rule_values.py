"""A rule set as plain values, and what is wrong with a rule that somebody typed.

Promises: nothing here writes; equal values are equal sets; every fault has the name of the field, a sentence
and a stable code; a rule without faults is a valid pure rule.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from typing import Any

from biobank.checks.rule_columns import BY_NAME, OF_KIND, RULE
from biobank.checks.starter import Row
from biobank.models import Assay, Rule, RuleSet
from custody.core import rule as core
from custody.core.facts import ACTS
from custody.core.refusal import Refused
from custody.core.rules import LEAST_VOLUME

OF_RULE = tuple(one.name for one in fields(core.Rule))
MOST_BANDS_TEXT = 200  # characters that the column holds
# Each of these may be said by several kinds; what a kind does not say stays empty
OWN = tuple(dict.fromkeys(name for names in OF_KIND.values() for name in names))


@dataclass(frozen=True)
class Fault:
    """What is wrong with one value; `name` is that of its column."""

    name: str
    sentence: str
    code: str


def value_of(rule_set: RuleSet) -> tuple[Row, ...]:
    """All rules of a set by code. 1 query."""
    rows = Rule.objects.filter(rule_set=rule_set).select_related("assay")
    return tuple(sorted((row_of(one) for one in rows), key=lambda one: one.rule.code))


def row_of(rule: Rule) -> Row:
    return Row(rule.core(), rule.active, rule.choice)


def said_of(row: Row) -> dict[str, Any]:
    """The row as values of its columns."""
    return {name: getattr(row.rule, name) for name in OF_RULE} | {"active": row.active, "choice": row.choice}


def stored(row: Row) -> dict[str, Any]:
    """The row as values of the model's columns, but for the assay."""
    said = asdict(row.rule) | {"bands": core.bands_text(row.rule.bands)}
    del said["assay"]
    return said | {"active": row.active, "choice": row.choice}


def made(said: Mapping[str, Any]) -> Row:
    """The row that these values of the columns say. Refused: the first fault."""
    for one in faults(said):
        raise Refused(one.code, one.sentence)
    return Row(core.Rule(**{name: said[name] for name in OF_RULE}), said["active"], said["choice"])


def faults(said: Mapping[str, Any]) -> list[Fault]:
    """Everything that is wrong with these values; empty: they are a rule."""
    found = [*_named(said), *_lacks(said), *_strange(said), *_order(said), *_bands(said), *_source(said)]
    return found or list(_last(said))


def _empty(value: Any) -> bool:
    return value is None or value in ("", ())


def _named(said: Mapping[str, Any]) -> Iterator[Fault]:
    """The check of an assay's own least volume goes by a code of its own; two of that name cannot be told
    apart."""
    if said["code"].casefold() == LEAST_VOLUME:
        sentence = f"{LEAST_VOLUME} is the name of the check of an assay's own least volume. Choose another."
        yield Fault("code", sentence, "rule_code_reserved")


def _lacks(said: Mapping[str, Any]) -> Iterator[Fault]:
    kind = said["kind"]
    for name in core.NEEDS[kind]:
        if _empty(said[name]):
            yield Fault(name, f"A rule of kind {kind} says {BY_NAME[name].heading}.", "rule_lacks")
    if kind == "interval" and said["limit_s"] is None and said["at_least_s"] is None:
        yield Fault("limit_s", "Say not later than, or not before, or both.", "rule_lacks")
    if kind == "grade" and said["max_grade"] is None and said["max_cmgdl"] is None:
        yield Fault("max_grade", "Say the highest grade by eye, or as measured, or both.", "rule_lacks")
    if kind == "temperature" and said["phase"] == core.BETWEEN:
        for name in ("from_act", "to_act"):
            if _empty(said[name]):
                yield Fault(name, "Between two acts: say both.", "rule_lacks")


def _strange(said: Mapping[str, Any]) -> Iterator[Fault]:
    for name in OWN:
        if name not in OF_KIND[said["kind"]] and not _empty(said[name]):
            yield Fault(
                name,
                f"A rule of kind {said['kind']} has no {BY_NAME[name].heading}.",
                "value_not_for_this_kind",
            )


def _order(said: Mapping[str, Any]) -> Iterator[Fault]:
    least, most = said["at_least_s"], said["limit_s"]
    if least is not None and most is not None and least > most:
        yield Fault("at_least_s", "The least is more than the most.", "least_over_most")
    first, then = said["from_act"], said["to_act"]
    if first and first == then:
        yield Fault("to_act", "From an act to the same act there is no time.", "acts_the_same")
    elif first in ACTS and then in ("net_closed", "drawn") and ACTS.index(then) < ACTS.index(first):
        yield Fault("to_act", "This comes before what it is counted from.", "acts_reversed")
    if said["kind"] == "never" and then == "now":
        yield Fault("to_act", "Choose the act that must not have happened.", "rule_lacks")


def _bands(said: Mapping[str, Any]) -> Iterator[Fault]:
    bands = said["bands"]
    if not bands:
        return
    edges = [edge for edge, _ in bands]
    if edges[-1] is not None:
        yield Fault("bands", "The last band has no end: what is warmer than the others.", "band_without_end")
    if None in edges[:-1]:
        yield Fault("bands", "Only the last band has no temperature.", "band_without_temperature")
    elif any(b <= a for a, b in pairwise(edges[:-1])):
        yield Fault("bands", "Each band reaches higher than the one before.", "bands_do_not_rise")
    if any(seconds == 0 for _, seconds in bands):
        yield Fault("bands", "A band that bears nothing: say never above instead.", "band_bears_nothing")
    if all(seconds is None for _, seconds in bands) and said["forbidden_centi"] is None:
        yield Fault("bands", "Everything for ever limits nothing.", "budget_limits_nothing")
    if len(core.bands_text(bands)) > MOST_BANDS_TEXT:
        yield Fault("bands", "These are more bands than can be kept.", "text_too_long")


def _source(said: Mapping[str, Any]) -> Iterator[Fault]:
    if not said["source"].strip():
        yield Fault("source", "A limit without a source is an opinion: say who says so.", "source_empty")
    if not said["active"] and not said["choice"].strip():
        yield Fault("choice", "Say why this rule is not counted.", "choice_missing")
    elif said["evidence"] == "memory" and not said["choice"].strip():
        yield Fault("choice", "From memory: say why it stands here nevertheless.", "memory_needs_a_note")


def _last(said: Mapping[str, Any]) -> Iterator[Fault]:
    """What only the pure rule itself finds."""
    try:
        core.Rule(**{name: said[name] for name in OF_RULE})
    except ValueError as why:
        yield Fault("kind", str(why).partition(": ")[2].capitalize() + ".", "rule_wrong")


def blank(kind: str) -> dict[str, Any]:
    """A new rule of this kind as values of its columns, before anybody typed."""
    said: dict[str, Any] = {one.name: None if one.kind == "number" else "" for one in RULE}
    said |= dict.fromkeys(("at_least_s", "limit_s", "allowed_s", "min_ul"), None)
    return said | {"kind": kind, "bands": (), "active": True, "read": "none"}


def digest(rows: Iterable[Row]) -> str:
    """Tells two states of rules apart: SHA-256."""
    return hashlib.sha256(repr(sorted(rows, key=lambda one: one.rule.code)).encode()).hexdigest()


def fingerprint(rule_set: RuleSet) -> str:
    """Of all that a set decides by: its rules, and the assays as they are. 3 queries."""
    assays = sorted(
        repr((one.core().code, sorted(one.core().takes), one.core().family, one.core().min_ul, one.retired))
        for one in Assay.objects.select_related("family").prefetch_related("takes")
    )
    return hashlib.sha256(repr((digest(value_of(rule_set)), assays)).encode()).hexdigest()
