"""An event for its page, and old beside new for the timeline of a tube.

Promises: a fixed number of queries, however many lines the event has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from biobank.amend import lines
from biobank.models import Agency, Person
from biobank.templatetags import words
from custody import queries as ledger
from custody.core.kinds import AMENDING
from custody.core.state import Happening

REASON_WORDS = {"did_not_occur": "it did not happen", "incorrect_data": "what was said is wrong"}
Names = Mapping[str, str]


@dataclass(frozen=True)
class Change:
    """One thing that was said and what counts instead; an empty word: not said."""

    name: str
    old: str
    new: str


@dataclass(frozen=True)
class Note:
    """A void or a correction, as people read it. `live`: not taken back itself."""

    event: str
    seq: int
    kind: str
    at_ms: int
    tz: str
    who: str
    org: str
    reason: str
    words: str
    live: bool
    instead: str = ""


@dataclass(frozen=True)
class Entry:
    """One happening of a tube's timeline with what became of it."""

    happening: Happening
    changes: list[Change] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)


@dataclass(frozen=True)
class LineRow:
    """One line of an event's page."""

    n: int
    subject: str
    is_tube: bool
    facts: list[tuple[str, str]]
    result: str
    changes: list[Change]
    right_tube: bool


@dataclass(frozen=True)
class EventPage:
    """One event, whole."""

    told: ledger.Told
    who: str
    typed_by: str
    facts: list[tuple[str, str]]
    changes: list[Change]
    rows: list[LineRow]
    notes: list[Note]
    of: ledger.Said | None
    asked: ledger.Said | None
    answers: list[ledger.Said]
    first: ledger.Said | None


def names() -> dict[str, str]:
    """Names of people and agencies by code. 2 queries."""
    people = dict(Person.objects.values_list("code", "name"))
    return people | dict(Agency.objects.values_list("code", "name"))


def timeline(history: list[Happening], called: Names) -> list[Entry]:
    """A tube's history with old beside new. No query when nothing was amended."""
    amended = {one.id for one in history if one.amended}
    told = ledger.told(amended) if amended else {}
    return [_entry(one, told.get(one.id), called) for one in history]


def _entry(one: Happening, told: ledger.Told | None, called: Names) -> Entry:
    if told is None:
        return Entry(one)
    header, line = told.said.header, told.said.lines[one.n]
    changed = [
        *of_header(header, told.header, called),
        *of_data(header, line, told.header, told.lines[one.n]),
    ]
    return Entry(one, changed, notes(told, called))


def of_header(old: Mapping[str, Any], new: Mapping[str, Any], called: Names) -> list[Change]:
    """What is different in when and by whom."""
    found = []
    if old["at"] != new["at"]:
        found.append(
            Change("when", words.when_offset(old["at"], old["tz"]), words.when_offset(new["at"], new["tz"]))
        )
    if old["unc_s"] != new["unc_s"]:
        found.append(Change("how sure", _sure(old["unc_s"]), _sure(new["unc_s"])))
    for name, said in (("by", "by"), ("org", "agency")):
        if old[name] != new[name]:
            found.append(Change(said, called.get(old[name], old[name]), called.get(new[name], new[name])))
    return found


def _sure(unc_s: int) -> str:
    return f"± {words.span(unc_s * 1000)}" if unc_s else "to the minute"


def of_data(
    header: Mapping[str, Any],
    line: Mapping[str, Any],
    new_header: Mapping[str, Any],
    new_line: Mapping[str, Any],
) -> list[Change]:
    """What is different in the data and in one line."""
    old, new = dict(facts(header, line)), dict(facts(new_header, new_line))
    all_ = list(dict.fromkeys([*old, *new]))
    return [
        Change(name, old.get(name, ""), new.get(name, "")) for name in all_ if old.get(name) != new.get(name)
    ]


def facts(header: Mapping[str, Any], line: Mapping[str, Any]) -> list[tuple[str, str]]:
    return words.facts(SimpleNamespace(data=header["data"], line=line, tz=header["tz"]))


def notes(told: ledger.Told, called: Names) -> list[Note]:
    return [_note(one.said, one.live, called) for one in told.amendments]


def _note(said: ledger.Said, live: bool, called: Names) -> Note:
    header, data = said.header, said.header["data"]
    return Note(
        said.id, said.seq, header["kind"], header["at"], header["tz"], called.get(header["by"], header["by"]),
        header["org"], REASON_WORDS.get(data["reason"], data["reason"]), data.get("note", ""), live,
        data.get("instead", ""),
    )  # fmt: skip


def event_page(told: ledger.Told) -> EventPage:
    """Everything that the page of one event shows. At most 16 queries, whatever its size."""
    said, header, called = told.said, told.header, names()
    data = {} if header["kind"] in AMENDING else header["data"]
    shown = {**header, "data": data}
    return EventPage(
        told=told,
        who=called.get(header["by"], header["by"]),
        typed_by=called.get(header["rec_by"], header["rec_by"]) if header["rec_by"] != header["by"] else "",
        facts=facts(shown, {}),
        changes=[*of_header(said.header, header, called), *of_data(said.header, {}, header, {})],
        rows=[_row(told, n) for n in range(len(told.lines))],
        notes=notes(told, called),
        of=_event(said.header["data"].get("of") if header["kind"] in AMENDING else None),
        asked=_event(header.get("ref")),
        answers=list(reversed(ledger.events(refs=[said.id]))),
        first=_said_instead_of(said),
    )


def _event(key: str | None) -> ledger.Said | None:
    return ledger.event(key) if key else None


def _said_instead_of(said: ledger.Said) -> ledger.Said | None:
    """The event that this one was said instead of: its void was made from this one's id."""
    from custody.core.event import derived_id

    void = ledger.event(derived_id(said.id, "void"))
    return _event(void.header["data"]["of"]) if void and void.header["kind"] == "voided" else None


def _row(told: ledger.Told, n: int) -> LineRow:
    old, new = told.said.lines[n], told.lines[n]
    none: dict[str, Any] = {"data": {}, "tz": told.header["tz"]}
    return LineRow(
        n, new.get("t") or new["u"], "t" in new, facts(none, new), str(new.get("result", "")),
        of_data(none, old, none, new), lines.has_tube(told, new),
    )  # fmt: skip


def must_count(told: ledger.Told, org: str) -> bool:
    """Whoever receives a handoff counts by hand before they see the list."""
    data = told.header["data"]
    mine = told.said.header["kind"] in {"handed_off", "shipped"} and data.get("to") == org and not told.voided
    return mine and bool(ledger.find(pending_ref=told.said.id)) and not ledger.events(refs=[told.said.id])
