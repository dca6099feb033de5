"""The parts of a life added up: each phase, also one within another, and the whole, in one pass.

Promises: an excursion goes on across a border of phases in the whole life and is cut there in each phase; a
thaw counts in the phase in which it happened. Where a thermal event holds, its maximum counts as custody of
the event says (`warmed.worse`): it makes things worse or leaves them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from biobank.temperature.life_plan import Part
from biobank.temperature.warmed import worse
from custody.core.phase import Found, PhaseSummary, Stretch, finish, join, run_through
from custody.core.spec import Spec
from custody.core.tally import Tally

Span = tuple[int, int]


@dataclass
class _Open:
    """A phase under way: what is added up, and what events change in it.

    doubtful  the same with every stretch under an event as if nothing were known of it: time on the cold side
              is not taken from it
    """

    start: int
    end: int
    total: Tally
    doubtful: Tally
    changes: list[tuple[PhaseSummary, PhaseSummary]] = field(default_factory=list)
    thaws: int = 0

    def close(self) -> PhaseSummary:
        found = finish("", self.start, self.end, self.total)
        if self.changes:
            less = finish("", self.start, self.end, self.doubtful)
            found = replace(
                found, longest_below=less.longest_below, longest_below_open=less.longest_below_open,
                excursions_below=less.excursions_below,
            )  # fmt: skip
        for plain, changed in self.changes:
            found = _changed(found, plain, changed)
        if not self.changes:
            return found
        thaws = None if found.thaws is None and not self.thaws else (found.thaws or 0) + self.thaws
        return replace(found, thaws=thaws, thaws_unsure=True, mean_kinetic_centi=None)


def add_up(
    parts: Sequence[Part],
    found: Sequence[Found | None],
    spans: Sequence[Span],
    spec: Spec,
    highest: Mapping[int, int | None],
) -> tuple[list[PhaseSummary], PhaseSummary]:
    """A summary for each span, in their order, and the whole. Parts cover the life without gap, and every
    span begins and ends where a part does. found: what the loggers said of each part."""
    whole = _Open(parts[0].start, parts[-1].end, Tally(spec), Tally(spec))
    events = any(part.marks for part in parts)
    under, done = dict[int, _Open](), dict[int, PhaseSummary]()
    for part, said in zip(parts, found, strict=True):
        for k, (start, end) in enumerate(spans):
            if start == part.start:
                under[k] = _Open(start, end, Tally(spec, whole.total.frozen, whole.total.sure), Tally(spec))
        _add([whole, *under.values()], part, said, highest, events)
        for k in [k for k, one in under.items() if one.end == part.end]:
            done[k] = under.pop(k).close()
    return [done[k] for k in range(len(spans))], whole.close()


def _add(
    totals: Sequence[_Open], part: Part, said: Found | None, highest: Mapping[int, int | None], events: bool
) -> None:
    # A logger that stood there and said nothing leaves no data: its unit's set point is not assumed.
    stretch = Stretch(part.start, part.end, None, part.nominal if part.logger is None else None)
    first, spec = totals[0].total, totals[0].total.spec
    frozen, thaws = first.frozen, first.thaws
    run_through([one.total for one in totals], [stretch], [said], part.start)
    if events:
        plainly = Stretch(part.start, part.end) if part.marks else stretch
        run_through([one.doubtful for one in totals], [plainly], [None if part.marks else said], part.start)
    if not part.marks:
        return
    plain = changed = join("", [stretch], spec, [said])
    for event in sorted(part.marks):
        changed = worse(changed, highest[event], spec.limits)
    most = max((n for event in part.marks if (n := highest[event]) is not None), default=None)
    thawed = bool(spec.thaw and most is not None and most > spec.thaw[1] and frozen and first.thaws == thaws)
    for one in totals:
        one.changes.append((plain, changed))
        one.thaws += thawed


def _changed(found: PhaseSummary, plain: PhaseSummary, changed: PhaseSummary) -> PhaseSummary:
    """The phase when one part of it is not as its readings say but as an event does."""
    more = {limit for limit, ms in changed.above.items() if ms > plain.above.get(limit, 0)}
    longer = {limit: changed.longest_above[limit] for limit in more if changed.longest_above.get(limit)}
    opened = {limit: True for limit, ms in longer.items() if ms >= found.longest_above.get(limit, 0)}
    counts = {
        limit: max(found.excursions_above.get(limit, 0) + 1 - plain.excursions_above.get(limit, 0), 1)
        for limit in more
    }
    return replace(
        found,
        measured_ms=found.measured_ms + changed.measured_ms - plain.measured_ms,
        assumed_ms=found.assumed_ms + changed.assumed_ms - plain.assumed_ms,
        no_data_ms=found.no_data_ms + changed.no_data_ms - plain.no_data_ms,
        max_centi=max((n for n in (found.max_centi, changed.max_centi) if n is not None), default=None),
        above=_moved(found.above, plain.above, changed.above),
        below=_moved(found.below, plain.below, changed.below),
        longest_above=found.longest_above
        | {limit: max(ms, found.longest_above.get(limit, 0)) for limit, ms in longer.items()},
        longest_above_open=found.longest_above_open | opened,
        excursions_above=found.excursions_above | counts,
    )


def _moved(whole: Mapping[int, int], plain: Mapping[int, int], changed: Mapping[int, int]) -> dict[int, int]:
    known = dict(whole)
    for limit in {*plain, *changed}:
        known[limit] = max(known.get(limit, 0) + changed.get(limit, 0) - plain.get(limit, 0), 0)
    return known
