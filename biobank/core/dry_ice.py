"""How much dry ice a leg needs, what is left of it, and how long it lasts: always as a range.

Promises: grams and minutes in and out; a plan, not a promise, since nobody measured this box. Where the
figures give no upper end there is none, and that is never taken for "enough".

Figures. Hafner, Welt, Pelletier, Boz, "Dry ice sublimation performance as affected by binding agent, density,
and age" (preprint doi 10.22541/au.168051660.05807128, its abstract): chunked blocks and pellets lost 2.84 and
2.53 % of their mass an hour, whole blocks 0.98 to 1.60 %. The same abstract quotes the planning figure of
2.3 to 4.5 kg (5 to 10 lb) in 24 h whatever the form.
The abstract does not say of what mass the percentages are. Of the mass at the start, each hour takes the same
(the quickest reading); of the mass that is still there, each hour takes less (the slowest). Both are taken:
what is left lies between the quick rate read the one way and the slow rate read the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HOUR = 60  # minutes
DAY = 24 * HOUR
WHOLE = 10_000  # hundredths of a per cent
RATES = {"pellets": (253, 284), "blocks": (98, 160)}  # hundredths of a per cent an hour, slow and quick
PLAN_G = (2_300, 4_500)  # g in 24 h, little and much


@dataclass(frozen=True)
class Between:
    """Grams or minutes, at least and at most; `most` None: no figure gives an upper end."""

    least: int
    most: int | None


def left(grams: int, form: str, minutes: int) -> Between:
    """Grams that remain of these after so long, by the measured rates. Rounded against the packer: down."""
    slow, quick = RATES[form]
    hours = minutes / HOUR
    least = grams * (1 - quick / WHOLE * hours)
    most = grams * (1 - slow / WHOLE) ** hours
    return Between(max(0, math.floor(least)), max(0, math.floor(most)))


def lasts(grams: int, form: str, keep_g: int) -> Between:
    """Minutes until only `keep_g` remain of these, by the measured rates; 0 when there are no more than that.

    most is None for nothing to keep: what shrinks by a share of itself is never quite gone.
    """
    if grams <= keep_g:
        return Between(0, 0)
    slow, quick = RATES[form]
    least = (grams - keep_g) / grams * WHOLE / quick * HOUR
    most = None if keep_g <= 0 else math.log(keep_g / grams) / math.log(1 - slow / WHOLE) * HOUR
    return Between(math.floor(least), None if most is None else math.floor(most))


@dataclass(frozen=True)
class Need:
    """Grams to put in. by_rate: from the measured rates; by_plan: what is to be left, and 2.3 to 4.5 kg for
    each 24 h. `pack_g` is the larger of the two upper ends: what a careful packer takes; None: the measured
    rates say that any amount may be gone by then, so ice is added on the way."""

    by_rate: Between
    by_plan: Between

    @property
    def pack_g(self) -> int | None:
        if self.by_rate.most is None or self.by_plan.most is None:
            return None
        return max(self.by_rate.most, self.by_plan.most)

    @property
    def least_g(self) -> int:
        return min(self.by_rate.least, self.by_plan.least)


def need(minutes: int, form: str, keep_g: int) -> Need:
    """What must be put in so that `keep_g` are left after so long."""
    return Need(_by_rate(minutes, form, keep_g), plan(minutes, keep_g))


def _by_rate(minutes: int, form: str, keep_g: int) -> Between:
    slow, quick = RATES[form]
    hours = minutes / HOUR
    least = keep_g / (1 - slow / WHOLE) ** hours
    stays = 1 - quick / WHOLE * hours
    return Between(math.ceil(least), math.ceil(keep_g / stays) if stays > 0 else None)


def plan(minutes: int, keep_g: int = 0) -> Between:
    """The planning figure alone: 2.3 to 4.5 kg for each 24 h, and what shall be left."""
    little, much = (math.ceil(grams * minutes / DAY) + keep_g for grams in PLAN_G)
    return Between(little, much)


def may_be_gone(form: str) -> int:
    """Minutes after which the quick rate, read the quick way, leaves nothing of any amount."""
    return math.floor(WHOLE / RATES[form][1] * HOUR)
