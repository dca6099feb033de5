"""How a workup stands against its blood limit: values only.

Promises: where the limit is not known the answer says so and is never a pass; blood of which nobody knows
how much it is, is counted apart and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from biobank.core.blood import Asked, Limit, Total, fitting
from biobank.models import BloodAllowance, BloodLimit, Tube, Workup

NO_LIMIT, CANNOT_TELL, WITHIN, WILL_BE_OVER, OVER = (
    "no_limit",
    "cannot_tell",
    "within",
    "will_be_over",
    "over",
)
NOTHING = Total()
WIDE, EDGE = 1000, 8  # of the drawn bar
WORDS = {
    NO_LIMIT: ("info", "no limit is set"),
    CANNOT_TELL: ("cannot_tell", "limit not known"),
    WITHIN: ("pass", "within the limit"),
    WILL_BE_OVER: ("caution", "not all of it fits"),
    OVER: ("stop", "over the limit"),
}


@dataclass(frozen=True)
class Waiting:
    """A tube of blood that is not drawn yet; fits None: nobody can tell."""

    tube: Tube
    ul: int | None
    fits: bool | None


@dataclass(frozen=True)
class Budget:
    """What may be taken, what was, what is still to be. All µL.

    row        the limit in force, None when none is set; `limit` is what it gives, None without a mass
    earlier    the same animal's draws in its other workups, inside the window
    waiting    tubes still to be drawn, in order of draw
    allowances what the veterinarian allowed beyond the limit
    """

    workup: Workup
    row: BloodLimit | None = None
    limit: Limit | None = None
    mass_g: int | None = None
    estimated: bool = False
    why_unknown: str = ""
    guessed_species: bool = False
    drawn: Total = NOTHING
    earlier: Total = NOTHING
    earlier_workups: tuple[str, ...] = ()
    planned: Total = NOTHING
    waiting: tuple[Waiting, ...] = ()
    allowances: tuple[BloodAllowance, ...] = ()

    @property
    def limit_ul(self) -> int | None:
        return self.limit.ul if self.limit else None

    @property
    def rule(self) -> str:
        return self.limit.words if self.limit else ""

    @property
    def source(self) -> str:
        return self.row.source if self.row else ""

    @property
    def animal_known(self) -> bool:
        return self.workup.animal_id is not None

    @property
    def drawn_ul(self) -> int:
        return self.drawn.ul

    @property
    def earlier_ul(self) -> int:
        return self.earlier.ul

    @property
    def used_ul(self) -> int:
        return self.drawn.ul + self.earlier.ul

    @property
    def planned_ul(self) -> int:
        return self.planned.ul

    @property
    def unmeasured(self) -> int:
        """Draws that were not measured and count at the volume that the tube is made for."""
        return self.drawn.unmeasured + self.earlier.unmeasured

    @property
    def unknown(self) -> int:
        """Draws that count as nothing, because nobody knows how much is in them."""
        return self.drawn.unknown + self.earlier.unknown

    @property
    def allowed_ul(self) -> int:
        return sum(one.ul for one in self.allowances)

    @property
    def cap_ul(self) -> int | None:
        """Limit and what was allowed beyond it. Without a mass what was allowed is all there is."""
        if self.row is None or (self.limit is None and not self.allowed_ul):
            return None
        return (self.limit_ul or 0) + self.allowed_ul

    @property
    def left_ul(self) -> int | None:
        return None if self.cap_ul is None else max(0, self.cap_ul - self.used_ul)

    def is_over_with(self, extra_ul: int) -> bool:
        return self.cap_ul is not None and self.used_ul + extra_ul > self.cap_ul

    @property
    def over(self) -> bool:
        return self.is_over_with(0)

    @property
    def over_ul(self) -> int:
        return max(0, self.used_ul - self.cap_ul) if self.cap_ul is not None else 0

    @property
    def will_be_over(self) -> bool:
        return self.is_over_with(self.planned_ul)

    @property
    def stands(self) -> str:
        if self.row is None:
            return NO_LIMIT
        if self.cap_ul is None:
            return CANNOT_TELL
        return OVER if self.over else WILL_BE_OVER if self.will_be_over else WITHIN

    @property
    def sign(self) -> str:
        return WORDS[self.stands][0]

    @property
    def words(self) -> str:
        return WORDS[self.stands][1]

    @property
    def fit(self) -> list[Waiting]:
        return [one for one in self.waiting if one.fits]

    @property
    def kilograms(self) -> str:
        return f"{(self.mass_g or 0) / 1000:g}"

    @property
    def bar(self) -> dict[str, int] | None:
        """Lengths of earlier, drawn and planned and where the cap stands, of a bar that is WIDE long.

        None without a cap: a bar that is full of what nothing was held against would say too much.
        """
        if self.cap_ul is None or not (whole := max(self.used_ul + self.planned_ul, self.cap_ul)):
            return None
        ends = [self.earlier_ul, self.used_ul, self.used_ul + self.planned_ul]
        earlier, used, planned = (end * WIDE // whole for end in ends)
        bar = {"earlier": earlier, "drawn": used - earlier, "planned": planned - used}
        bar |= {"drawn_x": EDGE + earlier, "planned_x": EDGE + used}
        return bar | {"cap_x": EDGE + self.cap_ul * WIDE // whole}


def waiting(tubes: Sequence[Tube], left_ul: int | None) -> tuple[Waiting, ...]:
    """These tubes in order of draw, and which of them still fit, by the plan's priority."""
    asked = [Asked(one.code, _ul(one), one.planned.priority if one.planned else 1) for one in tubes]
    fit = set() if left_ul is None else set(fitting(left_ul, asked))
    return tuple(Waiting(one, _ul(one), None if left_ul is None else one.code in fit) for one in tubes)


def _ul(tube: Tube) -> int | None:
    return tube.planned.volume_ul if tube.planned else None
