"""What a plan adds up to: tubes, aliquots, labels, blood, and what a tube can yield.

Promises: whole microlitres; a volume that is not said adds nothing and is counted as not said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from biobank.core import order
from biobank.core.blood import BLOOD
from biobank.plans.values import Plan, Planned

YIELD_PCT = 40  # of the blood in a tube, as serum or plasma
YIELD_SOURCE = (
    "5 mL of blood for each 2 mL of serum or plasma: Northern Light laboratory, page on centrifuging, "
    "read in full. For people; divers have more cells, so expect less."
)


@dataclass(frozen=True)
class Totals:
    """tubes: all primaries; blood_tubes: those filled from a vein; labels: tubes and aliquots."""

    tubes: int
    blood_tubes: int
    aliquots: int
    labels: int
    labels_with_spares: int
    blood_ul: int
    unsaid: int

    @property
    def others(self) -> int:
        return self.tubes - self.blood_tubes


def totals(plan: Plan) -> Totals:
    blood = [one for one in plan.tubes if one.matrix in BLOOD]
    aliquots = sum(some.count for one in plan.tubes for some in one.made)
    labels = len(plan.tubes) + aliquots
    return Totals(
        tubes=len(plan.tubes),
        blood_tubes=len(blood),
        aliquots=aliquots,
        labels=labels,
        labels_with_spares=labels + spares(labels, plan.spare_pct),
        blood_ul=sum(one.volume_ul or 0 for one in blood),
        unsaid=sum(one.volume_ul is None for one in blood),
    )


def spares(labels: int, pct: int) -> int:
    """So many spare labels, rounded up."""
    return -(-labels * pct // 100)


@dataclass(frozen=True)
class Short:
    """A tube that cannot give what is planned from it. wanted, expected in µL; matrix "": all together."""

    label: str
    matrix: str
    wanted: int
    expected: int


def over_yield(plan: Plan) -> list[Short]:
    """Tubes whose planned aliquots are more than the blood in them is expected to give."""
    return [short for tube in plan.tubes if tube.volume_ul for short in _short(tube)]


def _short(tube: Planned) -> Iterator[Short]:
    """Serum and plasma against 40 % of the blood; everything together against all of it."""
    wanted = Counter[str]()
    for some in tube.made:
        wanted[some.matrix] += some.count * some.ul
    liquid = sum(wanted[one] for one in ("SER", "PL1"))
    expected = expected_ul(tube)
    if tube.matrix == "BLD" and liquid > expected:
        yield Short(tube.label, "SER" if wanted["SER"] else "PL1", liquid, expected)
    elif sum(wanted.values()) > (tube.volume_ul or 0):
        yield Short(tube.label, "", sum(wanted.values()), tube.volume_ul or 0)


def expected_ul(tube: Planned) -> int:
    """Serum or plasma that this tube is expected to give, full."""
    return (tube.volume_ul or 0) * YIELD_PCT // 100


def advice(plan: Plan) -> list[order.Advice]:
    """What published orders of draw say of this plan. Tubes with no volume and cartridges prime nothing."""
    drawn = [one for one in plan.tubes if one.matrix in BLOOD - {"DBS"}]
    return order.advice(order.Tube(one.label, one.additive) for one in drawn)
