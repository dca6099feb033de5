"""Transponder chips of animals, as a reader types them (ISO 11784).

Promises: a number that no chip of the standard can hold is refused with the reason; nothing is repaired. A
doubt that the number may still carry (a test prefix) is a warning beside it. Source of the layout: ISO 11784
as described on a slide about the standard (64 bits: animal flag, 14 reserved, additional data, 10 for the
country or maker, 38 for the number); the range of makers and of the test prefix is from memory, and agrees
with what the registrar of makers calls misuse.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from custody.core.refusal import Refused

DIGITS = 15
BITS = re.compile(r"80[0-9A-F]{14}\Z|(?=.*[A-F])[0-9A-F]{16}\Z")  # 16 digits alone may be a slip of 15
LARGEST = 2**38 - 1  # 274 877 906 943: twelve digits can say more than 38 bits can
ANIMAL = 1 << 63
FIRST_MAKER, TEST = 900, 999
LOOKALIKES = {"O": "0", "Q": "0", "I": "1", "L": "1", "S": "5", "B": "8", "Z": "2"}
OLDER = re.compile(r"[0-9A-F]{9,10}\Z")


@dataclass(frozen=True)
class Chip:
    """A chip's number. text: 15 digits (or the older number as read); words: whose prefix it bears."""

    text: str
    words: str
    warnings: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """`999 123456789012`, as it is printed."""
        return f"{self.text[:3]} {self.text[3:]}" if len(self.text) == DIGITS else self.text


def read(typed: str) -> Chip:
    """The chip that a reader typed: 15 digits, or the 16 hexadecimal digits of its 64 bits.

    Refused: chip_length, chip_not_digits, chip_prefix, chip_too_large, chip_not_an_animal.
    """
    plain = _plain(typed)
    if BITS.match(plain):
        prefix, number = unpacked(int(plain, 16))
        if prefix > TEST:
            raise Refused("chip_prefix", f"No chip has the code {prefix}. Read the chip again.")
        return _checked(f"{prefix:03d}{number:012d}")
    if re.fullmatch(r"[0-9A-Z]*[A-Z][0-9A-Z]*", plain):
        raise Refused("chip_not_digits", _not_digits(plain))
    if not re.fullmatch(r"[0-9]{15}", plain):
        raise Refused(
            "chip_length",
            f"A chip's number has {DIGITS} digits, 0 to 9; “{typed.strip()[:30]}” is {len(plain)} long.",
        )
    return _checked(plain)


def older(typed: str) -> Chip:
    """A number of 9 or 10 characters, as chips from before the standard have. Refused: chip_length."""
    plain = _plain(typed)
    if not OLDER.match(plain):
        raise Refused("chip_length", "An older chip's number has 9 or 10 characters, 0 to 9 and A to F.")
    return Chip(
        plain, "not by ISO 11784", ("This number is not of the standard, so no check can catch a slip.",)
    )


def packed(chip: str) -> int:
    """The 64 bits of 15 digits, with the animal flag and nothing reserved set. Refused as `read`."""
    text = _checked(_plain(chip)).text
    return ANIMAL | int(text[:3]) << 38 | int(text[3:])


def unpacked(bits: int) -> tuple[int, int]:
    """Prefix and number of 64 bits. Refused: chip_not_an_animal, when the flag is not set."""
    if not bits & ANIMAL:
        raise Refused("chip_not_an_animal", "This transponder does not say that it is in an animal.")
    return bits >> 38 & 0x3FF, bits & LARGEST


def _plain(typed: str) -> str:
    return re.sub(r"[\s.\-]", "", typed).upper()


def _not_digits(plain: str) -> str:
    odd = next(letter for letter in plain if not letter.isdecimal())
    meant = f", which looks like the digit {LOOKALIKES[odd]}" if odd in LOOKALIKES else ""
    return f"A chip's number is digits only; this has the letter {odd}{meant}. Read the chip again."


def _checked(text: str) -> Chip:
    prefix, number = int(text[:3]), int(text[3:])
    if prefix == 0 or prefix > TEST:
        raise Refused("chip_prefix", f"No chip begins with {text[:3]}. Read the chip again.")
    if number > LARGEST:
        raise Refused(
            "chip_too_large", f"No chip can hold {text[3:]}: the largest number is {LARGEST}. Read it again."
        )
    return Chip(text, _words(prefix), _warnings(prefix))


def _words(prefix: int) -> str:
    if prefix == TEST:
        return "a test number"
    return f"maker {prefix}" if prefix >= FIRST_MAKER else f"country {prefix:03d}"


def _warnings(prefix: int) -> tuple[str, ...]:
    return ("999 is for tests; a chip in a living animal should not bear it.",) if prefix == TEST else ()
