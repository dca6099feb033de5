"""Which way times are written in a column of texts, judged from all of them.

Promises: the order of day and month is taken only when the texts leave one order possible, or when one order
makes the days follow each other at the recording interval and the other does not; else both are given back
for a person to choose. A year of two digits is always asked. No Django, no clock, no disk.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from statistics import median

from biobank.temperature.cells import DAY_MS, time_reader

TIME = (
    r"(?P<clock>\d{1,2}:\d{2}(?P<sec>:\d{2})?(?P<frac>[.,]\d{1,6})?)(?P<half>\s?[APap][Mm])?"
    r"(?P<zone>\s?(?:Z|[+-]\d{2}:?\d{2}))?"
)
DATE = (
    r"(?P<date>\d{4}-\d{1,2}-\d{1,2}|\d{4}/\d{1,2}/\d{1,2}|\d{4}\.\d{1,2}\.\d{1,2}|\d{8}"
    r"|\d{1,2}[./-]\d{1,2}[./-]\d{4}|\d{1,2}[./-]\d{1,2}[./-]\d{2}|\d{1,2}[ -][A-Za-z]{3,9}[ -]\d{4})"
)
WHOLE = re.compile(DATE + r"(?P<by>[ T]+)" + TIME + r"\Z", re.ASCII)
ONLY_DATE, ONLY_TIME = re.compile(DATE + r"\Z", re.ASCII), re.compile(TIME + r"\Z", re.ASCII)
ORDERS = {"dmy": "day first", "mdy": "month first", "ymd": "year first", "": ""}
MONTHS = {"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
ENOUGH = 3  # readings a day that tell the interval


@dataclass(frozen=True)
class Way:
    """One way to read the column. words: the first and last time as this way reads them."""

    time_format: str
    words: str
    order: str = ""


@dataclass(frozen=True)
class Times:
    """The ways left; the first is taken when `asked` is False. reason: why."""

    ways: tuple[Way, ...]
    asked: bool
    reason: str


def looks(text: str) -> bool:
    """Whether this is a date with a time of day."""
    return bool(WHOLE.match(text.strip()))


def formats_of(text: str) -> list[tuple[str, str]]:
    """(order, format) for each way in which a text such as `01/02/2026 09:12` may be written."""
    found = WHOLE.match(text)
    if not found:
        return []
    clock = _clock_format(found)
    if not clock:
        return []
    by = "T" if "T" in found["by"] else " "
    return [(order, f"{date}{by}{clock}") for order, date in _date_formats(found["date"])]


def _clock_format(found: re.Match[str]) -> str:
    hours = "%I" if found["half"] else "%H"
    parts = [hours, ":%M", ":%S" if found["sec"] else ""]
    if found["frac"]:
        if not found["sec"]:
            return ""
        parts.append(f"{found['frac'][0]}%f")
    if found["half"]:
        parts.append(" %p" if found["half"][0].isspace() else "%p")
    if found["zone"]:
        parts.append(" %z" if found["zone"][0].isspace() else "%z")
    return "".join(parts)


def _date_formats(date: str) -> list[tuple[str, str]]:
    if re.fullmatch(r"\d{8}", date):
        return [("", "%Y%m%d")]
    sign = next(char for char in date if not char.isalnum())
    parts = date.split(sign)
    if parts[1].isalpha():
        month = "%b" if len(parts[1]) == 3 else "%B"
        return [("", f"%d{sign}{month}{sign}%Y")] if parts[1][:3].casefold() in MONTHS else []
    if len(parts[0]) == 4:
        return [("", f"%Y{sign}%m{sign}%d")]
    year = "%Y" if len(parts[2]) == 4 else "%y"
    both = [("dmy", f"%d{sign}%m{sign}{year}"), ("mdy", f"%m{sign}%d{sign}{year}")]
    return both if year == "%Y" else [*both, ("ymd", f"%y{sign}%m{sign}%d")]


def judge(texts: Sequence[str]) -> Times | None:
    """The way these texts are written, or the ways to choose from; None when they are no times."""
    kinds: dict[str, list[tuple[str, str]]] = {}
    for text in texts[:2_000] if len(texts) <= 4_000 else [*texts[:2_000], *texts[-2_000:]]:
        for order, written in formats_of(text):
            kinds.setdefault(order, [])
            if written not in [one for _, one in kinds[order]]:
                kinds[order].append((order, written))
    ways = [
        _way(order, [one for _, one in found], texts) for order, found in kinds.items() if len(found) <= 3
    ]
    found = [one for one in ways if one]
    if not found:
        return None
    return _chosen(found, texts)


def _way(order: str, formats: list[str], texts: Sequence[str]) -> tuple[Way, list[int]] | None:
    written = " | ".join(formats)
    walls = _walls(written, texts)
    fits = [wall for wall in walls if wall is not None]
    if not fits or len(fits) < 0.5 * len(texts):
        return None
    first, last = next(k for k in texts if k), texts[-1]
    words = f"{_said(written, first)} to {_said(written, last)}"
    return Way(written, words, order), [-1 if wall is None else wall for wall in walls]


def _walls(written: str, texts: Sequence[str]) -> list[int | None]:
    read = time_reader(written)
    found: list[int | None] = []
    wrong = 0
    for text in texts:
        try:
            wall, offset = read(text)
            found.append(wall - (offset or 0))
        except (ValueError, OverflowError):
            found.append(None)
            wrong += 1
            if wrong > 2_000:
                break
    return found + [None] * (len(texts) - len(found))


def _said(written: str, text: str) -> str:
    try:
        wall, _ = time_reader(written)(text)
    except (ValueError, OverflowError):
        return text
    at = datetime.fromtimestamp(wall / 1000, UTC)
    return f"{at.day} {at:%b %Y %H:%M}"


def _chosen(found: list[tuple[Way, list[int]]], texts: Sequence[str]) -> Times:
    two_digits = any("%y" in way.time_format for way, _ in found)
    best = max(sum(wall >= 0 for wall in walls) for _, walls in found)
    left = [one for one in found if sum(wall >= 0 for wall in one[1]) == best]
    dropped = len(left) < len(found)
    if len(left) > 1:
        left = [one for one in left if _one_way(one[1])] or left
    ways = tuple(way for way, _ in left)
    if two_digits:
        return Times(ways, True, "The year has two digits.")
    if len(left) == 1:
        if not left[0][0].order:
            return Times(ways, False, "Every time is written like this.")
        why = (
            "any other order leaves days that are none"
            if dropped
            else "any other order puts them out of order"
        )
        return Times(ways, False, f"{ORDERS[left[0][0].order].capitalize()}: {why}.")
    steady = [one for one in left if _steady(one[1])]
    if len(steady) == 1 and all(_torn(one[1]) for one in left if one is not steady[0]):
        way = steady[0][0]
        why = "only so do the days follow each other without a break at midnight"
        return Times((way,), False, f"{ORDERS[way.order].capitalize()}: {why}.")
    return Times(ways, True, "Day first and month first are both possible, and nothing in the file decides.")


def _one_way(walls: Sequence[int]) -> bool:
    """All rising, or all falling."""
    known = [wall for wall in walls if wall >= 0]
    steps = [b - a for a, b in pairwise(known)]
    back = sum(step < 0 for step in steps)
    forth = sum(step > 0 for step in steps)
    return min(back, forth) <= 2  # an hour that occurs twice steps back once


def _over_midnight(walls: Sequence[int]) -> tuple[float, list[int]]:
    """The usual step within a day, and the steps from one day to another."""
    known = [wall for wall in walls if wall >= 0]
    steps = [(abs(b - a), a // DAY_MS != b // DAY_MS) for a, b in pairwise(known) if a != b]
    within = [step for step, over in steps if not over]
    return (median(within) if len(within) >= ENOUGH else 0), [step for step, over in steps if over]


def _steady(walls: Sequence[int]) -> bool:
    interval, over = _over_midnight(walls)
    return bool(interval and over) and all(step <= 1.5 * interval for step in over)


def _torn(walls: Sequence[int]) -> bool:
    """Silences of days at every midnight at which the months would change."""
    interval, over = _over_midnight(walls)
    return bool(interval) and any(step > 10 * interval and step > DAY_MS for step in over)
