"""The one way to write a value down before it is hashed.

Promises: equal values give equal text, byte for byte, in any language that follows RFC 8785 (JSON
Canonicalization Scheme); what cannot be written the same way everywhere (floats, huge integers,
text that is not NFC, odd keys) is refused, never rounded or repaired.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from typing import Any

from custody.core.refusal import Refused

LARGEST = 2**53 - 1  # beyond it, other readers of JSON lose digits
DEEPEST = 6
KEY = re.compile(r"[a-z][a-z0-9_]*\Z")
_scan: Any = json.JSONDecoder().scan_once  # type: ignore[attr-defined]  # without what json.loads allows around a value; half its time


def text(value: Any) -> str:
    """Canonical text of objects, lists, NFC text, integers within ±(2^53-1), booleans and null.

    Keys sorted, no spaces, nothing escaped that need not be. Refused with a code that begins with
    `canon_` for anything else. Source: RFC 8785; the limits make plain sorted JSON agree with it.
    """
    _check(value, 0)
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def read(written: str) -> Any:
    """The value back from its text. ValueError when it is none."""
    try:
        value, end = _scan(written, 0)
    except StopIteration as why:
        raise ValueError("this text begins with no value") from why
    if end != len(written):
        raise ValueError("there is more than one value in this text")
    return value


def nfc(value: Any) -> Any:
    """The same value with all its text in NFC, for use where people type, before anything is hashed."""
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value)
    if isinstance(value, dict):
        return {key: nfc(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [nfc(inner) for inner in value]
    return value


def leaf(data: bytes) -> bytes:
    """SHA-256(0x00 ‖ data): a leaf of the tree (RFC 6962 section 2.1)."""
    return hashlib.sha256(b"\x00" + data).digest()


def node(left: bytes, right: bytes) -> bytes:
    """SHA-256(0x01 ‖ left ‖ right): an inner node (RFC 6962 section 2.1)."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def _check(value: Any, depth: int) -> None:
    if depth > DEEPEST:
        raise Refused("canon_depth", f"Values may be nested {DEEPEST} deep, not more.")
    match value:
        case None | bool():
            pass
        case str():
            _check_text(value)
        case int():
            if abs(value) > LARGEST:
                raise Refused("canon_int", f"The number {value} is too large to be written safely.")
        case list():
            for inner in value:
                _check(inner, depth + 1)
        case dict():
            _check_object(value, depth)
        case _:
            raise Refused("canon_type", f"A {type(value).__name__} cannot be written into the ledger.")


def _check_object(value: dict[Any, Any], depth: int) -> None:
    for key, inner in value.items():
        if not isinstance(key, str) or not KEY.match(key):
            raise Refused(
                "canon_key", f"{key!r} is not a name of lower-case letters, digits and underscores."
            )
        _check(inner, depth + 1)


def _check_text(value: str) -> None:
    if any("\ud800" <= letter <= "\udfff" for letter in value):
        raise Refused("canon_text", "The text holds half a character (a lone surrogate).")
    if not unicodedata.is_normalized("NFC", value):
        raise Refused("canon_text", "The text is not in the composed form (NFC).")
