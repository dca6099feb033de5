"""Three answers instead of two: pass, fail, cannot tell.

Promises: Kleene's strong three-valued logic. `cannot_tell` gives way only where the other side
decides alone, so not knowing never becomes a pass by itself.
"""

from __future__ import annotations

from typing import Literal

Answer = Literal["pass", "fail", "cannot_tell"]
ANSWERS: tuple[Answer, ...] = ("fail", "cannot_tell", "pass")  # Kleene's order: and is the least of it


def both(*answers: Answer) -> Answer:
    """And: fail if any fails, else cannot tell if any cannot tell; nothing to check is a pass."""
    if "fail" in answers:
        return "fail"
    return "cannot_tell" if "cannot_tell" in answers else "pass"


def either(*answers: Answer) -> Answer:
    """Or: pass if any passes, else cannot tell if any cannot tell; nothing to check is a fail."""
    if "pass" in answers:
        return "pass"
    return "cannot_tell" if "cannot_tell" in answers else "fail"


def negate(answer: Answer) -> Answer:
    """Not: cannot tell stays what it is."""
    return ANSWERS[2 - ANSWERS.index(answer)]


def at_most(low: int, high: int, limit: int) -> Answer:
    """Is a value that lies somewhere in [low, high] at most `limit`? The limit itself passes.

    An interval that is reversed holds no value and proves nothing.
    """
    if low > high:
        return "cannot_tell"
    if high <= limit:
        return "pass"
    return "fail" if low > limit else "cannot_tell"


def at_least(low: int, high: int, limit: int) -> Answer:
    """Is a value that lies somewhere in [low, high] at least `limit`? The limit itself passes.

    An interval that is reversed holds no value and proves nothing.
    """
    if low > high:
        return "cannot_tell"
    if low >= limit:
        return "pass"
    return "fail" if high < limit else "cannot_tell"
