"""Which stretch of time a picture shows, the addresses of its neighbours, and how a moment is written there.

Promises: whatever stands in an address, the answer is a stretch that can be drawn; the same address shows the
same stretch to everybody, in whatever zone they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

DAY = 86_400_000
LEAST = 600_000  # ms; no picture is shorter
MOST = 40 * 366 * DAY
USUAL = 7 * DAY
ZOOMS = [("day", DAY), ("week", 7 * DAY), ("month", 30 * DAY), ("year", 365 * DAY)]
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FAR = 230 * 365 * DAY  # since 1970; what lies further on is a slip of the keyboard, as is what was before


@dataclass(frozen=True)
class Span:
    """[start, end) in UTC ms."""

    start: int
    end: int

    @property
    def query(self) -> str:
        """As it stands in an address."""
        return f"from={written(self.start)}&to={written(self.end)}"


@dataclass(frozen=True)
class Link:
    """A button below a picture: `name` for scripts, its words, its address (empty: nothing there)."""

    name: str
    words: str
    query: str
    here: bool = False


def written(ms: int) -> str:
    """`2026-05-03T09:12Z`, with seconds and milliseconds only where they count."""
    at = EPOCH + timedelta(milliseconds=ms)
    if ms % 60_000 == 0:
        return f"{at:%Y-%m-%dT%H:%M}Z"
    return f"{at:%Y-%m-%dT%H:%M:%S}Z" if ms % 1000 == 0 else f"{at:%Y-%m-%dT%H:%M:%S}.{ms % 1000:03d}Z"


def read(text: str, tz: str) -> int | None:
    """UTC ms of what `written` wrote, or of a local date or time in `tz`; None: it cannot be read
    or lies before 1970 or after 2199."""
    try:
        at = datetime.fromisoformat(text.strip().replace(" ", "+"))
        at = at if at.tzinfo else at.replace(tzinfo=ZoneInfo(tz))
        ms = round(at.timestamp() * 1000)
    except (ValueError, OverflowError):
        return None
    return ms if 0 <= ms < FAR else None


def asked(said: Mapping[str, str], whole: Span, tz: str) -> Span:
    """The stretch that an address names; without one the last week in which something was read."""
    start, end = read(said.get("from", ""), tz), read(said.get("to", ""), tz)
    if end is None:
        end = whole.end if start is None else start + USUAL
    if start is None:
        start = end - USUAL if said.get("to") else max(end - USUAL, whole.start)
    start, end = min(start, end), max(start, end)
    end = min(max(end, start + LEAST), start + MOST)
    return Span(start, end)


def links(span: Span, whole: Span) -> list[Link]:
    """Earlier, later, and the usual lengths around the middle of what is shown; all there is."""
    length = span.end - span.start
    back, on = Span(span.start - length, span.start), Span(span.end, span.end + length)
    found = [Link("earlier", "← Earlier", back.query if back.end > whole.start else "")]
    for name, wanted in ZOOMS:
        one = _around(span, whole, wanted)
        found.append(Link(name, name.capitalize(), one.query, abs(length - wanted) < DAY // 12))
    found.append(Link("all", "All", whole.query, (span.start, span.end) == (whole.start, whole.end)))
    return [*found, Link("later", "Later →", on.query if on.start < whole.end else "")]


def _around(span: Span, whole: Span, wanted: int) -> Span:
    """So long, around the middle; at the end of all there is it ends there."""
    if span.end >= whole.end:
        return Span(span.end - wanted, span.end)
    middle = (span.start + span.end) // 2
    start = middle - wanted // 2
    return Span(start - start % 60_000, start - start % 60_000 + wanted)
