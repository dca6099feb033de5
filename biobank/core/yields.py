"""How much serum or plasma a tube gives, and which vials it fills.

Promises: whole microlitres and per cent, cut down and never rounded up; what is shared out and what is lost
are together never more than what is there. A vial is filled whole or not at all: half a vial would be taken
for a whole one at its assay. The numbers are a laboratory's planning figures for people; a measured
haematocrit counts before them, and a measured volume before both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from custody.core.refusal import Refused

LIQUID = frozenset({"SER", "PL1"})  # what the yield is of
RULE_PCT = 40
RULE_SOURCE = "5 mL of blood for each 2 mL of serum or plasma (northernlighthealth.org, page on centrifuging)"
GOT_PCT = 80  # of the plasma in the blood, what can be taken off the cells; common practice, no source
MOST_PCT = RULE_PCT * 100 // GOT_PCT  # worked out: all the liquid of a blood of which the rule gives 40 %
LOSS_PCT = 2  # of a measured volume, what stays in tube and tip; common practice, no source
HCT = (1, 90)  # per cent; outside it is a slip of typing. Common practice, no source


def check_hct(hct_pct: int | None) -> None:
    """Refused `hct_out_of_range` for a haematocrit that no blood has. None is: not measured."""
    if hct_pct is not None and not HCT[0] <= hct_pct <= HCT[1]:
        raise Refused("hct_out_of_range", f"A haematocrit lies between {HCT[0]} and {HCT[1]} %.")


def expected_ul(blood_ul: int, hct_pct: int | None = None) -> int:
    """Serum or plasma to be expected from so much blood: 40 %, or with a haematocrit 80 % of what is no cell.

    blood_ul 0 or more; hct_pct per cent of packed cells. Refused: hct_out_of_range.
    """
    check_hct(hct_pct)
    if hct_pct is None:
        return blood_ul * RULE_PCT // 100
    return blood_ul * (100 - hct_pct) * GOT_PCT // 10_000


def most_ul(blood_ul: int, hct_pct: int | None = None) -> int:
    """More serum or plasma than this is not plausible: all that is no cell, or half of the blood."""
    check_hct(hct_pct)
    return blood_ul * (MOST_PCT if hct_pct is None else 100 - hct_pct) // 100


def yield_pct(recovered_ul: int, blood_ul: int) -> int:
    """What was recovered, in per cent of the blood, rounded. ValueError when there was no blood."""
    if blood_ul < 1:
        raise ValueError("a yield is of something")
    return (200 * recovered_ul + blood_ul) // (2 * blood_ul)


def loss_ul(available_ul: int, measured: bool) -> int:
    """What is expected to be lost. An estimate is of what can be had, so nothing more is lost of it."""
    return -(-available_ul * LOSS_PCT // 100) if measured else 0


@dataclass(frozen=True)
class Vial:
    """A vial that is planned. ul 1 or more; priority 1 is made first; reserve: before all priorities."""

    code: str
    ul: int
    priority: int = 1
    reserve: bool = False


@dataclass(frozen=True)
class Shared:
    """filled, dropped: codes in the order given; left_ul: neither in a vial nor expected to be lost."""

    filled: tuple[str, ...]
    dropped: tuple[str, ...]
    left_ul: int


def share(room_ul: int, vials: Sequence[Vial]) -> Shared:
    """Which vials are filled from so many microlitres (below 0 counts as 0).

    The reserve comes first, then priority 1, 2, …; of one priority the earlier in the rack. Each in turn is
    filled if what is left suffices, so a vial only ever gives way to those before it. Of vials of one size
    the lowest priorities are dropped first; a small vial may still take what a large one could not.
    """
    left, filled = max(0, room_ul), set[str]()
    for vial in sorted(vials, key=lambda one: (not one.reserve, one.priority)):  # stable: rack order
        if vial.ul <= left:
            filled.add(vial.code)
            left -= vial.ul
    codes = [vial.code for vial in vials]
    return Shared(
        tuple(one for one in codes if one in filled), tuple(one for one in codes if one not in filled), left
    )
