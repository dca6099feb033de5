"""A tube about to be aliquoted, as the aliquot page shows it: content, history, labels and the proposal.

Promises: nothing is written; the number of queries does not grow with the labels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from biobank.bench import proposal
from biobank.bench.proposal import Basis, Line, Proposal
from biobank.bench.queries import empty, last
from biobank.bench.spinning import as_sprec
from biobank.bench.vials import material
from biobank.models import Tube
from custody import queries as ledger
from custody.core import sprec_spin as sprec
from custody.core.refusal import Refused
from custody.core.state import Happening, TubeState


@dataclass(frozen=True)
class Source:
    """labels: all printed for this tube, in rack order; unused: codes of those that hold nothing yet.

    sprec  elements 4 and 5 of the preanalytical code, from the spins of this tube
    no     why what was typed of it is refused; then the proposal goes without it
    """

    state: TubeState
    spun: Happening | None
    drawn: Happening | None
    made: list[TubeState]
    labels: list[Tube]
    unused: set[str]
    content: Basis
    proposal: Proposal
    sprec: tuple[str, str]
    no: Refused | None = None

    @property
    def proposed(self) -> dict[str, int | None]:
        """Microlitres for each unused label; None for one that falls away."""
        volumes = {one.code: one.ul or None for one in self.proposal.lines}
        return {label.code: volumes.get(label.code) for label in self.labels if label.code in self.unused}


def source(code: str, real_ul: int | None = None, hct_pct: int | None = None) -> Source | None:
    """All that the aliquot page shows; None when the ledger does not know the tube. At most 13 queries."""
    state = ledger.state(code)
    if state is None:
        return None
    said = ledger.history(code)
    labels = list(Tube.objects.filter(parent_hint=code).select_related("planned_aliquot").order_by("code"))
    free = empty([label.code for label in labels])
    content, no = _content(state, said, real_ul, hct_pct)
    return Source(
        state, last(said, "spun"), last(said, "drawn", "aliquoted"), ledger.find(parent=code), labels, free,
        content, proposal.of(content, [one for one in labels if one.code in free]), elements(said), no,
    )  # fmt: skip


def _content(
    state: TubeState, said: list[Happening], real_ul: int | None, hct_pct: int | None
) -> tuple[Basis, Refused | None]:
    known = proposal.haematocrit(state)
    try:
        return proposal.basis(state, said, real_ul, known if hct_pct is None else hct_pct), None
    except Refused as no:
        return proposal.basis(state, said, None, known), no


def elements(said: list[Happening]) -> tuple[str, str]:
    """SPREC elements of the first and the second spin in this history."""
    return sprec.elements([as_sprec(one.data) for one in said if one.kind == "spun" and not one.voided])


@dataclass(frozen=True)
class Row:
    """A vial on the page: its place in the rack from 1, its field, and what the proposal says of it."""

    place: int
    label: Tube
    field: Any
    line: Line | None
    material: str

    @property
    def why(self) -> str:
        return self.line.why if self.line else ""


def rows(found: Source, volumes: Sequence[tuple[Tube, Any]]) -> list[Row]:
    """The vials in rack order, each with its form field."""
    lines = {one.code: one for one in [*found.proposal.lines, *found.proposal.dropped]}
    return [
        Row(place, label, field, lines.get(label.code), material(label.container))
        for place, (label, field) in enumerate(volumes, 1)
    ]


def told(key: str) -> list[str]:
    """What this pouring comes to, said after it: volumes, loss, yield. At most 12 queries."""
    event = ledger.event(key)
    if event is None:
        return []
    parent = next(line["t"] for line in event.lines if line["role"] == "from")
    state, data = ledger.states([parent])[parent], event.header["data"]
    hct = data.get("hct_pct") or proposal.haematocrit(state)
    content = proposal.basis(state, ledger.history(parent), None, hct)
    poured = [(line["matrix"], line["ul"]) for line in event.lines if line["role"] == "to"]
    return list(proposal.outcome(content, poured, data.get("loss_ul") or 0))
