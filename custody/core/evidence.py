"""How good an answer to a handoff is: grades A to D, in words. Common practice, no source.

Promises: a grade follows from the event alone, so whoever holds the event finds the same grade; each says
what it proves, what it does not, and whether custody passes. No clock, no names from outside the event.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

CARRIER = "tracked"  # the kind of event that is a carrier's word and no answer


@dataclass(frozen=True)
class Grade:
    """words: of this answer; proves, lacks: of every answer of this grade; moves: custody passes by it."""

    letter: str
    words: str
    proves: str
    lacks: str
    moves: bool


A = Grade(
    "A",
    "answered by a person with a login or device key of their own",
    "Whoever answered was signed in under their own name, or held the key of a registered device.",
    "Nothing is known of who else was there.",
    True,
)
B = Grade(
    "B",
    "answered by a one-time link and a code told apart, person not proven",
    "Whoever answered held the link of this one handoff and knew the code that was told apart.",
    "Person not proven: the name was typed by whoever held both.",
    True,
)
C = Grade(
    "C",
    "answered on signed paper, typed in by the sender's side from its photo, person not proven",
    "There is a photo of the paper; the event holds its hash, so it cannot be exchanged later.",
    "Person not proven: nobody here saw the signature being made, and somebody else typed it in.",
    True,
)
D = Grade(
    "D",
    "a carrier's word only, nobody has received",
    "A carrier said so, and somebody here wrote it down.",
    "Nobody has counted or received. The tubes stay with whoever gave them.",
    False,
)
GRADES = {one.letter: one for one in (A, B, C, D)}
ODD = Grade(
    "?",
    "answered in a way that is not known here",
    "Nothing that can be named here.",
    "The event says a grade that is no grade of an answer.",
    True,
)


def of(header: Mapping[str, Any]) -> Grade:
    """The grade of an answer, or of a carrier's word, from its header. An answer that says none is A; one
    that says something else (a device may send anything) is never taken for A."""
    if header["kind"] == CARRIER:
        return D
    data = header["data"]
    found = GRADES.get(data.get("grade") or "A", ODD)
    found = found if found.moves else ODD
    return Grade(found.letter, found.words + _who(data), found.proves, found.lacks, found.moves)


def _who(data: Mapping[str, Any]) -> str:
    """The name as it was typed or signed, and the photo's short hash, when the event says them."""
    name = f"; name as given: {data['name']}" if data.get("name") else ""
    return name + (f"; photo {data['paper']}" if data.get("paper") else "")
