"""Items that no ledger may take, each with the code under which it is held.

Promises: apart from what is wrong with it on purpose, each would be taken.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from custody.core import tree
from tests.custody.phone import Phone, item

Item = Any
SALT = bytes(16)


def header(phone: Phone, **odd: Any) -> dict[str, Any]:
    """A header as this phone would write it, with some fields as given; None leaves a field out."""
    said = phone.act("thawed", "T1", 5).header("") | odd
    return {name: value for name, value in said.items() if value is not None}


def raw(phone: Phone, text: str | None = None, lines: list[str] | None = None, change: Any = None) -> Item:
    """An item whose texts need not be canonical; its root is right, so that this is not what holds it.

    change  what is done to the header's text
    """
    lines = ['{"role":"subj","t":"T1"}'] if lines is None else lines
    root = bytes(32)
    with suppress(UnicodeEncodeError):  # a lone surrogate has no bytes
        root = tree.lines_root(SALT, lines)
    said = header(phone) | {"lines": {"n": len(lines), "root": root.hex()}}
    plain = json.dumps(said, sort_keys=True, separators=(",", ":"))
    return {"header": text or (change(plain) if change else plain), "lines": lines, "salt": SALT.hex()}


def odd_line(phone: Phone, kind: str = "drawn", data: dict[str, Any] | None = None, **line: Any) -> Item:
    return phone.says(kind, "T1", 5, data=data or {}, **line)


def odd_header(**odd: Any) -> Callable[[Phone], Item]:
    return lambda phone: item(header(phone, **odd), [{"t": "T1", "role": "subj"}])


def text_line(text: str) -> Callable[[Phone], Item]:
    return lambda phone: raw(phone, lines=[text])


DEEP = "[" * 100_000 + "]" * 100_000
MANY = [{"t": f"T{n}", "role": "subj"} for n in range(1_001)]

BAD: dict[str, tuple[str, Callable[[Phone], Item]]] = {
    # no item at all
    "nothing": ("item_malformed", lambda phone: None),
    "a number": ("item_malformed", lambda phone: 7),
    "a text": ("item_malformed", lambda phone: "drawn T1"),
    "a list": ("item_malformed", lambda phone: [{}]),
    "an empty object": ("item_malformed", lambda phone: {}),
    "no salt": ("item_malformed", lambda phone: raw(phone) | {"salt": ""}),
    "a short salt": ("item_malformed", lambda phone: raw(phone) | {"salt": "00" * 15}),
    "a salt in capitals": ("item_malformed", lambda phone: raw(phone) | {"salt": "AB" * 16}),
    "lines that are no texts": ("item_malformed", lambda phone: raw(phone) | {"lines": [{"t": "T1"}]}),
    "a header that is an object": ("item_malformed", lambda phone: raw(phone) | {"header": {"v": 1}}),
    "a signature that is no text": ("item_malformed", lambda phone: raw(phone) | {"sig": 5}),
    "bytes": ("item_malformed", lambda phone: b"\xff\xfe"),
    # a text that is not JSON, or not the canonical one
    "no JSON": ("text_not_json", lambda phone: raw(phone, "drawn T1")),
    "an empty header": ("text_not_json", lambda phone: raw(phone) | {"header": ""}),
    "half a header": ("text_not_json", lambda phone: raw(phone, change=lambda text: text[:-1])),
    "100,000 brackets in a line": ("canon_depth", text_line('{"role":"subj","t":' + DEEP + "}")),
    "seven deep": ("canon_depth", text_line('{"a":' * 7 + "1" + "}" * 7)),
    "NaN": ("canon_type", text_line('{"role":"subj","t":"T1","ul":NaN}')),
    "infinity": ("canon_type", text_line('{"role":"subj","t":"T1","ul":-Infinity}')),
    "1e400": ("canon_type", text_line('{"role":"subj","t":"T1","ul":1e400}')),
    "a float": ("canon_type", text_line('{"role":"subj","t":"T1","ul":1.5}')),
    "a whole float": ("canon_type", text_line('{"role":"subj","t":"T1","ul":500.0}')),
    "2 to the 53": ("canon_int", text_line('{"role":"subj","t":"T1","ul":9007199254740992}')),
    "a number of 5,000 digits": (
        "text_not_json", text_line('{"role":"subj","t":"T1","ul":' + "9" * 5_000 + "}")),
    "a lone surrogate": ("canon_text", text_line('{"note":"\\ud800","role":"subj","t":"T1"}')),
    "a lone surrogate, raw": ("canon_text", text_line('{"note":"\ud800","role":"subj","t":"T1"}')),
    "text that is not composed": ("canon_text", text_line('{"note":"e\u0301","role":"subj","t":"T1"}')),
    "a key twice": ("text_not_canonical", text_line('{"role":"subj","t":"T1","t":"T2"}')),
    "a key twice in the header": (
        "text_not_canonical", lambda phone: raw(phone, change=lambda text: text[:-1] + ',"v":1}')),
    "spaces": ("text_not_canonical", text_line('{"role": "subj", "t": "T1"}')),
    "another order": ("text_not_canonical", text_line('{"t":"T1","role":"subj"}')),
    "a needless escape": ("text_not_canonical", text_line('{"role":"subj","t":"\\u0054 1"}')),
    "minus nought": ("text_not_canonical", text_line('{"role":"subj","t":"T1","ul":-0}')),
    "a key in capitals": ("canon_key", text_line('{"Role":"subj","t":"T1"}')),
    "a line that is a list": ("item_malformed", text_line('["T1"]')),
    "a header that is a list": ("item_malformed", lambda phone: raw(phone, "[]")),
    # lines and their root
    "1,001 lines": ("too_many_lines", lambda phone: item(header(phone), MANY)),
    "a line less": ("lines_differ", lambda phone: raw(phone) | {"lines": []}),
    "a changed line": ("lines_differ", lambda phone: raw(phone) | {"lines": ['{"role":"subj","t":"T2"}']}),
    "another salt": ("lines_differ", lambda phone: raw(phone) | {"salt": "11" * 16}),
    "a root that is a number": (
        "lines_differ", lambda phone: raw(phone, change=lambda text: text.replace('"root":"', '"root":"0'))),
    # fields of the header
    "another version": ("header_malformed", odd_header(v=2)),
    "version true": ("header_malformed", odd_header(v=True)),
    "no id": ("header_malformed", odd_header(id=None)),
    "an id in capitals": ("header_malformed", odd_header(id="01890A5D-AC96-774B-BCCE-B302099A8057")),
    "an id that is none": ("header_malformed", odd_header(id="T1")),
    "a ref that is none": ("header_malformed", odd_header(ref="the handoff")),
    "the year 287396": ("header_malformed", odd_header(at=2**53 - 1)),
    "before anybody": ("header_malformed", odd_header(at=-(2**53) + 1)),
    "a time that is a text": ("header_malformed", odd_header(at="now")),
    "a time that is true": ("header_malformed", odd_header(rec_at=True)),
    "an offset of a week": ("header_malformed", odd_header(off=10_080)),
    "no such zone": ("zone_unknown", odd_header(tz="Skarvik/Bay")),
    "a zone that is a path": ("header_malformed", odd_header(tz="../../etc/passwd")),
    "a zone that climbs": ("zone_unknown", odd_header(tz="Europe//Oslo")),
    "a person with a name": ("header_malformed", odd_header(by="Somebody Else")),
    "no agency": ("header_malformed", odd_header(org="")),
    "a long device": ("header_malformed", odd_header(dev="D" * 41)),
    "number nought": ("header_malformed", odd_header(n=0)),
    "number true": ("header_malformed", odd_header(n=True)),
    "data that is a list": ("header_malformed", odd_header(data=[])),
    "a field too many": ("header_malformed", odd_header(where="59.9")),
    "an uncertainty below nought": ("header_malformed", odd_header(unc_s=-1)),
    # kinds, data and lines
    "an unknown kind": ("kind_unknown", odd_header(kind="teleported")),
    "a kind that is a number": ("header_malformed", odd_header(kind=7)),
    "a kind of 15,000 letters": ("kind_unknown", odd_header(kind="x" * 15_000)),
    "a header of 30,000 letters": ("event_too_long", odd_header(data={"note": "x" * 30_000})),
    "an item of half a million letters": (
        "item_too_long", lambda phone: odd_line(phone, note="x" * 500_000)),
    "an unknown field": ("data_malformed", odd_header(data={"mood": "good"})),
    "a note that is too long": ("value_out_of_range", lambda phone: odd_line(phone, note="x" * 1_001)),
    "a NUL in a note": ("text_control", lambda phone: odd_line(phone, note="a\x00b")),
    "an escape in a note": ("text_control", lambda phone: odd_line(phone, note="a\x1b[31mb")),
    "text that runs backwards": ("text_control", lambda phone: odd_line(phone, note="a\u202eb")),
    "a line separator": ("text_control", lambda phone: odd_line(phone, note="a\u2028b")),
    "a code with a tag in it": ("value_out_of_range", lambda phone: phone.says("thawed", "<b>T1</b>", 5)),
    "a code with a slash": ("value_out_of_range", lambda phone: phone.says("thawed", "T1/../T2", 5)),
    "a code that is too long": ("value_out_of_range", lambda phone: phone.says("thawed", "T" * 21, 5)),
    "a code that is a list": ("line_malformed", lambda phone: phone.says("thawed", [["T1"]], 5)),
    "no tube": ("line_malformed", lambda phone: phone.says("thawed", [], 5)),
    "no role": ("line_malformed", lambda phone: phone.says("thawed", [], 5, lines=[{"t": "T1"}])),
    "a tube twice": ("line_twice", lambda phone: phone.says("thawed", ["T1", "T1"], 5)),
    "a unit that thaws": (
        "line_malformed", lambda phone: phone.says("thawed", [], 5, lines=[{"u": "F1", "role": "subj"}])),
    "a volume below nought": ("line_malformed", lambda phone: odd_line(phone, ul=-1)),
    "a volume that is true": ("line_malformed", lambda phone: odd_line(phone, ul=True)),
    "a lake": ("value_out_of_range", lambda phone: odd_line(phone, ul=2**40)),
    "a row of 40,000": (
        "value_out_of_range", lambda phone: odd_line(phone, "put_away", unit="B1", row=40_000, col=1)),
    "a handoff that is due in the year 287396": (
        "value_out_of_range",
        lambda phone: odd_line(phone, "handed_off", {"to": "TFL", "how": "hand", "due_ms": 2**53 - 1})),
    "a handoff to nobody": (
        "value_out_of_range", lambda phone: odd_line(phone, "handed_off", {"to": "a b", "how": "hand"})),
    "a handoff to a long name": (
        "value_out_of_range", lambda phone: odd_line(phone, "handed_off", {"to": "X" * 13, "how": "hand"})),
    "a handoff by post": (
        "data_malformed", lambda phone: odd_line(phone, "handed_off", {"to": "TFL", "how": "post"})),
    "a result that is none": ("line_malformed", lambda phone: odd_line(phone, "received", result="lovely")),
    "a grade of 5": ("grade_out_of_range", lambda phone: odd_line(phone, "graded", haemolysis=5)),
    "an aliquot of nothing": (
        "child_has_parent", lambda phone: odd_line(phone, "aliquoted", role="to", of="T2", ul=5)),
    "an aliquot of another tube": ("child_has_parent", lambda phone: phone.says("aliquoted", [], 5, lines=[
        {"t": "T1", "role": "from", "ul": 9}, {"t": "A1", "role": "to", "of": "T2", "ul": 5}])),
    # amendments
    "a void of nothing": (
        "data_malformed",
        lambda phone: phone.says("voided", [], 5, data={"of": "T1", "reason": "did_not_occur"})),
    "a void without a reason": (
        "data_malformed", lambda phone: phone.says("voided", [], 5, data={"of": "T1", "reason": "because"})),
    "a void with lines": (
        "line_malformed",
        lambda phone: phone.says("voided", "T1", 5, data={"of": "T1", "reason": "did_not_occur"})),
}  # fmt: skip

# what a correction of a drawn tube may not set
FIXES: dict[str, tuple[str, Any]] = {
    "a volume that is a text": ("line_malformed", {"lines": [{"n": 0, "ul": "lots"}]}),
    "a volume of a lake": ("value_out_of_range", {"lines": [{"n": 0, "ul": 2**40}]}),
    "another tube": ("line_malformed", {"lines": [{"n": 0, "t": "T2"}]}),
    "a line that is not there": ("line_malformed", {"lines": [{"n": 1, "ul": 5}]}),
    "lines that are none": ("line_malformed", {"lines": 5}),
    "a line that is a number": ("line_malformed", {"lines": [5]}),
    "the year 287396": ("header_malformed", {"at": 2**53 - 1}),
    "a time that is a text": ("header_malformed", {"at": "yesterday"}),
    "no such zone": ("zone_unknown", {"tz": "Skarvik/Bay"}),
    "an offset of a week": ("header_malformed", {"off": 10_080}),
    "a kind": ("data_malformed", {"kind": "thawed"}),
    "data that is a list": ("data_malformed", {"data": []}),
    "a NUL": ("text_control", {"data": {"note": "\x00"}}),
    "an agency with a tag": ("header_malformed", {"org": "<b>"}),
}
