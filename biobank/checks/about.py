"""What is on file about the animal and the programme behind many tubes, as far as rules ask for it.

Promises: two queries for so many tubes as fit into one, and two for permits if they are asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from biobank.checks.permits import Asked, Covers, Register, day, day_in
from biobank.models import Tube
from custody.core.state import Happening

AT_ONCE = 5_000


@dataclass(frozen=True)
class About:
    """species group of the plan, species of the animal, when its net closed (UTC ms), programme and its time
    zone; empty or None: not known."""

    taxon: str = ""
    species: str = ""
    net_closed_ms: int | None = None
    programme: int | None = None
    tz: str = "UTC"


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

    def permits(
        self,
        one: About,
        holder: str | None,
        drawn: Happening | None,
        end_ms: int,
        *,
        took: str = "",
        has: str = "",
    ) -> Covers:
        """Whether it may be held now and might be taken then; empty when no rule asks.

        took, has: the matrix that was drawn, and that of this very tube. Empty: not known.
        """
        if self.register is None:
            return {}
        drew = Asked(None, "", None)
        if drawn:
            give = drawn.unc_s * 1000
            first, last = (day(drawn.at_ms + by, drawn.off_min) for by in (-give, give))
            drew = Asked(drawn.org, one.species, first, took, last)
        holds = Asked(holder, one.species, day_in(end_ms, one.tz), has)
        return self.register.covers(one.programme, {"take": drew, "hold": holds})


def of(codes: Iterable[str], permits: bool) -> Known:
    wanted, rows = list(codes), dict[str, About]()
    for k in range(0, len(wanted), AT_ONCE):
        rows |= {one[0]: _about(*one[1:]) for one in _rows(wanted[k : k + AT_ONCE])}
    return Known(rows, Register.load() if permits else None)


def _rows(codes: list[str]) -> Iterable[tuple[object, ...]]:
    return Tube.objects.filter(code__in=codes).values_list(
        "code", "tube_set__plan__taxon", "tube_set__workup__animal__species", "tube_set__workup__net_closed",
        "tube_set__plan__programme_id", "tube_set__plan__programme__tz",
    )  # fmt: skip


def _about(taxon: object, species: object, net_closed: object, programme: object, tz: object) -> About:
    at = None if net_closed is None else round(net_closed.timestamp() * 1000)  # type: ignore[attr-defined]
    return About(str(taxon or ""), str(species or ""), at, programme, str(tz or "UTC"))  # type: ignore[arg-type]
