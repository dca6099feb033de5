"""What came out of the scanner at the bench: tube, bag, action card, badge, slot, or something else.

Promises: says only what the text is, from its shape and check character; whether it fits is for others. No
card is ever a tube or a bag: DO- and WHO- hold an O, which no code of ours has (`codes.ALPHABET`). What a
scanner set to another keyboard types is put right only when exactly one tube, card or badge can be meant.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from custody.core.refusal import Refused

from . import codes

TUBE, BAG, ACTION, BADGE, PAPER, SLOT, OTHER = "tube", "bag", "action", "badge", "paper", "slot", "other"

MODES = {
    "receive": "Receive",
    "spin": "Spin",
    "aliquot": "Aliquot",
    "put-away": "Put away",
    "pull": "Pull",
    "look-up": "Look up",
    "discard": "Discard",
}
# action -> its words, and what it does, for the printed cards
ACTIONS = {
    "done": ("Done", "End this step: the run, the aliquots, the list, the box."),
    "undo": ("Undo", "Take back the newest scan."),
    "skip": ("Skip", "Aliquot: this vial was not filled, go on to the next."),
    "damaged": ("Damaged", "Receive: the tube scanned last leaks, is cracked or open."),
    "warm": ("Warm", "Receive: the tube scanned last is warmer than it may be."),
    "slots": ("Each with its slot", "Put away: a tube, then its slot."),
    "next": ("Next free", "Put away: tubes go into the next free slots."),
}
CARDS = {f"DO-{name.upper()}": name for name in [*MODES, *ACTIONS]}
WHO = "WHO-"

_UUID = re.compile(r"[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}\Z")
_SLOT = re.compile(r"([A-Z]{1,2}[0-9]{1,2}|[0-9]{1,3})\Z")
_BADGE = re.compile(r"WHO-[A-Z0-9][A-Z0-9-]*\Z")
LONGEST = 60

# Keys of a US keyboard as others have them; both from memory. A scanner presses keys, the computer says
# what they are.
# German: y and z change places, and the hyphen's key is ß. French: the digits are what the key gives without
# shift, a and q, w and z change places, the hyphen's key gives a bracket, m a comma.
_SWAP = str.maketrans("YZ", "ZY")
_FRENCH = str.maketrans("&é\"'(-è_çàAQWZÉÈÇÀ", "1234567890QAZW2790")
_FRENCH_REST = str.maketrans(")°,?;", "--MMM")


@dataclass(frozen=True)
class Acted:
    """kind, and text: tube nine characters, bag five, action a key of MODES or ACTIONS, badge a person's
    code, paper an event's id, slot as a box calls it; other: perhaps a unit, to be looked for as `guesses`.

    mended  the scanner's keyboard is set otherwise than the computer's, and what was meant is plain
    """

    kind: str
    text: str
    mended: bool = False
    guesses: tuple[str, ...] = ()


def read(text: str) -> Acted:
    """Refused: nothing_said, code_check_digit (also `scan_too_long`, `scanner_layout`)."""
    plain = text.strip()
    if not plain:
        raise Refused("nothing_said", "Nothing was scanned. Scan again, or type the code.")
    if len(plain) > LONGEST:
        raise Refused("scan_too_long", "This is too long for a code; several scans ran into one. Scan again.")
    tries = list(guesses(plain))
    if found := _certain(tries[0]):
        return found
    meant = {(one.kind, one.text): one for guess in tries[1:] if (one := _certain(guess))}
    if len(meant) == 1:
        one = next(iter(meant.values()))
        return Acted(one.kind, one.text, mended=True)
    if len(meant) > 1:
        raise layout(plain)
    return _uncertain(tries)


def guesses(text: str) -> Iterator[str]:
    """What this text may have been on another keyboard; first as it stands. Upper case."""
    seen = set()
    for one in (_upper(text), _ruled(text), _ruled(text).translate(_SWAP), _french(text)):
        if one not in seen:
            seen.add(one)
            yield one


def _upper(text: str) -> str:
    """Capitals, without making two letters of ß."""
    return "".join(letter if letter == "ß" else letter.upper() for letter in text.strip())


def _ruled(text: str) -> str:
    """Every sign that is no letter or digit is a hyphen: ß ' / _ ? : ; and what else its key gives."""
    return re.sub(r"[^0-9A-Z\s]", "-", _upper(text))


def _french(text: str) -> str:
    return _upper(text).translate(_FRENCH).translate(_FRENCH_REST)


def _certain(plain: str) -> Acted | None:
    """What has a check character, or stands in a list."""
    word = re.sub(r"[\s_]+", "-", plain)
    if word in CARDS or f"DO-{word}" in CARDS:
        return Acted(ACTION, CARDS.get(word) or CARDS[f"DO-{word}"])
    if _BADGE.match(plain):
        return Acted(BADGE, plain.removeprefix(WHO))
    if _UUID.match(plain):
        return Acted(PAPER, plain.lower())
    if not codes.is_valid(plain):
        return None
    code = codes.normalise(plain)
    return Acted(BAG, codes.set_of(code)) if codes.is_set_label(code) else Acted(TUBE, code)


def _uncertain(tries: list[str]) -> Acted:
    """A slot or another name; Refused when it is a tube code with a wrong check character."""
    plain = tries[0]
    if _SLOT.match(plain):
        return Acted(SLOT, plain, guesses=(plain,))
    try:
        codes.normalise(plain)
    except Refused as no:
        if no.code == "code_check_digit":
            raise
    return Acted(OTHER, plain, guesses=tuple(tries))


def strange(text: str) -> bool:
    """Whether signs stand in it that no code of ours has: then the scanner's keyboard is in doubt."""
    return bool(re.search(r"[^0-9A-Z.\s‐-―-]", _upper(text))) or (
        "Z" in _upper(text) and len(re.sub(r"[^0-9A-Z]", "", _upper(text))) == codes.LENGTH
    )


def layout(text: str) -> Refused:
    """What to say when the scanner seems to type for another keyboard."""
    return Refused(
        "scanner_layout",
        f"“{text.strip()[:40]}” looks as if the scanner typed for another keyboard layout than this "
        "computer's. Set the scanner to this keyboard (its manual has a barcode for it), or type the code.",
    )
