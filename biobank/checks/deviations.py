"""Deviations: somebody wrote down that a finding is known, and later what was done about it.

Promises: read from the ledger and kept nowhere else. A deviation hides no finding and lets no tube through;
it is open until an event closes it with a reason. What is voided counts no more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from custody import queries as ledger

NOTED, CLOSED = "deviation_noted", "deviation_closed"
SHOWN = 200  # of the newest closed ones


@dataclass(frozen=True)
class Deviation:
    """One filed deviation. tubes: code -> the fact then; closed: id of the event that closed it, empty: open.

    at_ms, closed_ms  UTC ms
    """

    event: str
    rule: str
    rules: str
    severity: str
    tubes: dict[str, str]
    reason: str
    by: str
    org: str
    at_ms: int
    tz: str
    closed: str = ""
    closed_by: str = ""
    closed_why: str = ""
    closed_ms: int | None = None


def open_of(codes: Iterable[str]) -> dict[str, list[Deviation]]:
    """The open deviations of each of these tubes, oldest first; only their own line is in `tubes`. At most 4
    queries."""
    found: dict[str, list[Deviation]] = {}
    for code, said in ledger.histories(codes).items():
        live = [one for one in said if not one.voided]
        gone = {one.data["of"] for one in live if one.kind == CLOSED}
        found[code] = [
            Deviation(
                one.id, one.data["rule"], one.data["rules"], one.data["severity"],
                {code: one.line.get("fact") or ""}, one.data.get("reason") or "", one.by, one.org,
                one.at_ms, one.tz,
            )
            for one in live
            if one.kind == NOTED and one.id not in gone
        ]  # fmt: skip
    return found


def all_of(closed: bool) -> list[Deviation]:
    """Every open deviation, oldest first, or the newest closed ones. A fixed number of queries."""
    found = ledger.as_told(ledger.events(kind=NOTED))
    live = [one for one in found if not one.voided]
    answers = _closings(live)
    kept = [_deviation(one, answers.get(one.said.id)) for one in live if (one.said.id in answers) == closed]
    return kept[:SHOWN] if closed else kept[::-1]


def one_of(told: ledger.Told) -> Deviation | None:
    """This event as a deviation; None when it is none, or was voided."""
    if told.said.header["kind"] != NOTED or told.voided:
        return None
    return _deviation(told, _closings([told]).get(told.said.id))


def _closings(found: Iterable[ledger.Told]) -> dict[str, ledger.Told]:
    said = ledger.as_told(ledger.events(kind=CLOSED, refs=[one.said.id for one in found]))
    return {one.header["data"]["of"]: one for one in said if not one.voided}


def _deviation(told: ledger.Told, closing: ledger.Told | None) -> Deviation:
    header, data = told.header, told.header["data"]
    found = Deviation(
        told.said.id, data["rule"], data["rules"], data["severity"],
        {line["t"]: line.get("fact") or "" for line in told.lines}, data.get("reason") or "", header["by"],
        header["org"], header["at"], header["tz"],
    )  # fmt: skip
    if closing is None:
        return found
    said = closing.header
    return Deviation(
        **{
            **vars(found), "closed": closing.said.id, "closed_by": said["by"],
            "closed_why": said["data"].get("reason") or "", "closed_ms": said["at"],
        }
    )  # fmt: skip
