"""What those see who look on: holdings without places or dates, the size of the ledger."""

from __future__ import annotations

from datetime import datetime

from biobank.models import MATRICES, Person
from biobank.people.lines import Line, Section, many
from biobank.templatetags.words import kind_words, when
from custody import queries as ledger


def holdings(who: Person, now: datetime) -> Section:
    """How much there is of what: no places, no dates, no animals. A fixed number of queries."""
    counted = [(said, ledger.count(matrix=code, status="stored")) for code, said in MATRICES]
    lines = [Line(said.capitalize(), hint=many(n, "tube")) for said, n in counted if n]
    total = sum(n for _, n in counted)
    return Section("What the biobank holds", lines, "Nothing is in storage yet.", total=total)


def ledger_size(who: Person, now: datetime) -> Section:
    lines = [
        Line(f"Newest: number {one.seq}", hint=f"{kind_words(one.header['kind'])}, {when(one.recorded_ms)}")
        for one in ledger.recent(1)
    ]
    return Section("Events in the ledger", lines, "The ledger is empty.", total=ledger.size())
