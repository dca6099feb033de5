"""What the page of a workup shows while tubes are filled: clocks, what is next, what is done, what is left.

Promises: a fixed number of queries, whatever the number of tubes; nothing is written here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby

from django.utils import timezone

from biobank.acting import ms
from biobank.amend.undoing import UNDO_S
from biobank.core import ladder
from biobank.core.elapsed import Elapsed
from biobank.core.ladder import Kept, Offer, Piece, Rung
from biobank.labels.queries import in_order
from biobank.models import Person, PlannedAliquot, TubeSet, Workup
from custody import queries as ledger

from .actions import TAPPED
from .queries import TubeRow, tube_row

# kinds as a table at the beach is laid out; what no kind has stands under the last
KINDS = [
    ("Blood", {"BLD", "SER", "PL1", "BUF", "CEL"}),
    ("Smears and cards", {"SME", "DBS"}),
    ("Swabs", {"SWB"}),
    ("Urine, faeces, milk, breath", {"URN", "STL", "MLK", "BRE"}),
    ("Skin, blubber and other tissue", {"SKN", "BLU", "HAR", "TIS", "PAR"}),
]
NEXT_OFFERS = 5


@dataclass(frozen=True)
class Clock:
    """One of the times that are tapped, against its limit; may_tap: its button makes sense now."""

    name: str
    at: datetime | None
    elapsed: Elapsed | None
    may_tap: bool
    may_undo: bool

    @property
    def words(self) -> str:
        return self.name.replace("_", " ").capitalize()


def clocks(workup: Workup, who: Person) -> list[Clock]:
    """Net closed, out of water, released. 1 query."""
    programme, now = workup.day.site.programme, timezone.now()
    tapped = _tapped(workup, who, now)
    limits = {"net_closed": programme.net_limit_min, "out_of_water": programme.hand_limit_min}
    found = []
    for place, name in enumerate(TAPPED):
        at = getattr(workup, name)
        elapsed = None
        if at is not None and name in limits:
            end = workup.released or now
            elapsed = Elapsed(ms(at), ms(end), limits[name], programme.hurry_pct, workup.released is not None)
        later = any(getattr(workup, other) for other in TAPPED[place + 1 :])
        found.append(Clock(name, at, elapsed, at is None and not later, name == tapped))
    return found


def _tapped(workup: Workup, who: Person, now: datetime) -> str:
    """The time that this person has set a moment ago, when nothing has changed since."""
    new, old = [*workup.history.all()[:2], None, None][:2]
    if new is None or old is None or new.history_user_id != who.user_id:
        return ""
    fresh = now - new.history_date <= timedelta(seconds=UNDO_S)
    return next((name for name in TAPPED if fresh and getattr(new, name) and not getattr(old, name)), "")


@dataclass(frozen=True)
class Run:
    """Tubes that are drawn one after the other with the same additive, still empty."""

    words: str
    rows: Sequence[TubeRow]

    @property
    def codes(self) -> str:
        return " ".join(row.code for row in self.rows)


@dataclass(frozen=True)
class Group:
    """A kind of sample, with what is still empty in it."""

    words: str
    runs: Sequence[Run]

    @property
    def open(self) -> int:
        return sum(len(run.rows) for run in self.runs)

    @property
    def slug(self) -> str:
        return self.words.split()[0].strip(",").lower()

    @property
    def done(self) -> str:
        """What a tap says of one of these."""
        return "Filled" if self.words == KINDS[0][0] else "Taken"


def kind_of(matrix: str) -> str:
    return next((words for words, matrices in KINDS if matrix in matrices), KINDS[-1][0])


def groups(rows: Iterable[TubeRow]) -> list[Group]:
    """Empty tubes by kind, and in each by additive as long as the order of draw keeps them together."""
    by_kind: dict[str, list[TubeRow]] = {words: [] for words, _ in KINDS}
    for row in rows:
        if row.is_open:
            by_kind[kind_of(row.tube.matrix)].append(row)
    return [Group(words, _runs(words, ones)) for words, ones in by_kind.items() if ones]


def _runs(words: str, rows: Sequence[TubeRow]) -> list[Run]:
    if words != KINDS[0][0]:
        return [Run(words, rows)]
    runs = [list(ones) for _, ones in groupby(rows, key=lambda row: row.tube.additive)]
    return [Run(ones[0].tube.get_additive_display(), ones) for ones in runs]


@dataclass(frozen=True)
class ShortTube:
    """A tube that was drawn short: what the plan makes of it, and what its aliquots become."""

    row: TubeRow
    word: str
    kept: Sequence[Kept]

    @property
    def lost(self) -> list[Kept]:
        return [one for one in self.kept if one.lost or one.part_ul is not None]

    @property
    def pct(self) -> int:
        return (self.row.drawn_ul or 0) * 100 // (self.row.nominal_ul or 1)

    @property
    def least_pct(self) -> int:
        return 100 if self.row.tube.planned.least_pct is None else self.row.tube.planned.least_pct


@dataclass(frozen=True)
class Shortage:
    """What to do with what is left. left_ul None: nobody knows."""

    left_ul: int | None
    offers: Sequence[Offer]
    tubes: Sequence[ShortTube] = field(default=())

    @property
    def next(self) -> list[Offer]:
        return [one for one in self.offers if one.word in ladder.USED][:NEXT_OFFERS]

    @property
    def useless(self) -> list[Offer]:
        """Empty tubes for which too little is left to be of use, but not nothing."""
        return [one for one in self.offers if one.word in {ladder.FLAG, ladder.VOID}]

    @property
    def dry(self) -> int:
        return sum(one.word == ladder.NOTHING for one in self.offers)


def rung(row: TubeRow) -> Rung:
    """A tube of blood as the ladder sees it."""
    planned = row.tube.planned
    return Rung(
        row.code, row.tube.label, row.nominal_ul or 0, planned.priority, planned.order_of_draw,
        planned.short_rule, planned.least_pct,
    )  # fmt: skip


def takes_blood(row: TubeRow) -> bool:
    return bool(
        row.nominal_ul and row.tube.planned and kind_of(row.tube.matrix) in {"Blood", "Smears and cards"}
    )


def shortage(rows: Sequence[TubeRow], left_ul: int | None) -> Shortage:
    """The ladder of what is still empty, and what became of the short ones. 1 query."""
    blood = [row for row in rows if takes_blood(row)]
    short = [row for row in blood if row.word == "short"]
    pieces = _pieces({row.tube.planned_id for row in short})
    tubes = [_short(row, pieces.get(row.tube.planned_id, [])) for row in short]
    return Shortage(left_ul, ladder.offers(map(rung, filter(_is_open, blood)), left_ul), tubes)


def _is_open(row: TubeRow) -> bool:
    return row.is_open


def _short(row: TubeRow, pieces: Sequence[Piece]) -> ShortTube:
    ul = row.drawn_ul or 0
    word = ladder.judge(rung(row), ul)
    return ShortTube(row, word, ladder.kept(0 if word == ladder.VOID else ul, pieces))


def _pieces(planned: set[int | None]) -> dict[int, list[Piece]]:
    found: dict[int, list[Piece]] = {}
    for one in PlannedAliquot.objects.filter(tube__in=planned).order_by("tube", "position"):
        piece = Piece(one.matrix, one.ul, one.count, one.priority, one.reserve, one.purpose)
        found.setdefault(one.tube_id, []).append(piece)
    return found


@dataclass(frozen=True)
class Beach:
    """The tubes of a workup, in order of draw."""

    rows: Sequence[TubeRow]
    groups: Sequence[Group]
    last: Sequence[TubeRow]
    names: dict[str, str]

    @property
    def open(self) -> list[TubeRow]:
        return [row for row in self.rows if row.is_open]

    @property
    def done(self) -> list[TubeRow]:
        return [row for row in self.rows if not row.is_open]

    @property
    def next(self) -> TubeRow | None:
        return next(iter(self.open), None)

    @property
    def filled(self) -> int:
        return sum(row.drawn is not None for row in self.rows)

    @property
    def missed(self) -> int:
        return sum(row.missed is not None and row.drawn is None for row in self.rows)


def beach(tube_set: TubeSet | None) -> Beach:
    """The tubes to draw of a set, with what the ledger says of them. At most 7 queries."""
    if tube_set is None:
        return Beach([], [], [], {})
    tubes = list(tube_set.tubes.filter(parent_hint="").select_related("planned"))
    tubes.sort(key=in_order)
    codes = [tube.code for tube in tubes]
    states, said = ledger.states(codes), ledger.histories(codes)
    rows = [tube_row(tube, states.get(tube.code), said.get(tube.code, [])) for tube in tubes]
    return Beach(rows, groups(rows), _last(rows), _names(rows))


def _last(rows: Sequence[TubeRow]) -> list[TubeRow]:
    """The tubes of the newest act of filling."""
    newest = max((row.drawn.seq for row in rows if row.drawn), default=None)
    return [row for row in rows if row.drawn and row.drawn.seq == newest]


def _names(rows: Sequence[TubeRow]) -> dict[str, str]:
    """Names of who filled or gave up on a tube, by person code. 1 query."""
    people = {said.by for row in rows for said in (row.drawn, row.missed) if said}
    return dict(Person.objects.filter(code__in=people).values_list("code", "name"))
