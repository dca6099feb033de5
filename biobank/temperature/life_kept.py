"""A life as it is kept: JSON, and back.

Promises: what is written comes back the same; numbers stay whole ms and hundredths of °C.

Times beyond limits stand in the order of `limits`, so that a phase takes a few hundred bytes; null: nothing
known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from biobank.core.acts_of_life import Phase
from biobank.models import ThermalResult
from biobank.temperature.life import Life, Lived, Used
from biobank.temperature.life_inputs import Inputs
from custody.core.phase import PhaseSummary

VERSION = 1
BY_LIMIT = (
    "above", "longest_above", "longest_above_open", "excursions_above",
    "below", "longest_below", "longest_below_open", "excursions_below",
)  # fmt: skip
PLAIN = (
    "start_ms", "end_ms", "measured_ms", "assumed_ms", "no_data_ms", "min_centi", "max_centi",
    "mean_kinetic_centi", "thaws", "frozen_after", "thaws_unsure", "mkt_method",
)  # fmt: skip


def written(life: Life) -> dict[str, Any]:
    """What stands in ThermalResult.life."""
    return {
        "version": VERSION, "start_ms": life.start_ms, "limits": list(life.limits),
        "used": {str(pk): asdict(one) for pk, one in life.used.items()},
        "units": dict.fromkeys(life.units, 1), "parts": dict(life.inputs.parts),
        "phases": [_lived(one, life.limits) for one in life.phases],
        "whole": _summary(life.whole, life.limits),
    }  # fmt: skip


def _lived(one: Lived, limits: tuple[int, ...]) -> dict[str, Any]:
    return {
        "phase": asdict(one.phase), "summary": _summary(one.summary, limits), "words": one.words,
        "loggers": list(one.loggers), "notes": list(one.notes), "open": one.open,
    }  # fmt: skip


def _summary(one: PhaseSummary, limits: tuple[int, ...]) -> dict[str, Any]:
    by_limit = {name: _row(getattr(one, name), limits) for name in BY_LIMIT}
    return {name: getattr(one, name) for name in PLAIN} | by_limit


def _row(said: Mapping[int, Any], limits: tuple[int, ...]) -> list[Any] | None:
    return [said.get(limit) for limit in limits] if said else None


def read(row: ThermalResult) -> Life:
    """The life that a result holds."""
    kept = row.life
    limits = tuple(kept["limits"])
    phases = tuple(_read_lived(one, limits) for one in kept["phases"])
    # a database may keep an object's names in an order of its own
    order = dict.fromkeys(pk for one in phases for pk in one.loggers)
    return Life(
        row.tube, kept["start_ms"], row.asof_ms, row.open, limits, phases,
        _read_summary(kept["whole"], limits),
        {pk: _read_used(kept["used"][str(pk)]) for pk in order}, tuple(sorted(kept["units"])),
        Inputs(row.inputs, kept["parts"]),
    )  # fmt: skip


def _read_used(one: Mapping[str, Any]) -> Used:
    return Used(**{name: _hashable(said) for name, said in one.items()})


def _hashable(said: Any) -> Any:
    return tuple(said) if isinstance(said, list) else said


def _read_lived(one: Mapping[str, Any], limits: tuple[int, ...]) -> Lived:
    return Lived(
        Phase(**one["phase"]), _read_summary(one["summary"], limits), one["words"], tuple(one["loggers"]),
        tuple(one["notes"]), one["open"],
    )  # fmt: skip


def _read_summary(one: Mapping[str, Any], limits: tuple[int, ...]) -> PhaseSummary:
    by_limit: dict[str, Any] = {
        name: {
            limit: n
            for limit, n in zip(limits, one[name] or [None] * len(limits), strict=True)
            if n is not None
        }
        for name in BY_LIMIT
    }
    plain: dict[str, Any] = {name: one[name] for name in PLAIN}
    return PhaseSummary(name="", **plain, **by_limit)
