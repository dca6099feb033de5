"""What was scanned on arrival beside what should have come, and beside a count by hand.

Promises: pure; every scan is in exactly one group (`ok`, `extra`, `foreign`, `again`, or one more in
`unreadable`), every expected tube is either `ok` or `missing`; the order of scans changes nothing. Nothing
is decided for anybody: a label that cannot be read never becomes a tube here, it only may be one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass

UNREADABLE = "?"  # a scan that says: here is a tube, and nobody can read its label


@dataclass(frozen=True)
class Reconciled:
    """All groups sorted.

    ok          expected and scanned
    missing     expected and not scanned
    extra       a tube of ours that is not expected
    foreign     a code that is none of ours
    again       a code for each time it was scanned once more (three scans: twice in here)
    twice       codes that must be on two tubes, or one of which must be, because the count is larger
    unreadable  how many labels nobody could read
    hint        which tubes these may be
    surplus     counted by hand and neither scanned nor explained by `twice`; below zero: scanned, not counted
    """

    ok: tuple[str, ...]
    missing: tuple[str, ...]
    extra: tuple[str, ...]
    foreign: tuple[str, ...]
    again: tuple[str, ...]
    twice: tuple[str, ...]
    unreadable: int
    hint: tuple[str, ...]
    surplus: int

    @property
    def agrees(self) -> bool:
        """Whether the count by hand and the scans tell of the same number of tubes."""
        return self.surplus == 0

    @property
    def clean(self) -> bool:
        """Everything that should be here is, nothing else is, and the count says so too."""
        odd = self.missing or self.extra or self.foreign or self.twice or self.unreadable
        return self.agrees and not odd


def reconcile(
    expected: Iterable[str],
    scans: Iterable[str],
    counted: int,
    ours: Collection[str] = (),
    twins: Collection[str] = (),
) -> Reconciled:
    """The table of receiving. `scans` in any order, UNREADABLE for each label that nobody could read.

    ours   codes of ours that are not expected; any other code is foreign
    twins  scanned codes of which somebody saw two tubes, so that each stands for one tube more
    """
    wanted, times = set(expected), Counter(scans)
    unreadable = times.pop(UNREADABLE, 0)
    again = tuple(sorted((times - Counter(set(times))).elements()))
    ok = tuple(sorted(wanted & set(times)))
    missing = tuple(sorted(wanted - set(times)))
    over = counted - len(times) - unreadable
    twice = _twins(over, again, missing, sorted(set(twins) & set(times)))
    return Reconciled(
        ok=ok,
        missing=missing,
        extra=tuple(sorted((set(times) - wanted) & set(ours))),
        foreign=tuple(sorted(set(times) - wanted - set(ours))),
        again=again,
        twice=twice,
        unreadable=unreadable,
        hint=missing if unreadable else (),
        surplus=_left(over, again, twice, seen=bool(twins)),
    )


def _twins(over: int, again: tuple[str, ...], missing: tuple[str, ...], seen: list[str]) -> tuple[str, ...]:
    """Codes on two tubes: those somebody saw; else those scanned again, when only that explains the count.

    While a tube is missing, it may as well be the one that was counted and not scanned: then scan on.
    """
    if seen:
        return tuple(seen)
    return tuple(sorted(set(again))) if 0 < over <= len(again) and not missing else ()


def _left(over: int, again: tuple[str, ...], twice: tuple[str, ...], seen: bool) -> int:
    if not twice:
        return over
    return over - len(twice) if seen else 0
