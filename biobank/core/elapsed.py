"""How long an animal has been in hand, against the programme's limit.

Promises: whole minutes, cut and not rounded, so a clock never shows more than has passed; the word changes on
the minute. What the limits are is for the permit and the veterinarian to say: they come from outside.
"""

from __future__ import annotations

from dataclasses import dataclass

IN_TIME, HURRY, OVER = "in time", "hurry", "over"
WORDS = [IN_TIME, HURRY, OVER]
SIGNS = {IN_TIME: "pass", HURRY: "caution", OVER: "stop"}
MINUTE_MS = 60_000


@dataclass(frozen=True)
class Elapsed:
    """limit_min None: no limit, and so no word. since_ms, now_ms: UTC milliseconds; stopped: it is over."""

    since_ms: int
    now_ms: int
    limit_min: int | None = None
    hurry_pct: int = 75
    stopped: bool = False

    @property
    def minutes(self) -> int:
        """Below 0 never: a clock that is set a little ahead has just begun."""
        return max(0, self.now_ms - self.since_ms) // MINUTE_MS

    @property
    def hurry_min(self) -> int | None:
        """The minute from which it is time to hurry, rounded up."""
        return None if self.limit_min is None else -(-self.limit_min * self.hurry_pct // 100)

    @property
    def left_min(self) -> int | None:
        return None if self.limit_min is None else self.limit_min - self.minutes

    @property
    def word(self) -> str:
        if self.limit_min is None or self.hurry_min is None:
            return ""
        if self.minutes >= self.limit_min:
            return OVER
        return HURRY if self.minutes >= self.hurry_min else IN_TIME

    @property
    def sign(self) -> str:
        return SIGNS.get(self.word, "info")
