"""What to pack: empty tubes by kind with their lots, vials, labels, ice, for so many animals and spares.

Promises: every planned tube and vial is counted for every set; an expired lot is never offered as good.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date

from biobank.models import TubeLot
from biobank.plans.totals import totals
from biobank.plans.values import Plan, Planned

SOON_DAYS = 30  # common practice, no source


@dataclass(frozen=True)
class LotLine:
    """A lot, and what its last day means on the day of use. mark: a sign's name."""

    lot: TubeLot
    words: str
    mark: str

    @property
    def good(self) -> bool:
        return self.mark != "fail"


@dataclass(frozen=True)
class Need:
    """So many empty containers of one kind. ul is the nominal volume, None when it has none."""

    additive: str
    container: str
    cap: str
    ul: int | None
    count: int
    lots: tuple[LotLine, ...] = ()

    @property
    def without_good_lot(self) -> bool:
        return bool(self.lots) and not any(one.good for one in self.lots)


@dataclass(frozen=True)
class Kit:
    """What to pack. labels and spare_labels beside each other; ice in grams."""

    sets: int
    tubes: list[Need] = field(default_factory=list)
    vials: list[Need] = field(default_factory=list)
    labels: int = 0
    spare_labels: int = 0
    ice_g: int = 0
    dry_ice_g: int = 0

    @property
    def ice_kg(self) -> str:
        return f"{self.ice_g / 1000:g}"

    @property
    def dry_ice_kg(self) -> str:
        return f"{self.dry_ice_g / 1000:g}"

    @property
    def formalin(self) -> bool:
        return any(one.additive == "F10" for one in self.tubes)


def kit(wanted: Sequence[tuple[Plan, int]], lots: Iterable[TubeLot], on: date) -> Kit:
    """The kit for so many sets of each plan, to be used on that day."""
    tubes, vials = Counter[tuple[str, str, str, int | None]](), Counter[tuple[str, int]]()
    for plan, sets in wanted:
        for tube in plan.tubes:
            tubes[_kind(tube)] += sets
            for some in tube.made:
                vials[some.container, some.ul] += sets * some.count
    sums = [(totals(plan), plan, sets) for plan, sets in wanted]
    return Kit(
        sets=sum(sets for _, sets in wanted),
        tubes=[Need(*kind, count, _lots(kind, lots, on)) for kind, count in tubes.items()],
        vials=[Need("", container, "", ul, n) for (container, ul), n in sorted(vials.items())],
        labels=sum(one.labels * sets for one, _, sets in sums),
        spare_labels=sum((one.labels_with_spares - one.labels) * sets for one, _, sets in sums),
        ice_g=sum(plan.ice_g * sets for _, plan, sets in sums),
        dry_ice_g=sum(plan.dry_ice_g * sets for _, plan, sets in sums),
    )


def _kind(tube: Planned) -> tuple[str, str, str, int | None]:
    return tube.additive, tube.container, tube.cap, tube.volume_ul


def _lots(kind: tuple[str, str, str, int | None], lots: Iterable[TubeLot], on: date) -> tuple[LotLine, ...]:
    """Lots of this additive, volume and (where the lot names one) container; first what expires first."""
    additive, container, _, ul = kind
    fitting = [
        lot
        for lot in lots
        if lot.additive == additive
        and lot.ul == ul
        and lot.container.casefold() in {"", container.casefold()}
        and not lot.used_up
    ]
    return tuple(line(lot, on) for lot in sorted(fitting, key=lambda lot: (lot.expires or date.max, lot.lot)))


def line(lot: TubeLot, on: date) -> LotLine:
    """What the last day of a lot means on the day `on`."""
    if lot.expires is None:
        return LotLine(lot, "no last day is written down", "info")
    left = (lot.expires - on).days
    if left < 0:
        return LotLine(lot, f"expired {_days(-left)} before: do not pack", "fail")
    if left <= SOON_DAYS:
        return LotLine(
            lot, "last day of use" if not left else f"expires {_days(left)} later: use first", "caution"
        )
    return LotLine(lot, "good", "pass")


def _days(n: int) -> str:
    return "1 day" if n == 1 else f"{n} days"
