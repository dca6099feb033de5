"""Tube codes: five characters for the set, three digits for the tube, one check character.

Number 000 is no tube but the set itself: the label of its bag.

Promises: any single wrong character and any exchange of two neighbours is caught (ISO 7064 pure
system; the alphabet has 29 letters, a prime). A code that fails is refused, never guessed at.
"""

from __future__ import annotations

import re
from random import Random

from stdnum.iso7064 import mod_37_2

from custody.core.refusal import Refused

ALPHABET = "0123456789ABCDEFGHJKMNPRTVWXY"
LETTERS = ALPHABET[10:]
LENGTH, SET_LENGTH = 9, 5
_BODY = re.compile(rf"[{LETTERS}][{ALPHABET}]{{4}}[0-9]{{3}}\Z")


def make(set_code: str, number: int) -> str:
    """The nine characters of tube `number` (0-999) of a set; ValueError when either is malformed."""
    body = f"{set_code}{number:03d}"
    if not _BODY.match(body):
        raise ValueError(f"{body!r} is not a set code and a tube number")
    return body + str(mod_37_2.calc_check_digit(body, ALPHABET))


def normalise(text: str) -> str:
    """Nine characters from any way of writing a code; Refused `code_malformed` or `code_check_digit`."""
    plain = _plain(text)
    if len(plain) != LENGTH or not _BODY.match(plain[:-1]) or plain[-1] not in ALPHABET:
        raise Refused("code_malformed", f"“{text.strip()[:40]}” is not a tube code (like K7R2M-103-X).")
    if mod_37_2.calc_check_digit(plain[:-1], ALPHABET) != plain[-1]:
        raise Refused(
            "code_check_digit", f"The check character of {show(plain)} is wrong; scan or type it again."
        )
    return plain


def is_valid(text: str) -> bool:
    try:
        normalise(text)
    except Refused:
        return False
    return True


def set_label(set_code: str) -> str:
    """What stands on the bag of a set: number 000, which no tube has."""
    return make(set_code, 0)


def is_set_label(code: str) -> bool:
    return number_of(code) == 0


def tube(text: str) -> str:
    """The code of a tube. Refused as `normalise`, and `set_where_tube` for a bag's label or a set code."""
    plain = _plain(text)
    if _is_set(plain):
        raise Refused("set_where_tube", f"{plain} is a tube set, not a tube. Scan a tube of it.")
    code = normalise(text)
    if is_set_label(code):
        sentence = f"{show(code)} is the label of the bag of set {set_of(code)}. Scan a tube of it."
        raise Refused("set_where_tube", sentence)
    return code


def bag(text: str) -> str:
    """The set code that the label of a bag, or a typed set code, names.

    Refused: set_malformed, code_check_digit, and `tube_where_set` for the code of a tube.
    """
    plain = _plain(text)
    if _is_set(plain):
        return plain
    if len(plain) != LENGTH or not _BODY.match(plain[:-1]):
        raise Refused("set_malformed", f"“{text.strip()[:40]}” is not the label of a bag (like K7R2M-000).")
    code = normalise(text)
    if not is_set_label(code):
        bag_of = show(set_label(set_of(code)))
        raise Refused("tube_where_set", f"{show(code)} is a tube. Scan the label of its bag, {bag_of}.", code)
    return set_of(code)


def _is_set(plain: str) -> bool:
    return len(plain) == SET_LENGTH and bool(_BODY.match(f"{plain}000"))


def _plain(text: str) -> str:
    return re.sub(r"[\s.\-‐-―]", "", text).upper()


def show(code: str) -> str:
    """K7R2M103X as K7R2M-103-X."""
    return f"{code[:5]}-{code[5:8]}-{code[8:]}"


def new_set_code(random: Random) -> str:
    """Five characters, a letter first, so that no code reads as a number."""
    return random.choice(LETTERS) + "".join(random.choices(ALPHABET, k=4))


def set_of(code: str) -> str:
    return code[:5]


def number_of(code: str) -> int:
    return int(code[5:8])
