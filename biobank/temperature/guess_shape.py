"""Where the table is in a file nobody has described: its delimiter, its columns of times and of numbers.

Promises: judged by how many lines have a time and a number, never by names. No Django, no clock, no disk.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time
from typing import Any

from biobank.temperature import guess_times, table
from biobank.temperature.guess_times import ONLY_DATE, ONLY_TIME
from custody.core.refusal import Refused

SAMPLE = 400  # lines from which the shape of the table is found
NUMBER = re.compile(r"[+\-−]?\d{1,6}(?:[.,]\d{1,9})?\Z", re.ASCII)
SERIAL_DAY = re.compile(r"[2-9]\d{4}[.,]\d{2,12}\Z", re.ASCII)  # 1954 to 2173


@dataclass(frozen=True)
class Shape:
    """Where the table is in the lines: line number of its first reading, columns of time and of numbers."""

    score: int
    start: int
    times: tuple[int, ...]
    numbers: tuple[int, ...]
    serial_days: bool = False


def delimiter_of(text: str) -> str:
    """The delimiter under which most lines have a time and a number."""
    head = "\n".join(text[:2_000_000].splitlines()[:SAMPLE])
    best, most = "comma", 0
    for name in ("tab", "semicolon", "comma", "pipe", "spaces"):
        try:
            score = shape(list(table.text_lines(head, name))).score
        except (Refused, csv.Error):
            continue
        if score > most:
            best, most = name, score
    return best


def shape(lines: Sequence[table.Line]) -> Shape:
    """The columns of time and numbers that most lines share."""
    found: dict[tuple[tuple[int, ...], bool], list[tuple[int, list[Any]]]] = {}
    for line, cells in lines:
        if len(cells) <= table.MOST_COLUMNS and (key := time_places(cells)):
            found.setdefault(key, []).append((line, cells))
    best = Shape(0, 0, (), ())
    for (places, serial), rows in found.items():
        counts: dict[int, int] = {}
        for _, cells in rows:
            for k, cell in enumerate(cells):
                if k not in places and is_number(cell):
                    counts[k] = counts.get(k, 0) + 1
        numbers = tuple(sorted(k for k, n in counts.items() if n >= 0.3 * len(rows)))
        score = max(counts.values(), default=0)
        if numbers and score > best.score:
            best = Shape(score, rows[0][0], places, numbers, serial)
    return best


def time_places(cells: Sequence[Any]) -> tuple[tuple[int, ...], bool] | None:
    for k, cell in enumerate(cells[:20]):
        if isinstance(cell, datetime):
            parted = k + 1 < len(cells) and isinstance(cells[k + 1], time)
            return ((k, k + 1) if parted else (k,)), False
        if not isinstance(cell, str):
            continue
        text = cell.strip()
        if guess_times.looks(text):
            return (k,), False
        if ONLY_DATE.match(text) and not (text.isdecimal() and len(text) != 8):
            for other in (k + 1, k - 1):
                if 0 <= other < len(cells) and ONLY_TIME.match(text_of(cells[other])):
                    return (k, other), False
        if SERIAL_DAY.match(text) and len(cells) > k + 1:
            return (k,), True
    return None


def text_of(cell: Any) -> str:
    return str(cell).strip()


def is_number(cell: Any) -> bool:
    return isinstance(cell, str) and bool(NUMBER.match(cell.strip()))
