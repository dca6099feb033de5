"""What came out of the scanner beside an animal: a tube, a bag, a chip.

Promises: says only what the text is, from its shape and its check character; whether it fits is for others.
A tube code begins with a letter and a chip has digits alone, so neither is ever taken for the other.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from custody.core.refusal import Refused

from . import codes

TUBE, BAG, CHIP = "tube", "bag", "chip"
_DIGITS = re.compile(r"[0-9][0-9 .\-]*\Z")


@dataclass(frozen=True)
class Scanned:
    """kind: tube (text: nine characters), bag (five), chip (digits as read; not checked)."""

    kind: str
    text: str


def read(text: str) -> Scanned:
    """Refused: nothing_said, code_malformed (with what is expected here), code_check_digit."""
    plain = text.strip()
    if not plain:
        raise Refused("nothing_said", "Nothing was scanned. Scan a tube, the label of a bag, or a chip.")
    if _DIGITS.match(plain) and len(plain) <= 40:
        return Scanned(CHIP, re.sub(r"[ .\-]", "", plain))
    if bag := _bag(plain):
        return Scanned(BAG, bag)
    return Scanned(TUBE, _tube(plain))


def _bag(plain: str) -> str:
    try:
        return codes.bag(plain)
    except Refused:
        return ""


def _tube(plain: str) -> str:
    try:
        return codes.normalise(plain)
    except Refused as no:
        if no.code != "code_malformed":
            raise
        raise Refused(
            no.code, f"{no.sentence.rstrip('.')}, nor the label of a bag, nor a chip of 15 digits."
        ) from no
