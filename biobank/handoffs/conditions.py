"""How a tube is when it arrives: the words, and what each of them means.

The words are of the trade. Their definitions are common practice, no source; they stand on the page, because
a word that two people read in different ways is worth nothing afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Condition:
    """result: what the ledger says of a tube that is like this; asks: somebody must look after it."""

    word: str
    title: str
    means: str
    result: str
    asks: bool = False


CONDITIONS = (
    Condition("ok", "ok", "Closed, whole, as cold as it must be, and its label agrees with the list.", "ok"),
    Condition(
        "thawed", "thawed",
        "It was sent frozen, and some of what is in it is liquid, or froze again at a slant.", "warm", True,
    ),
    Condition(
        "leaking", "leaking",
        "What is in it has come out, or comes out when it is turned; the tube itself is whole.",
        "damaged", True,
    ),
    Condition("broken", "broken", "Cracked, burst or open, or the cap is gone.", "damaged", True),
    Condition(
        "haemolysed", "haemolysed", "Serum or plasma that is pink or red to the eye. The grade comes later.",
        "ok",
    ),
    Condition(
        "insufficient", "insufficient",
        "By eye less than half of the volume that the list says, and it does not leak.", "ok",
    ),
    Condition(
        "unlabelled", "unlabelled",
        "No label is on it, or nothing on it can be read by scanner or eye. It stays the sender's until "
        "somebody knows which it is.", "unreadable", True,
    ),
    Condition(
        "label_differs", "label differs",
        "Its code is on the list, but what is written on it (tube, set, animal) is not what the list says.",
        "ok", True,
    ),
)  # fmt: skip
BY_WORD = {one.word: one for one in CONDITIONS}
IN_HAND = ("ok", "damaged", "warm")  # results by which custody passes, as `custody.core.effects` has them
