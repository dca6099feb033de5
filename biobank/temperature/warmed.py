"""Thermal events of units, folded into what the loggers say.

An event says: from then to then this unit was not as it should be, and the warmest measured was so much, or
nobody knows. It holds for everything that was in the unit in that time, however deep inside.

Promises: an event only ever makes things worse. Where its maximum is above a limit, the whole stretch counts
as above it, as if measured; without a maximum the stretch is no data, but for what a logger saw above a
limit. A maximum below a limit proves nothing that was not known before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from biobank.models.evacuation import ThermalEvent
from biobank.temperature.places import Piece, Placed, Tree
from custody.core.phase import PhaseSummary
from custody.core.state import Stay, UnitStay

Marks = frozenset[int]  # ids of the events that hold


@dataclass(frozen=True)
class Warmed:
    """What the events say, and when each unit was in one: `trees` are timelines, one an event."""

    highest: Mapping[int, int | None]
    trees: Mapping[int, Tree]

    def __bool__(self) -> bool:
        return bool(self.trees)

    def mark(self, pieces: Sequence[Piece], stays: Sequence[Stay]) -> list[tuple[Piece, Marks]]:
        """A tube's pieces, cut where an event begins or ends, each with the events that hold there."""
        if not self.trees:
            return [(piece, frozenset()) for piece in pieces]
        spans = list(self._spans(stays))
        return [part for piece in pieces for part in _cut(piece, spans)]

    def _spans(self, stays: Sequence[Stay]) -> Iterable[tuple[int, int, int]]:
        """When this tube was in an event: its id, from, to."""
        for event, tree in self.trees.items():
            for stay in stays:
                end = 1 << 62 if stay.end_ms is None else stay.end_ms
                for piece in tree.over(stay.unit, stay.start_ms, end):
                    if piece.logger is not None:
                        yield event, piece.start, piece.end

    def worse(self, phase: PhaseSummary, marks: Marks, limits: Iterable[int]) -> PhaseSummary:
        """The phase as it counts under these events."""
        for event in sorted(marks):
            phase = worse(phase, self.highest[event], limits)
        return phase


def load(stays: Mapping[str, Sequence[UnitStay]]) -> Warmed:
    """Every thermal event that was not withdrawn. 1 query. stays: in what each unit stood."""
    rows = ThermalEvent.objects.filter(withdrawn=None).order_by("pk")
    said = list(rows.values_list("pk", "unit__code", "from_ms", "to_ms", "max_centi"))
    # a tree in which nothing governs but the event, so that "nearest" cannot hide one event behind another
    trees = {pk: Tree(stays, {}, {unit: [Placed(start, end, pk)]}) for pk, unit, start, end, _ in said}
    return Warmed({pk: most for pk, *_, most in said}, trees)


def _cut(piece: Piece, spans: Sequence[tuple[int, int, int]]) -> list[tuple[Piece, Marks]]:
    inside = [one for one in spans if one[1] < piece.end and one[2] > piece.start]
    edges = {piece.start, piece.end} | {edge for _, a, b in inside for edge in (a, b)}
    cuts = sorted(edge for edge in edges if piece.start <= edge <= piece.end)
    return [
        (
            Piece(a, b, piece.logger, piece.nominal, piece.kind),
            frozenset(event for event, start, end in inside if start <= a and b <= end),
        )
        for a, b in pairwise(cuts)
    ]


def worse(phase: PhaseSummary, most: int | None, limits: Iterable[int]) -> PhaseSummary:
    """A phase that lies wholly in an event. most: the warmest measured, or None for not known."""
    sure, length = _unassumed(phase), phase.end_ms - phase.start_ms
    if most is None:
        return replace(sure, measured_ms=0, no_data_ms=length)
    wanted = list(limits)
    over = {limit: length for limit in wanted if most > limit}
    touched = {limit: length for limit in phase.at_or_above if most >= limit}
    once = {limit: max(1, phase.excursions_above.get(limit, 0)) for limit in over}
    return replace(
        sure, no_data_ms=phase.no_data_ms + phase.assumed_ms,
        max_centi=most if phase.max_centi is None else max(most, phase.max_centi),
        above=sure.above | over, longest_above=phase.longest_above | over,
        at_or_above=sure.at_or_above | touched, longest_at_or_above=phase.longest_at_or_above | touched,
        excursions_above=phase.excursions_above | once,
    )  # fmt: skip


def _unassumed(phase: PhaseSummary) -> PhaseSummary:
    """What a set point alone said is not believed, and what cannot be known under an event is not said: how
    often it thawed, what was used of a budget, a mean. Every longest stretch may have been longer."""

    def seen(times: dict[int, int]) -> dict[int, int]:
        return {limit: max(ms - phase.assumed_ms, 0) for limit, ms in times.items()}

    return replace(
        phase, assumed_ms=0, mean_kinetic_centi=None, above=seen(phase.above), below=seen(phase.below),
        at_or_above=seen(phase.at_or_above), at_or_below=seen(phase.at_or_below),
        longest_above_open=dict.fromkeys(phase.longest_above, True),
        longest_below_open=dict.fromkeys(phase.longest_below, True),
        thaws_unsure=phase.thaws is not None, stability_used=None, forbidden=phase.forbidden or None,
    )  # fmt: skip
