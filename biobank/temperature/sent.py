"""What a logger sends by itself, read from the body of its request.

Promises: all or nothing; every reading that cannot be taken is named by its place; numbers are read exactly.

The body is JSON: `{"readings": [{"at": "2026-05-03T09:00:00Z", "c": -80.12}, …]}`. `at` has an offset or
`Z`, or is a whole number of ms since 1970 UTC. `c` is °C; null says that the sensor could not measure.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal

from biobank.acting import ms
from biobank.temperature.cells import COLDEST, WARMEST
from biobank.temperature.held import ERROR
from custody.core.refusal import Refused

MOST = 10_000  # readings in one request: a month at five minutes
AHEAD = timedelta(minutes=10)  # a clock may be off by so much
EARLIEST = ms(datetime.fromisoformat("1990-01-01T00:00:00+00:00"))


def read(body: bytes, now: datetime) -> list[tuple[int, int]]:
    """Moments (UTC ms) and hundredths of °C. Refused `push_malformed`, `push_too_large`, `time_future`,
    `same_time_twice`."""
    try:
        said = json.loads(body, parse_float=Decimal, parse_constant=_no, object_pairs_hook=_once)["readings"]
        rows = [_one(k, one) for k, one in enumerate(said, 1)]
    except (ValueError, KeyError, TypeError, ArithmeticError, RecursionError) as why:
        raise Refused("push_malformed", 'Send {"readings": [{"at": …, "c": …}, …]} as JSON.') from why
    if not rows or len(rows) > MOST:
        raise Refused("push_too_large", f"Send between 1 and {MOST:,} readings at once.")
    late = [k for k, (at, _) in enumerate(rows, 1) if at > ms(now + AHEAD)]
    if late:
        raise Refused("time_future", f"Reading {late[0]} lies in the future. Is the logger's clock right?")
    values = dict(rows)
    twice = next((k for k, (at, centi) in enumerate(rows, 1) if values[at] != centi), None)
    if twice:
        raise Refused("same_time_twice", f"Reading {twice} has two values for one moment.")
    return rows


def _no(word: str) -> None:
    raise ValueError(word)


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """Each name once: of two values for one name neither is known to be right."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice")
    return found


def _one(k: int, one: object) -> tuple[int, int]:
    if not isinstance(one, dict):
        raise TypeError(k)
    return _moment(k, one["at"]), _centi(k, one["c"])


def _moment(k: int, said: object) -> int:
    if isinstance(said, bool) or not isinstance(said, int | str):
        raise TypeError(said)
    if isinstance(said, str):
        at = datetime.fromisoformat(said)
        if at.tzinfo is None:
            raise Refused("push_malformed", f"Reading {k} has a time without an offset; write Z for UTC.")
        said = ms(at)
    if said < EARLIEST:
        raise Refused("push_malformed", f"Reading {k} is from before 1990. Is the time in milliseconds?")
    return said


def _centi(k: int, said: object) -> int:
    if said is None:
        return ERROR
    if isinstance(said, bool) or not isinstance(said, int | Decimal):
        raise TypeError(said)
    try:
        centi = int((Decimal(said) * 100).quantize(Decimal(1), ROUND_HALF_EVEN))
    except ArithmeticError as why:  # too many digits, or an exponent beyond all bounds
        raise Refused("value_range", f"Reading {k} is no temperature that a logger can show.") from why
    if not COLDEST <= centi <= WARMEST:
        raise Refused("value_range", f"Reading {k} is no temperature that a logger can show.")
    return centi
