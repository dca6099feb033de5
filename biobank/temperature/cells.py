"""One cell as a number or as a moment, exactly and fast.

Promises: temperatures become hundredths of °C by whole-number arithmetic, rounded half to even, once; times
are read as strptime reads them, only with what repeats remembered. What does not fit raises ValueError.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, time, timedelta
from functools import lru_cache

from biobank.temperature.profile import SERIAL_DAYS, UNIX, UNIX_MS

NUMBER = re.compile(r"([+-]?)(\d{1,15})(?:\.(\d{1,15}))?\Z", re.ASCII)
COLDEST, WARMEST = -27_315, 32_767  # absolute zero; what two bytes hold
EPOCH = datetime(1970, 1, 1)
SPREADSHEET_ZERO = datetime(1899, 12, 30)  # day 0 of the 1900 date system, as counted from March 1900 on
DAY_MS = 86_400_000
YEARS = (1970, 2200)
SPLIT = re.compile(r"(?P<date>[^ T]*%[dmYyBb])(?P<by>[ T])(?P<time>%[HI].*)\Z")
MIDNIGHT = re.compile(r"24:00(:00([.,]0+)?)?\Z")  # ISO 8601: the end of a day

When = tuple[int, int | None]  # ms since 1970 of the clock on the wall, and its offset in ms if written


# --- numbers ------------------------------------------------------------------------------------


@lru_cache(maxsize=65_536)
def centi_of(text: str, unit: str = "C", decimal: str = ".") -> int:
    """A written temperature as hundredths of °C: exact, then rounded half to even. ValueError: no number.

    °F: (F - 32) * 5/9; K: K - 273.15. Minus may be written as U+2212; there are no thousands separators.
    """
    plain = text.replace("−", "-")
    if decimal != ".":
        if "." in plain:
            raise ValueError(text)
        plain = plain.replace(decimal, ".")
    found = NUMBER.match(plain)
    if not found:
        raise ValueError(text)
    sign, whole, part = found[1], found[2], found[3] or ""
    ten = 10 ** len(part)
    value = int(whole + part) * (-1 if sign == "-" else 1)
    if unit == "F":
        return half_even((value - 32 * ten) * 500, 9 * ten)
    if unit == "K":
        return half_even(value * 100 - 27_315 * ten, ten)
    return half_even(value * 100, ten)


def half_even(above: int, below: int) -> int:
    """above / below as a whole number, rounded half to even; below is positive."""
    whole, rest = divmod(above, below)
    return whole + (2 * rest > below or (2 * rest == below and whole % 2))


# --- times --------------------------------------------------------------------------------------


def time_reader(time_format: str) -> Callable[[str], When]:
    """A function that reads a time written like this. It raises ValueError for what is not."""
    if time_format in NUMBERS:
        return NUMBERS[time_format]
    ways = [_Way(one) for one in time_format.split(" | ")]
    return ways[0].read if len(ways) == 1 else lambda text: _any(ways, text)


def _any(ways: list[_Way], text: str) -> When:
    """By the one way that fits; two that fit must agree."""
    found = set()
    for way in ways:
        try:
            found.add(way.read(text))
        except ValueError:
            continue
    if len(found) != 1:
        raise ValueError(text)
    return found.pop()


class _Way:
    """One format. Dates and times of day repeat, so each is worked out once and remembered."""

    def __init__(self, written: str) -> None:
        self.written, self.split = written, SPLIT.match(written)
        self.by = self.split["by"] if self.split else "\0"
        self.dates: dict[str, int] = {}
        self.clocks: dict[str, When] = {}

    def read(self, text: str) -> When:
        date, by, clock = text.partition(self.by)
        try:
            day, (ms, offset) = self.dates[date], self.clocks[clock]
        except KeyError:
            return self._slow(text, date, by, clock)
        return day + ms, offset

    def _slow(self, text: str, date: str, by: str, clock: str) -> When:
        if not (self.split and by):
            return wall_of(datetime.strptime(text, self.written))
        try:
            day = _ms(_strptime(date, self.split["date"]))
            said = self._clock(clock, self.split["time"])
        except ValueError:
            return wall_of(_strptime(text, self.written))  # such as two blanks between date and time
        if len(self.clocks) < 100_000:
            self.dates[date], self.clocks[clock] = day, said
        return day + said[0], said[1]

    def _clock(self, text: str, written: str) -> When:
        if MIDNIGHT.match(text) and written.startswith("%H"):
            return DAY_MS, None
        at = _strptime(text, written)
        return ms_of_day(at.time()), _offset(at)


def _strptime(text: str, written: str) -> datetime:
    return datetime.strptime(text, written)


def _ms(at: datetime) -> int:
    if not YEARS[0] <= at.year <= YEARS[1]:
        raise ValueError(f"the year {at.year}")
    return (at.replace(tzinfo=None) - EPOCH) // timedelta(milliseconds=1)


def ms_of_day(at: time) -> int:
    return ((at.hour * 60 + at.minute) * 60 + at.second) * 1000 + at.microsecond // 1000


def _offset(at: datetime) -> int | None:
    said = at.utcoffset()
    return None if said is None else said // timedelta(milliseconds=1)


def wall_of(at: datetime) -> When:
    """A datetime as the clock on the wall showed it; a spreadsheet's parts of a second are rounded to ms."""
    return _ms(at + timedelta(microseconds=500)), _offset(at)


def _number(text: str) -> tuple[int, int]:
    found = NUMBER.match(text.replace(",", "."))
    if not found or found[1] == "-":
        raise ValueError(text)
    part = found[3] or ""
    return int(found[2] + part), 10 ** len(part)


def _in_range(ms: int) -> int:
    if not 0 <= ms < (YEARS[1] - YEARS[0]) * 366 * DAY_MS:
        raise ValueError(ms)
    return ms


def _serial(text: str) -> When:
    value, ten = _number(text)
    zero = (SPREADSHEET_ZERO - EPOCH) // timedelta(milliseconds=1)
    return _in_range(half_even(value * DAY_MS, ten) + zero), None


def _unix(text: str) -> When:
    value, ten = _number(text)
    return _in_range(half_even(value * 1000, ten)), 0


def _unix_ms(text: str) -> When:
    value, ten = _number(text)
    return _in_range(half_even(value, ten)), 0


NUMBERS: dict[str, Callable[[str], When]] = {SERIAL_DAYS: _serial, UNIX: _unix, UNIX_MS: _unix_ms}
