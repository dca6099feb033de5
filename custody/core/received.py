"""From what a device sent to an act, or a reason why it cannot be one.

Promises: the texts are kept as they came, never repaired: a header or a line counts only when it is the
canonical text of what it says, its lines have the root that the header names, and every field has a size
that the ledger and its pages can hold. Whatever is sent, the answer is an act or Refused, nothing else.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from custody.core import amend, canon, kinds, tree
from custody.core.event import VERSION, Act
from custody.core.refusal import Refused

MOST_LINES = 1_000  # lines of one event
LONGEST_BODY = 20_000  # characters of a header
LONGEST_ITEM = 400_000  # bytes of one item as it was sent; 1,000 lines of 300 characters fit
LONGEST_TEXT = 1_000  # characters of one field
EARLIEST, LATEST = -2_208_988_800_000, 4_102_444_800_000  # 1900 and 2100, UTC ms
LARGEST = 2**31 - 1  # what a column of a state holds

SENT = {"handed_off", "shipped"}
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*\Z")
ZONE = re.compile(r"[A-Za-z][A-Za-z0-9_+/-]*\Z")
HEX32, HEX64 = re.compile(r"[0-9a-f]{32}\Z"), re.compile(r"[0-9a-f]{64}\Z")
SIGNED = re.compile(r"(?:[0-9a-f]{2}){1,80}\Z")
TURNED = set("\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # lines, writing direction


@dataclass(frozen=True)
class Received:
    """One item that is well-formed: the act that it tells, and the very texts that were hashed."""

    act: Act
    body: str
    texts: list[str]
    salt: bytes
    signature: bytes | None


def read(item: Any) -> Received:
    """The act of an item `{"header": text, "lines": [text, …], "salt": 32 hex digits, "sig": hex}`.

    Refused: item_malformed, too_many_lines, event_too_long, text_not_canonical, header_malformed,
    text_control, value_out_of_range, lines_differ, and the codes of `canon` and of `kinds.check`.
    """
    header, lines, salt, sig = _opened(item)
    said = _parsed(header)
    told = [_parsed(text) for text in lines]
    act = _act(said, told)
    counted = {"n": len(lines), "root": tree.lines_root(salt, lines).hex()}
    if said["lines"] != counted or not _whole_number(said["lines"]["n"]):
        raise Refused("lines_differ", "The lines or their salt do not match what the header says of them.")
    check(act)
    return Received(act, header, lines, salt, sig)


def check(act: Act) -> None:
    """Refused when an act lacks what its kind needs, or holds a value that nobody could show or keep."""
    _sizes(act)
    kinds.check(act)
    for code, sentence in kinds.whole(act):
        if code != "aliquot_balances":  # that may have happened so; it becomes a finding
            raise Refused(code, sentence)
    if act.kind == "aliquoted":
        _children_have_parents(act)
    if act.kind != "moved" and any("u" in line for line in act.lines):
        raise Refused("line_malformed", f"{act.kind} is about tubes, not about units.")
    for name in ("instead", "finding", *(["of"] if act.kind in kinds.AMENDING else [])):
        if act.data.get(name) is not None:
            _uuid(name, act.data[name])


def corrected(header: Mapping[str, Any], lines: Sequence[Mapping[str, Any]], fields: Any) -> None:
    """Refused when an event with this correction would be none, or one that could not be shown or kept."""
    for name in amend.PLAIN:
        if name in fields and not NEEDED[name](fields[name]):
            raise Refused("header_malformed", f"A correction: {name!r} is not what it must be.")
    amend.check(header, lines, fields)
    check(amend.as_act(*amend.applied(header, lines, fields)))


def _opened(item: Any) -> tuple[str, list[str], bytes, bytes | None]:
    if not isinstance(item, dict):
        raise Refused("item_malformed", "An item is an object with header, lines and salt.")
    header, lines, salt, sig = (item.get(name) for name in ("header", "lines", "salt", "sig"))
    if not isinstance(header, str) or not isinstance(lines, list):
        raise Refused("item_malformed", "An item is an object with header, lines and salt.")
    if len(lines) > MOST_LINES:
        raise Refused("too_many_lines", f"One event may name {MOST_LINES} tubes, not more.")
    if len(header) > LONGEST_BODY:
        raise Refused("event_too_long", "This event says more than one event may say.")
    if not all(isinstance(line, str) for line in lines) or not _matches(HEX32, salt):
        raise Refused("item_malformed", "Lines are texts, and the salt is 32 hexadecimal digits.")
    if sig is not None and not _matches(SIGNED, sig):
        raise Refused("item_malformed", "A signature is written in hexadecimal digits.")
    return header, lines, bytes.fromhex(str(salt)), bytes.fromhex(sig) if sig else None


def _parsed(text: str) -> dict[str, Any]:
    """The object that a text says, if it is written in the one way that is hashed."""
    try:
        said = canon.read(text)
    except RecursionError as why:
        raise Refused("canon_depth", f"Values may be nested {canon.DEEPEST} deep, not more.") from why
    except ValueError as why:
        raise Refused("text_not_json", "This text cannot be read as JSON.") from why
    if canon.text(said) != text:  # spaces, other order, a key twice, 1.0 for 1, needless escapes
        raise Refused("text_not_canonical", "This text is not in the form that is hashed.")
    if not isinstance(said, dict):
        raise Refused("item_malformed", "A header and a line are objects.")
    return said


def _act(said: Mapping[str, Any], lines: Sequence[Mapping[str, Any]]) -> Act:
    """The header's fields, each of its kind and size."""
    _only(said, {*NEEDED, *OPTIONAL}, "header")
    for name, test in [*NEEDED.items(), *((name, OPTIONAL[name]) for name in OPTIONAL if name in said)]:
        if name not in said or not test(said[name]):
            raise Refused(
                "header_malformed", f"The header's field {name!r} is missing or not what it must be."
            )
    extra = {name: said[name] for name in ("n", "prev", "sess", "mono") if name in said}
    return Act(
        kind=said["kind"], at_ms=said["at"], by=said["by"], org=said["org"], id=said["id"],
        off_min=said["off"], tz=said["tz"], unc_s=said["unc_s"], data=said["data"], lines=lines,
        ref=said.get("ref"), rec_by=said["rec_by"], rec_at=said["rec_at"], dev=said["dev"], extra=extra,
    )  # fmt: skip


def _only(said: Any, known: set[str], what: str) -> None:
    if not isinstance(said, dict):
        raise Refused("header_malformed", f"The {what} is an object.")
    for name in said:
        if name not in known:
            raise Refused("header_malformed", f"The {what} does not know the field {name[:40]!r}.")


def _matches(pattern: re.Pattern[str], value: Any, longest: int = 200) -> bool:
    return isinstance(value, str) and len(value) <= longest and bool(pattern.match(value))


def _whole_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _code(longest: int) -> Callable[[Any], bool]:
    return lambda value: _matches(CODE, value, longest)


def _between(least: int, most: int) -> Callable[[Any], bool]:
    return lambda value: _whole_number(value) and least <= value <= most


def _is_uuid(value: Any) -> bool:
    try:
        return isinstance(value, str) and str(UUID(value)) == value
    except ValueError:
        return False


def _uuid(name: str, value: Any) -> None:
    if not _is_uuid(value):
        raise Refused("data_malformed", f"{name!r} must be the id of an event.")


_moment = _between(EARLIEST, LATEST)
NEEDED: dict[str, Callable[[Any], bool]] = {
    "v": lambda value: _whole_number(value) and value == VERSION,
    "id": _is_uuid,
    "kind": lambda value: isinstance(value, str),
    "at": _moment,
    "off": _between(-14 * 60, 14 * 60),
    "tz": lambda value: _matches(ZONE, value, 64),
    "unc_s": _between(0, LARGEST),
    "by": _code(12),
    "org": _code(12),
    "rec_by": _code(12),
    "rec_at": _moment,
    "dev": _code(40),
    "data": lambda value: isinstance(value, dict),
    "lines": lambda value: isinstance(value, dict),
}
OPTIONAL: dict[str, Callable[[Any], bool]] = {
    "ref": _is_uuid,
    "n": _between(1, canon.LARGEST),
    "prev": lambda value: _matches(HEX64, value),
    "sess": _code(64),
    "mono": _between(0, canon.LARGEST),
}
# fields of data and lines whose text goes into a column or an address
CODES = {
    "t": 20,
    "u": 20,
    "unit": 20,
    "of": 36,
    "finding": 36,
    "instead": 36,
    "workup": 24,
    "set": 20,
    "to": 20,
}
TEXTS = {"label": 60, "matrix": 8, "additive": 8, "container": 40}


def _sizes(act: Act) -> None:
    for said in (act.data, *act.lines):
        for name, value in said.items():
            _size(act.kind, name, value)


def _size(kind: str, name: str, value: Any) -> None:
    if isinstance(value, str):
        _text_size(kind, name, value)
    elif _whole_number(value) and not _fits_number(name, value):
        raise Refused("value_out_of_range", f"{name!r} is a number that cannot be: {value}.")


def _fits_number(name: str, value: int) -> bool:
    if name.endswith("_ms"):
        return _moment(value)
    if name in {"row", "col"}:
        return value <= 32_767  # a small integer in the database
    return abs(value) <= LARGEST


def _text_size(kind: str, name: str, value: str) -> None:
    longest = 12 if name == "to" and kind in SENT else CODES.get(name) or TEXTS.get(name, LONGEST_TEXT)
    if len(value) > longest:
        raise Refused("value_out_of_range", f"{name!r} is longer than {longest} characters.")
    if name in CODES and not (name == "to" and kind == "issued") and not CODE.match(value):
        raise Refused("value_out_of_range", f"{name!r} holds what no code holds.")
    plain = value.replace("\n", "") if name == "note" else value
    if any(unicodedata.category(letter) == "Cc" or letter in TURNED for letter in plain):
        raise Refused("text_control", f"{name!r} holds a character that cannot be seen.")


def _children_have_parents(act: Act) -> None:
    parents = {line["t"] for line in act.lines if line["role"] == "from"}
    if not parents or any(line["of"] not in parents for line in act.lines if line["role"] == "to"):
        raise Refused("child_has_parent", "An aliquot is made of a tube that this act takes from.")
