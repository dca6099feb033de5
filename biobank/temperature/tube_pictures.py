"""One tube's life as one trace: where it stood, what was done with it, and how cold it was there.

Promises: what a logger measured is a line, a set point without a logger is a dashed line and called assumed,
the rest is hatched; every stay and every act that is drawn is also listed. No place on earth is named: units
and people by their codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from biobank.models import Unit
from biobank.temperature import queries
from biobank.temperature.places import Piece, Tree
from biobank.temperature.scale import Frame
from biobank.temperature.trace import Band, Box, Part, Trace, draw
from biobank.temperature.unit_queries import Govern, governs_of, told
from custody import queries as ledger
from custody.core import fold
from custody.core.state import Happening, Stay

HOUR = 3_600_000
AFTER = 12 * HOUR  # of the time after the first freezer, in the picture of the first hours
FROZEN = -1_800  # hundredths of °C; a unit set to this or colder is a freezer here
LONGEST = 72 * HOUR  # the first hours are never longer
FRAME = Frame(height=330, strip=26, top=30)
FILLS = 6


@dataclass(frozen=True)
class Act:
    """Something done with the tube, by its number in the drawing."""

    number: int
    happening: Happening


@dataclass(frozen=True)
class Stood:
    """A stay under its letter; the letter belongs to the unit, so a place that comes again keeps it."""

    letter: str
    fill: int
    unit: str
    name: str
    start_ms: int
    end_ms: int | None
    nominal: int | None
    logger: str


@dataclass
class Life:
    """Both pictures of a tube. first is None where it would show the same as whole."""

    code: str
    whole: Trace
    first: Trace | None = None
    acts: list[Act] = field(default_factory=list)
    stood: list[Stood] = field(default_factory=list)
    governs: list[Govern] = field(default_factory=list)
    assumed_ms: int = 0
    notes: list[str] = field(default_factory=list)

    @property
    def traces(self) -> list[tuple[str, Trace]]:
        both = [("The first hours", self.first), ("The whole life", self.whole)]
        return [(words, one) for words, one in both if one is not None]


def life_of(code: str, now_ms: int, tz: str) -> Life:
    """Both pictures. At most 16 queries; `whole.drawn` is false when the tube never had content or nothing
    is known of it."""
    said = ledger.histories([code]).get(code, [])
    tree = queries.tree(queries.stood({code: said}))
    pieces = queries.pieces_of(code, said, tree, now_ms)
    if not pieces:
        return Life(code, draw([], [], now_ms, now_ms, tz))
    start, end = pieces[0].start, pieces[-1].end
    measured = [p for p in pieces if p.logger is not None]
    read = told(measured)
    parts, broken = read.parts, read.broken
    stays = [stay for stay in fold.stays(code, said) if _cut(stay, start, end)]
    letters = {unit: k for k, unit in enumerate(dict.fromkeys(stay.unit for stay in stays))}
    bands = [
        Band(band.start_ms, band.end_ms, band.label, band.above, band.below, letters.get(band.label, 0) + 1)
        for band in queries._stays(code, said, start, end)
    ]
    acts = [Act(n, one) for n, one in enumerate(_acts(said, start, end), 1)]
    governs = governs_of(measured)
    found = Life(
        code, _panel(pieces, parts, bands, acts, (start, end), tz, broken), acts=acts, governs=governs
    )
    until = _first(stays, tree, start, end)
    if until < end:
        found.first = _panel(pieces, parts, bands, acts, (start, until), tz, broken)
        found.first.name = "first"
    found.stood = _stood(stays, letters, pieces, governs)
    found.assumed_ms = sum(p.end - p.start for p in pieces if p.logger is None and p.nominal is not None)
    return found


def _cut(stay: Stay, start: int, end: int) -> bool:
    return stay.start_ms < end and (stay.end_ms is None or stay.end_ms > start)


def _acts(said: Sequence[Happening], start: int, end: int) -> list[Happening]:
    """What counts today, oldest first, from the draw on; labels and sets are no acts on a sample."""
    wanted = [one for one in said if not one.voided and start <= one.at_ms <= end]
    return [one for one in fold.in_order(wanted) if one.kind not in QUIET]


QUIET = {
    "label_printed", "packed", "issued", "bound", "returned", "closed", "reserved", "released",
    "override_asked", "override_answered", "deviation_noted", "deviation_closed",
}  # fmt: skip


def _first(stays: Sequence[Stay], tree: Tree, start: int, end: int) -> int:
    """Twelve hours after it came into its first freezer; the whole life when that is not much longer."""
    frozen = [
        stay.start_ms
        for stay in stays
        for piece in tree.over(stay.unit, stay.start_ms, stay.start_ms + 1)
        if piece.nominal is not None and piece.nominal <= FROZEN
    ]
    until = min(min(frozen, default=start + AFTER) + AFTER, start + LONGEST)
    return until if end - start > 2 * (until - start) else end


def _panel(
    pieces: Sequence[Piece], parts: Sequence[Part], bands: Sequence[Band], acts: Sequence[Act],
    span: tuple[int, int], tz: str, broken: Sequence[int],
) -> Trace:  # fmt: skip
    start, end = span
    assumed = [
        (max(p.start, start), min(p.end, end), p.nominal)
        for p in pieces
        if p.logger is None and p.nominal is not None and p.start < end and p.end > start
    ]
    trace = draw(
        [(s, max(a, start), min(b, end)) for s, a, b in parts if a < end and b > start],
        [
            Band(max(b.start_ms, start), min(b.end_ms, end), b.label, b.above, b.below, b.fill)
            for b in bands
            if b.start_ms < end and b.end_ms > start
        ],
        start, end, tz, broken, frame=FRAME, assumed=assumed,
    )  # fmt: skip
    if trace.scale is not None:
        here = [(trace.scale.x(act.happening.at_ms), act.number) for act in acts]
        trace.acts = numbered([(x, n) for x, n in here if FRAME.left <= x <= FRAME.edge])
    return trace


def numbered(at: Sequence[tuple[float, int]], room: float = 24) -> list[Box]:
    """A tick for each act; numbers that would stand on each other become one, such as `3–5`."""
    groups: list[list[tuple[float, int]]] = []
    for x, n in at:
        if groups and x - groups[-1][0][0] < room:
            groups[-1].append((x, n))
        else:
            groups.append([(x, n)])
    boxes = []
    for group in groups:
        for k, (x, n) in enumerate(group):
            words = f"{n}" if len(group) == 1 else f"{n}–{group[-1][1]}"
            boxes.append(Box(x, FRAME.bottom + 2, 0, 8, words if k == 0 else ""))
    return boxes


def _stood(
    stays: Sequence[Stay], letters: dict[str, int], pieces: Sequence[Piece], governs: Sequence[Govern]
) -> list[Stood]:
    """Neighbouring stays in one unit (another slot) are one line of the list."""
    names = dict(Unit.objects.filter(code__in=letters).values_list("code", "name"))
    found: list[Stood] = []
    for stay in stays:
        last = found[-1] if found else None
        if last and last.unit == stay.unit and last.end_ms == stay.start_ms:
            found[-1] = Stood(**(last.__dict__ | {"end_ms": stay.end_ms}))
            continue
        nominal = next((p.nominal for p in pieces if p.start <= stay.start_ms < p.end), None)
        end = stay.end_ms if stay.end_ms is not None else 1 << 62
        seen = [g.logger.code for g in governs if g.start_ms < end and g.end_ms > stay.start_ms]
        k = letters[stay.unit]
        found.append(
            Stood(
                chr(65 + k % 26), k % FILLS + 1, stay.unit, names.get(stay.unit, stay.unit), stay.start_ms,
                stay.end_ms, nominal, ", ".join(dict.fromkeys(seen)),
            )
        )  # fmt: skip
    return found
