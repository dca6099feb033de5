"""What the pages and the certificate of a discard show.

Promises: a fixed number of queries however many tubes; what happened comes from the ledger, amended as it
counts today.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from biobank.disposal.owners import terms_of
from biobank.models import Agency, Consent, Person, Unit
from biobank.store.queries import slot_name
from custody import queries as ledger
from custody.core import fold
from custody.core.state import Happening, Stay, TubeState


@dataclass(frozen=True)
class Gone:
    """One discarded tube: what it held by the ledger, where it stood last, whose it was."""

    state: TubeState
    owner: str
    place: str

    @property
    def code(self) -> str:
        return self.state.tube


@dataclass(frozen=True)
class Disposal:
    """One `discarded` event, as it counts today."""

    told: ledger.Told
    tubes: list[Gone]
    who: str
    agency: str
    witness: str
    witness_agency: str
    consents: list[Consent]

    @property
    def data(self) -> dict[str, Any]:
        return dict(self.told.header["data"])

    @property
    def empty(self) -> bool:
        """Whether nothing was in any of them, so that nobody needed to watch."""
        return all(one.state.volume_ul == 0 for one in self.tubes)


def disposal(told: ledger.Told) -> Disposal:
    """At most 16 queries."""
    header = told.header
    names = [line["t"] for line in told.lines if "t" in line]
    people = {
        one.code: one
        for one in Person.objects.select_related("agency").filter(
            code__in=[header["by"], header["data"].get("witness", "")]
        )
    }
    agencies = dict(Agency.objects.values_list("code", "name"))
    by, seen = header["by"], header["data"].get("witness", "")
    return Disposal(
        told, gone(names), people[by].name if by in people else by,
        agencies.get(header["org"], header["org"]),
        people[seen].name if seen in people else seen, people[seen].agency.name if seen in people else "",
        consents(header["data"].get("consent", "")),
    )  # fmt: skip


def gone(names: Sequence[str]) -> list[Gone]:
    """These tubes in their order."""
    states, said, terms = ledger.states(names), ledger.histories(names), terms_of(names)
    last = {code: _last(code, said[code]) for code in names}
    units = {
        unit.code: unit for unit in Unit.objects.filter(code__in={one.unit for one in last.values() if one})
    }
    return [
        Gone(states[code], terms[code].owner, _place(last[code], units)) for code in names if code in states
    ]


def _last(code: str, said: Sequence[Happening]) -> Stay | None:
    stays = fold.stays(code, said)
    return stays[-1] if stays else None


def _place(stay: Stay | None, units: dict[str, Unit]) -> str:
    if stay is None:
        return ""
    unit = units.get(stay.unit)
    grid = unit.grid if unit and unit.kind == "box" else None
    at = TubeState("", unit=stay.unit, row=stay.row, col=stay.col)
    return f"{stay.unit} {slot_name(grid, at)}".strip()


def consents(text: str) -> list[Consent]:
    """The consents that the ledger names. 1 query."""
    ids = [part.strip().removeprefix("consent-") for part in text.split(",")]
    wanted = [int(one) for one in ids if one.isdigit()]
    return list(Consent.objects.select_related("agency", "noted_by").filter(pk__in=wanted).order_by("pk"))


# empty tubes --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class EmptyBox:
    """A unit with the empty tubes that still stand in it: (state, slot, why it may not go yet)."""

    unit: str
    tubes: list[tuple[TubeState, str, str]] = field(default_factory=list)


def empties(org: str) -> list[EmptyBox]:
    """The tubes that the ledger has as empty and that still stand somewhere, by unit. 2 queries."""
    states = ledger.find(custodian=org, status="stored", volume_ul=0)
    units = {unit.code: unit for unit in Unit.objects.filter(code__in={one.unit for one in states})}
    boxes: dict[str, EmptyBox] = {}
    for one in sorted(states, key=lambda one: (one.unit or "", one.row or 0, one.col or 0, one.tube)):
        unit = units.get(one.unit or "")
        grid = unit.grid if unit and unit.kind == "box" else None
        box = boxes.setdefault(one.unit or "", EmptyBox(one.unit or ""))
        box.tubes.append((one, slot_name(grid, one), _kept(one)))
    return list(boxes.values())


def _kept(state: TubeState) -> str:
    if state.disputes or state.contested:
        return "in dispute"
    return "in reserve" if state.reserved else ""
