"""How much of what a paper allows has been used: animals, tubes or microlitres.

Promises: an animal counts once, however often it was in hand, and rows that were merged are one animal; each
tube and each volume counts as often as it was moved. What cannot be told (an animal that nobody knows, a
volume that nobody measured, an act that may belong to another paper) is never nought: the answer is then a
range, and whoever asks whether more fits hears that nobody can tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

COUNTED = ("animals", "tubes", "ul")
Key = int | str


@dataclass(frozen=True)
class Use:
    """One time that a paper was used.

    animal  whose; None: not known. hand: the workup, so that one unknown animal counts once
    ul      how much; None: not measured. maybe: it may have been done without this paper
    """

    day: date
    animal: Key | None = None
    hand: str = ""
    ul: int | None = None
    maybe: bool = False


@dataclass(frozen=True)
class Used:
    """Between `least` and `most` (None: no upper end is known); `untold`: uses that nobody could count."""

    least: int = 0
    most: int | None = 0
    untold: int = 0

    @property
    def sure(self) -> bool:
        return self.most == self.least


def root(animal: Key, merged: Mapping[Key, Key]) -> Key:
    """The row that counts for this animal; a ring of merges ends where it began."""
    seen = {animal}
    while (up := merged.get(animal)) is not None and up not in seen:
        seen.add(up)
        animal = up
    return animal


class Meter:
    """Counts uses one after the other. merged: which row an animal's row was merged into."""

    def __init__(self, counted: str, merged: Mapping[Key, Key] | None = None) -> None:
        if counted not in COUNTED:
            raise ValueError(f"nothing is counted in {counted!r}")
        self.counted, self.merged = counted, merged or {}
        self._surely: set[Key] = set()  # animals
        self._maybe: set[Key] = set()
        self._unknown: list[tuple[str, bool]] = []  # workups of animals that nobody knows; maybe or not
        self._n = self._ul = 0
        self._n_maybe = self._ul_maybe = self._unmeasured = 0

    def add(self, use: Use) -> Used:
        if self.counted == "animals":
            self._animal(use)
        elif self.counted == "tubes":
            self._n, self._n_maybe = self._n + (not use.maybe), self._n_maybe + use.maybe
        elif use.ul is None:
            self._unmeasured += 1
        elif use.maybe:
            self._ul_maybe, self._n_maybe = self._ul_maybe + use.ul, self._n_maybe + 1
        else:
            self._ul += use.ul
        return self.used

    def _animal(self, use: Use) -> None:
        if use.animal is not None:
            (self._maybe if use.maybe else self._surely).add(root(use.animal, self.merged))
            return
        known = [one for one in self._unknown if use.hand and one[0] == use.hand]
        if known:
            self._unknown.remove(known[0])
        self._unknown.append((use.hand, use.maybe and all(maybe for _, maybe in known)))

    @property
    def used(self) -> Used:
        if self.counted == "tubes":
            return Used(self._n, self._n + self._n_maybe, self._n_maybe)
        if self.counted == "ul":
            most = None if self._unmeasured else self._ul + self._ul_maybe
            return Used(self._ul, most, self._unmeasured + self._n_maybe)
        sure, untold = len(self._surely), len(self._maybe - self._surely) + len(self._unknown)
        somebody = any(not maybe for _, maybe in self._unknown)  # it may be one that was counted already
        return Used(max(sure, int(somebody)), sure + untold, untold)

    def would(self, use: Use) -> Used:
        """What would be used with this as well; nothing is counted."""
        other = Meter(self.counted, self.merged)
        other.__dict__ |= self.__dict__ | {
            "_surely": set(self._surely), "_maybe": set(self._maybe), "_unknown": list(self._unknown)
        }  # fmt: skip
        return other.add(use)


def used(counted: str, uses: Iterable[Use], merged: Mapping[Key, Key] | None = None) -> Used:
    meter = Meter(counted, merged)
    for use in uses:
        meter.add(use)
    return meter.used


def fits(quantity: int, after: Used) -> str:
    """Is so much still allowed: "pass", "fail" or "cannot_tell". The quantity itself passes."""
    if after.least > quantity:
        return "fail"
    return "pass" if after.most is not None and after.most <= quantity else "cannot_tell"


@dataclass(frozen=True)
class Balance:
    """A quantity beside what was used of it."""

    counted: str
    quantity: int
    used: Used

    @property
    def answer(self) -> str:
        return fits(self.quantity, self.used)

    @property
    def over(self) -> int:
        """By so much it is surely exceeded."""
        return max(self.used.least - self.quantity, 0)

    @property
    def left(self) -> int:
        """At most so much is left."""
        return max(self.quantity - self.used.least, 0)

    @property
    def surely_left(self) -> int | None:
        """At least so much is left; None when nobody can tell."""
        return None if self.used.most is None else max(self.quantity - self.used.most, 0)


@dataclass(frozen=True)
class Day:
    """What one day added, and what was used by its end."""

    day: date
    uses: int
    used: Used


def running(counted: str, uses: Iterable[Use], merged: Mapping[Key, Key] | None = None) -> list[Day]:
    """Day by day, oldest first; days on which nothing was used are left out."""
    meter, days = Meter(counted, merged), dict[date, Day]()
    for use in sorted(uses, key=lambda one: one.day):
        before = days[use.day].uses if use.day in days else 0
        days[use.day] = Day(use.day, before + 1, meter.add(use))
    return list(days.values())
