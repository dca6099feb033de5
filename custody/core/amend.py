"""What a correction may say, and an event as it counts with one.

Promises: pure. A correction that would leave an event which its kind does not allow (a text for a volume, a
grade of 7) is refused, however it came: the fold must be able to read all that is in the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from custody.core import kinds
from custody.core.event import Act
from custody.core.refusal import Refused

Fields = Mapping[str, Any]
PLAIN = {"at": int, "off": int, "tz": str, "unc_s": int, "by": str, "org": str}
FOUND_LATER = {"aliquot_balances"}  # can be read all the same: the fold makes a finding of it
FIXED = {"t", "u", "role"}  # a history is found by these: a line cannot become another tube's


def check(header: Fields, lines: Sequence[Fields], fields: Fields) -> None:
    """Refused when this event, so corrected, would no longer be an event of its kind.

    header, lines  the event as it was first said; fields  the `set` of a correction, which counts alone.
    Codes: amendment_not_corrected, data_malformed, line_malformed, and what `kinds.whole` finds.
    """
    if header["kind"] in kinds.AMENDING:
        raise Refused("amendment_not_corrected", "A void or a correction is not corrected; void it instead.")
    _shape(fields, len(lines))
    said, changed = applied(header, lines, fields)
    act = as_act(said, changed)
    kinds.check(act)
    for code, sentence in kinds.whole(act):
        if code not in FOUND_LATER:
            raise Refused(code, sentence)


def applied(
    header: Fields, lines: Sequence[Fields], fields: Fields
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Header and lines with a correction's fields in them: plain ones replaced, data and lines merged."""
    plain = {name: value for name, value in fields.items() if name in PLAIN}
    data = {**header["data"], **fields.get("data", {})}
    fixes = {line["n"]: line for line in reversed(fields.get("lines", []))}  # the first of a number counts
    changed = [
        {**line, **{name: value for name, value in fixes.get(n, {}).items() if name != "n"}}
        for n, line in enumerate(lines)
    ]
    return {**header, **plain, "data": data}, changed


def merged(older: Fields, newer: Fields) -> dict[str, Any]:
    """One `set` that says what both say, the newer first: the newest correction counts alone."""
    lines: dict[int, dict[str, Any]] = {}
    for line in [*older.get("lines", []), *newer.get("lines", [])]:
        lines[line["n"]] = lines.get(line["n"], {}) | dict(line)
    data = {**older.get("data", {}), **newer.get("data", {})}
    both = {**older, **newer}
    both |= {"data": data} if data else {}
    both |= {"lines": [lines[n] for n in sorted(lines)]} if lines else {}
    return both


def as_act(header: Fields, lines: Sequence[Fields]) -> Act:
    """The act that a header and lines tell of."""
    return Act(
        kind=header["kind"], at_ms=header["at"], by=header["by"], org=header["org"], id=header["id"],
        off_min=header["off"], tz=header["tz"], unc_s=header["unc_s"], data=header["data"],
        lines=list(lines), ref=header.get("ref"),
    )  # fmt: skip


def _shape(fields: Fields, size: int) -> None:
    for name, value in fields.items():
        if name in PLAIN:
            _plain(name, value)
        elif name not in {"data", "lines"}:
            raise Refused("data_malformed", f"A correction does not know the field {name!r}.")
    if not isinstance(fields.get("data", {}), Mapping):
        raise Refused("data_malformed", "A correction's data is an object.")
    if not isinstance(fields.get("lines", []), list):
        raise Refused("line_malformed", "A correction's lines are a list.")
    for line in fields.get("lines", []):
        _line(line, size)


def _plain(name: str, value: Any) -> None:
    good = isinstance(value, PLAIN[name]) and not isinstance(value, bool) and value != ""
    if not good or (name == "unc_s" and value < 0):
        raise Refused("data_malformed", f"A correction: {name!r} cannot be {value!r}.")


def _line(line: Any, size: int) -> None:
    n = line.get("n") if isinstance(line, Mapping) else None
    if not isinstance(n, int) or isinstance(n, bool) or not 0 <= n < size:
        raise Refused("line_malformed", "A correction names a line that the event does not have.")
    if FIXED & set(line):
        raise Refused(
            "line_malformed", "A line cannot become another tube's. Void the event and say it again."
        )
