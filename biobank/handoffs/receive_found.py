"""What did not match at a receipt: the things that somebody must look after.

Promises: pure; each pair of tube and code once, as the rows of cases want it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from biobank.handoffs.conditions import BY_WORD

if TYPE_CHECKING:
    from biobank.handoffs.receiving import Answer

Found = list[tuple[str, str, str]]  # tube or "", code, sentence
SAID = {
    "missing": "It was on the list and did not arrive.",
    "unreadable": "The label of a tube cannot be read; it may be this one. Confirm by eye, then reprint.",
    "damaged": "It arrived damaged.",
    "warm": "It arrived warmer than it may be.",
    "extra": "It arrived and is not on the list. It stays with its holder until it is handed off.",
}
FREEZING = 0  # hundredths of a degree: where ice melts


def found(given: Mapping[str, Any], said: Answer, lines: Iterable[Mapping[str, Any]]) -> Found:
    """`given`: the header of the handoff; `lines`: those of the answer."""
    rows = [row for line in lines for row in _of(line)]
    rows += [(tube, "twice", "The count says that two tubes carry this code.") for tube in said.twins]
    if said.foreign:
        many = ", ".join(said.foreign)
        rows.append(("", "foreign", f"None of our codes: {many[:260]}"))
    return rows + of_seal(given["data"], said) + _temperature(given["data"], said)


def _of(line: Mapping[str, Any]) -> Found:
    tube, word, condition = line["t"], line["result"], BY_WORD.get(line.get("condition") or "ok")
    how = f" Condition: {condition.title}." if condition and condition.word != "ok" else ""
    if word in SAID:
        return [(tube, word, SAID[word] + how)]
    return [(tube, "condition", how.strip())] if how and condition and condition.asks else []


def plain(seal: str) -> str:
    """A seal number as it is compared: letters and digits alone, without their case."""
    return re.sub(r"[\W_]", "", seal).upper()


def of_seal(sent: Mapping[str, Any], said: Answer) -> Found:
    was, read = sent.get("seal", ""), said.seal
    wrong = []
    if said.seal_intact is False:
        wrong.append("The seal was not intact.")
    if read and plain(read) != plain(was):
        wrong.append(f"Seal {read} was read; {f'{was} was sent' if was else 'none was named by the sender'}.")
    return [("", "seal", " ".join(wrong))] if wrong else []


def _temperature(sent: Mapping[str, Any], said: Answer) -> Found:
    """Sent frozen and found above where ice melts. What else a temperature means, the rules of assays say."""
    was = sent.get("centi_c")
    if was is None or was >= FREEZING:
        return []
    seen = [(said.centi_c, "the probe read"), (said.high_centi, "the logger saw up to")]
    over = [f"{words} {_celsius(centi)}" for centi, words in seen if centi is not None and centi > FREEZING]
    return [("", "temperature", f"Sent at {_celsius(was)}; {' and '.join(over)}.")] if over else []


def _celsius(centi: int) -> str:
    return f"{centi / 100:g} °C".replace("-", "−")
