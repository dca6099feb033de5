"""How rules speak: durations, temperatures, acts, limits.

Promises: no rounding hides on which side of a limit a value lies. Words of numbers that come again are kept:
a hundred thousand tubes have few different limits.
"""

from __future__ import annotations

from functools import lru_cache

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

DONE = {
    "net_closed": "Net closed",
    "drawn": "Drawn",
    "spun": "Spun",
    "aliquoted": "Aliquoted",
    "put_away": "Put away",
    "frozen": "Put in a freezer",
    "pulled": "Pulled",
    "thawed": "Thawed",
    "shipped": "Sent",
    "received": "Received",
}
NOUN = {
    "net_closed": "closing the net",
    "drawn": "draw",
    "spun": "spin",
    "aliquoted": "aliquoting",
    "put_away": "putting away",
    "frozen": "freezing",
    "pulled": "pull",
    "thawed": "thaw",
    "shipped": "sending",
    "received": "receipt",
}
VERB = {
    "net_closed": "Close the net",
    "drawn": "Draw",
    "spun": "Spin",
    "aliquoted": "Aliquot",
    "put_away": "Put away",
    "frozen": "Freeze",
    "pulled": "Pull",
    "thawed": "Thaw",
    "shipped": "Send",
    "received": "Receive",
    "now": "Use",
}


@lru_cache(maxsize=65_536)
def span(ms: int, exact: bool = False) -> str:
    """A duration of 0 ms or more in words: 40 s, 12 min, 2 h 41 min, 3 d 4 h; parts left out when 0.

    Cut down, never up, to the two largest parts that matter; `exact` shows every part to the second
    (and the milliseconds, should there be any). Less than a second is never cut to nothing.
    """
    ms = max(ms, 0)
    days = ms // DAY if ms >= 2 * DAY else 0  # 26 h says more than 1 d 2 h
    hours, rest = divmod(ms - days * DAY, HOUR)
    minutes, rest = divmod(rest, MINUTE)
    seconds, thousandths = divmod(rest, SECOND)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (seconds, "s"), (thousandths, "ms")]
    coarse = parts[:2] if days else parts[1:3] if hours or minutes else parts[3:4] if seconds else parts[4:]
    shown = [f"{number} {unit}" for number, unit in (parts if exact else coarse) if number]
    return " ".join(shown) or "0 min"


def span_beside(ms: int, limits: list[int]) -> str:
    """`ms` in words, exactly where fewer words would make it look like one of the limits.

    Beside a limit that is said exactly, it so reads as less, the same or more just when it is.
    """
    looks_alike = any(span(ms) == span(limit) for limit in limits)
    return span(ms, exact=looks_alike)


@lru_cache(maxsize=4096)
def celsius(centi: int) -> str:
    """Hundredths of a degree as text: -7000 is "−70 °C", 250 is "2.5 °C"."""
    whole, part = divmod(abs(centi), 100)
    digits = f"{whole}.{part:02d}".rstrip("0").rstrip(".")
    return f"{'−' if centi < 0 else ''}{digits} °C"


@lru_cache(maxsize=4096)
def volume(ul: int) -> str:
    """Microlitres as text: below 1 mL in µL, else in mL."""
    if ul < 1000:
        return f"{ul} µL"
    digits = f"{ul // 1000}.{ul % 1000:03d}".rstrip("0").rstrip(".")
    return f"{digits} mL"


def limits(lower_ms: int | None, upper_ms: int | None) -> str:
    """A limit in words: "limit 2 h", "at least 30 min", "between 30 min and 1 h"."""
    if lower_ms is None:
        return f"limit {span(upper_ms or 0, exact=True)}"
    if upper_ms is None:
        return f"at least {span(lower_ms, exact=True)}"
    return f"between {span(lower_ms, exact=True)} and {span(upper_ms, exact=True)}"


def once(number: int, word: str) -> str:
    """A count with its noun: "1 thaw", "2 thaws"."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def share(part: int, whole: int) -> str:
    """A share in per cent: below the whole cut down, above it cut up, so that 100 % is exactly the whole."""
    percent = part * 100 // whole if part < whole else -(-part * 100 // whole)
    return f"{percent} %"


def hundredths(number: int) -> str:
    """Hundredths as text, none hidden: 14025 is "140.25", 15000 is "150"."""
    digits = f"{number // 100}.{number % 100:02d}".rstrip("0").rstrip(".")
    return digits


def listed(words: list[str]) -> str:
    """Words in a row: "one", "one and two", "one, two and three"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
