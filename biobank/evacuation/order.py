"""In which order the boxes of a running evacuation leave, and where there is room: worked out once.

Promises: where a box is, and how many tubes are in it, is never kept here. What is kept (in this server's
memory, under the evacuation's key) is worked out anew as soon as tubes came into or went out of a box,
another unit is being emptied, a unit was added, or KEEP_S seconds have passed. What else may change a rank
(a reserve, a rule, two animals that are one) shows after that time at the latest; the page says since when.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from django.core.cache import cache
from django.utils import timezone

from biobank.acting import ms
from biobank.core.rank import Berth, Ranked, assign
from biobank.evacuation import tree
from biobank.evacuation.ranking import rank
from biobank.evacuation.room import berths_of, failing
from biobank.models import Evacuation
from biobank.store.classes import path_of, set_point

KEEP_S = 600

Signs = tuple[dict[str, int], list[str], int]


@dataclass(frozen=True)
class Order:
    """boxes: those with tubes, the first to leave first. berths: where there was room, when `stood` boxes
    with tubes stood in each unit. signs: what it was worked out from, so far as it is looked at again."""

    at_ms: int
    signs: Signs
    boxes: list[Ranked]
    berths: list[Berth]
    stood: Mapping[str, int]

    def berths_left(self, stand: Mapping[str, int]) -> list[Berth]:
        """The same places, less the boxes that came since, and with room where some left."""
        gone = {one.unit: stand.get(one.unit, 0) - self.stood.get(one.unit, 0) for one in self.berths}
        return [Berth(one.unit, one.device, one.centi, one.boxes - gone[one.unit]) for one in self.berths]

    def places(self, crew: tree.Crew, inside: Mapping[str, int]) -> dict[str, str]:
        """Where each box could go that is in no new place yet; one that is out keeps its turn."""
        going = [box.unit for box in self.boxes if crew.stage(box.unit) != tree.SAFE]
        return assign(going, self.berths_left(standing(crew, inside)))


def standing(crew: tree.Crew, inside: Mapping[str, int]) -> Counter[str]:
    """How many boxes with tubes in them stand in each unit now."""
    now, kinds = crew.standing.now, crew.kinds
    return Counter(
        now.get(code) or "" for code, tubes in inside.items() if tubes and kinds.get(code) == "box"
    )


def order_of(evacuation: Evacuation, crew: tree.Crew, inside: Mapping[str, int]) -> Order:
    """inside: how many tubes are in each unit. 1 query; 17 more, and two for each 500 workups, when it must
    be worked out."""
    signs: Signs = ({code: inside.get(code, 0) for code in crew.boxes}, sorted(failing()), len(crew.kinds))
    name = f"evacuation-{evacuation.key}"
    found = cache.get(name)
    if isinstance(found, Order) and found.signs == signs:
        return found
    made = _worked_out(evacuation, crew, inside, signs)
    cache.set(name, made, KEEP_S)
    return made


def _worked_out(evacuation: Evacuation, crew: tree.Crew, inside: Mapping[str, int], signs: Signs) -> Order:
    boxes = [box for box in rank(crew.boxes) if box.tubes]  # an empty box is worth no way
    berths = []
    if evacuation.ended is None:
        berths = berths_of(evacuation.unit, set_point(path_of(crew.unit)))
    return Order(ms(timezone.now()), signs, boxes, berths, dict(standing(crew, inside)))
