"""The register of permits and agreements, and one of them with what is used of it.

Promises: a fixed number of queries, however many papers there are (but for slices of 500 tubes); a balance is
worked out from what was done each time it is asked for, and is kept nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import QuerySet
from django.http import Http404

from biobank.core import balance
from biobank.core.balance import Balance, Day
from biobank.models import Permit, PermitFile, Person, Programme
from biobank.permits import matching, standing, uses
from biobank.permits.matching import Done, Merged
from biobank.permits.standing import Standing
from biobank.templatetags.words import volume

SHOWN = 60  # days of a running balance, the newest


@dataclass(frozen=True)
class Shown:
    """A paper as the pages show it. balance None: it has no quantity, or nothing tells what is used."""

    permit: Permit
    standing: Standing
    balance: Balance | None
    days: tuple[Day, ...] = ()
    follower: Permit | None = None

    @property
    def untold(self) -> bool:
        """It has a quantity, and no act of the ledger says which of them was under it."""
        return self.permit.quantity is not None and self.balance is None

    @property
    def used(self) -> str:
        return said(self.balance) if self.balance else ""

    @property
    def quantity(self) -> str:
        return amount(self.permit.counted, self.permit.quantity or 0)


def papers(programme: Programme) -> QuerySet[Permit]:
    """All of the programme, the newest first, with agency and recipients. 2 queries."""
    found = Permit.objects.filter(programme=programme).select_related("agency")
    return found.prefetch_related("recipients")


def register(programme: Programme, today: date) -> list[Shown]:
    """Every paper of the programme: those that warn first, then the newest."""
    found = list(papers(programme))
    told, merged = uses.done(programme, found, today), uses.merged()
    rows = [_shown(one, found, told, merged, today) for one in found]
    return sorted(rows, key=lambda row: (row.standing.code != "ending", row.standing.code == "over"))


def one(programme: Programme, pk: int, today: date) -> Shown:
    """One paper with its running balance; 404 when it is not of this programme."""
    found = list(papers(programme).prefetch_related("people__agency"))
    permit = next((each for each in found if each.pk == pk), None)
    if permit is None:
        raise Http404("No such permit.")
    told = uses.done(programme, [permit], today)
    return _shown(permit, found, told, uses.merged(), today, days=True)


def _shown(
    permit: Permit, found: list[Permit], told: list[Done], merged: Merged, today: date, days: bool = False
) -> Shown:
    stands, after = standing.of(permit, today), standing.follower(permit, found)
    if permit.quantity is None or permit.allows not in uses.TOLD:
        return Shown(permit, stands, None, follower=after)
    mine = matching.uses(permit, [each for each in told if uses.counts_in(permit, each)])
    used = balance.used(permit.counted, mine, merged)
    by_day = balance.running(permit.counted, mine, merged)[::-1][:SHOWN] if days else []
    if permit.allows == "hold":
        by_day = []  # what is held now has no days
    return Shown(permit, stands, Balance(permit.counted, permit.quantity, used), tuple(by_day), after)


def amount(counted: str, n: int | None) -> str:
    """`12 animals`, `1 tube`, `1.5 mL`; empty: not known."""
    if n is None:
        return ""
    if counted == "ul":
        return volume(n)
    word = {"animals": "animal", "tubes": "tube"}[counted]
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def said(one: Balance) -> str:
    """`12 of 50 animals used, 38 left`, and what cannot be told."""
    used, whole = one.used, amount(one.counted, one.quantity)
    if used.sure:
        first = f"{_bare(one.counted, used.least)} of {whole} used"
    elif used.most is None:
        first = f"at least {_bare(one.counted, used.least)} of {whole} used"
    else:
        first = f"{_bare(one.counted, used.least)} to {_bare(one.counted, used.most)} of {whole} used"
    return f"{first}, {_left(one)}"


def _bare(counted: str, n: int) -> str:
    return volume(n) if counted == "ul" else str(n)


def _left(one: Balance) -> str:
    if one.over:
        return (
            f"{_bare(one.counted, one.over)} too many"
            if one.counted != "ul"
            else f"{volume(one.over)} too much"
        )
    least, most = one.surely_left, _bare(one.counted, one.left)
    if least is None:
        return f"at most {most} left"
    if least != one.left:
        return f"{_bare(one.counted, least)} to {most} left"
    return f"{most} left" if one.left else "nothing left"


def files(permit: Permit) -> QuerySet[PermitFile]:
    """Without their bytes. 1 query."""
    return permit.files.defer("content").select_related("by")


def file_or_404(who: Person, pk: int, name: str) -> PermitFile:
    """A file by the first sixteen characters of its hash, of a paper of this person's programme."""
    rows = PermitFile.objects.select_related("permit")
    found = rows.filter(permit=pk, permit__programme=who.programme_id, sha256__startswith=name).first()
    if found is None or len(name) != SHORT:
        raise Http404("No such file.")
    return found


SHORT = 16


def warned(programme: Programme, today: date) -> list[Shown]:
    """Papers that end soon, and those that ended while no other took their place; the first to end first."""
    found = list(papers(programme))
    rows = [_bare_row(each, found, today) for each in found]
    open_ = [row for row in rows if row.standing.warns and not (row.standing.code == "over" and row.follower)]
    return sorted(open_, key=lambda row: row.permit.valid_until)


def _bare_row(permit: Permit, found: list[Permit], today: date) -> Shown:
    return Shown(permit, standing.of(permit, today), None, follower=standing.follower(permit, found))


def initial(permit: Permit) -> dict[str, Any]:
    """What its form shows first."""
    names = ("sort", "number", "allows", "issued_by", "species", "quantity", "counted", "valid_from",
             "valid_until", "conditions", "note")  # fmt: skip
    return {name: getattr(permit, name) for name in names} | {
        "agency": permit.agency_id, "parts": permit.parts.split(),
        "people": [each.pk for each in permit.people.all()],
        "recipients": [each.pk for each in permit.recipients.all()],
    }  # fmt: skip
