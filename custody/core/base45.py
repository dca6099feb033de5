"""Bytes as the 45 characters that a QR code packs most densely (RFC 9285).

Promises: what is read back is what was written; a text that nobody could have written is refused.
"""

from __future__ import annotations

LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"


def encode(data: bytes) -> str:
    """Three characters for two bytes, two for a last single one; the least significant stands first."""
    found = []
    for at in range(0, len(data), 2):
        pair = data[at : at + 2]
        number = int.from_bytes(pair, "big")
        for _ in range(len(pair) + 1):
            number, rest = divmod(number, 45)
            found.append(LETTERS[rest])
    return "".join(found)


def decode(text: str) -> bytes:
    """The bytes back. ValueError for a foreign character, a wrong length, or a group that is too large."""
    found = []
    for at in range(0, len(text), 3):
        digits = [LETTERS.index(letter) for letter in text[at : at + 3]]
        number = sum(digit * 45**place for place, digit in enumerate(digits))
        if len(digits) == 1 or number >= 256 ** (len(digits) - 1):
            raise ValueError("this is not base45")
        found.append(number.to_bytes(len(digits) - 1, "big"))
    return b"".join(found)
