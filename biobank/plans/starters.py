"""The plans that come with the project, as data: one file each in `starter/`.

Promises: reads and checks the files, writes nothing; numbers and order of draw are the order of the file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from biobank.plans.values import Aliquots, Plan, Planned

FOLDER = Path(__file__).with_name("starter")


@cache
def starters() -> Mapping[str, Plan]:
    """Code of the plan: the plan. TypeError when a file says what no plan can say."""
    found = (read(path.read_text("utf-8")) for path in sorted(FOLDER.glob("*.toml")))
    return MappingProxyType({plan.code: plan for plan in found})


def read(text: str) -> Plan:
    """A plan from a file's text. `times = 4` is four tubes, “Smear 1” to “Smear 4”."""
    said = tomllib.loads(text)
    tubes = [tube for one in said.pop("tube") for tube in _tubes(one)]
    return Plan(**said, tubes=tuple(_planned(n, tube) for n, tube in enumerate(tubes, 1)))


def _tubes(said: dict[str, Any]) -> Iterator[dict[str, Any]]:
    times = said.pop("times", 1)
    label = said["label"] + (" no" if said["label"][-1].isdecimal() else "")
    for n in range(1, times + 1):
        yield said | ({"label": f"{label} {n}"} if times > 1 else {})


def _planned(number: int, said: dict[str, Any]) -> Planned:
    made = tuple(Aliquots(**some) for some in said.get("made", []))
    return Planned(**(said | {"number": number, "order_of_draw": number, "made": made}))
