"""What is on file about the animal and the programme behind many tubes, as far as rules ask for it.

Promises: two queries for so many tubes as fit into one, and two for permits if they are asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from biobank.checks.permits import Asked, Covers, Register, day
from biobank.models import Tube
from custody.core.state import Happening

AT_ONCE = 5_000


@dataclass(frozen=True)
class About:
    """species group of the plan, species of the animal, when its net closed (UTC ms), programme; empty or
    None: not known."""

    taxon: str = ""
    species: str = ""
    net_closed_ms: int | None = None
    programme: int | None = None


NOTHING = About()


@dataclass(frozen=True)
class Known:
    rows: Mapping[str, About]
    register: Register | None

    def of(self, code: str) -> About:
        return self.rows.get(code, NOTHING)

    def first(self, *codes: str) -> About:
        """Of the first of these that is known: the drawn tube before what was made from it."""
        return next((self.rows[code] for code in codes if code in self.rows), NOTHING)

    def permits(self, one: About, holder: str | None, drawn: Happening | None, end_ms: int) -> Covers:
        """Whether it may be held now and might be taken then; empty when no rule asks."""
        if self.register is None:
            return {}
        took = (
            Asked(drawn.org, one.species, day(drawn.at_ms, drawn.off_min)) if drawn else Asked(None, "", None)
        )
        holds = Asked(holder, one.species, day(end_ms))
        return self.register.covers(one.programme, {"take": took, "hold": holds})


def of(codes: Iterable[str], permits: bool) -> Known:
    wanted, rows = list(codes), dict[str, About]()
    for k in range(0, len(wanted), AT_ONCE):
        rows |= {one[0]: _about(*one[1:]) for one in _rows(wanted[k : k + AT_ONCE])}
    return Known(rows, Register.load() if permits else None)


def _rows(codes: list[str]) -> Iterable[tuple[object, ...]]:
    return Tube.objects.filter(code__in=codes).values_list(
        "code", "tube_set__plan__taxon", "tube_set__workup__animal__species", "tube_set__workup__net_closed",
        "tube_set__plan__programme_id",
    )  # fmt: skip


def _about(taxon: object, species: object, net_closed: object, programme: object) -> About:
    at = None if net_closed is None else round(net_closed.timestamp() * 1000)  # type: ignore[attr-defined]
    return About(str(taxon or ""), str(species or ""), at, programme)  # type: ignore[arg-type]
