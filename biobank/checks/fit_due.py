"""Which answers of an assay are to be worked out, as far as a page can see, and doing so in bounded pieces.

Promises: a page looks at no more tubes than it says, and says when there may be more; one press works out
one piece, what is surely due first and then what was judged longest ago, so that pressing on comes round
to all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from django.db.models import Exists, OuterRef, Q, QuerySet

from biobank.checks import judging
from biobank.checks.fit_access import known, readable
from biobank.checks.verdicts import UNFILLED
from biobank.models import Assay, Judgement, Person, RuleSet, Tube
from custody import queries as ledger
from custody.core import rule as core
from custody.core.facts import Facts

LOOK = 500  # tubes without an answer that a page looks at, the newest first
PIECE = 500  # tubes worked out by one press
ROUNDS = 10  # pieces that are looked through for tubes that are still there
DEEP = 12  # aliquots of aliquots


@dataclass(frozen=True)
class Due:
    """unjudged: tubes that were never judged for anything and that the assay takes; stale: how many kept
    answers are of other rules or ran out; changed: tubes of the page whose word is another one now; more:
    there may be more that were never judged."""

    unjudged: tuple[str, ...] = ()
    stale: int = 0
    changed: tuple[str, ...] = ()
    more: bool = False

    @property
    def any(self) -> bool:
        return bool(self.unjudged or self.stale or self.changed)


def takes_of(assay: Assay) -> frozenset[tuple[str, str]]:
    """Pairs of matrix and additive that it takes; where it says none, its family's. At most 2 queries."""
    own = frozenset(assay.takes.values_list("matrix", "additive"))
    family = assay.family
    return own or (frozenset(family.takes.values_list("matrix", "additive")) if family else own)


def stale(now_ms: int) -> Q:
    """Kept answers of other rules, or that time has run out for. What happened to a tube is not asked
    here."""
    return ~Q(rule_set__status=RuleSet.Status.IN_FORCE) | Q(until_ms__lt=now_ms)


def due(assay: Assay, who: Person, now_ms: int, changed: Iterable[str] = ()) -> Due:
    """For the head of the assay's page. At most 8 queries."""
    new = _never(assay)
    return Due(
        tuple(_taken(new[:LOOK], assay)), _kept(assay, who).filter(stale(now_ms)).count(), tuple(changed),
        len(new) > LOOK,
    )  # fmt: skip


def work_out(assay: Assay, who: Person, now_ms: int, changed: Iterable[str] = ()) -> int:
    """One piece: the tubes named (those that this person may read), never judged ones, those that are
    stale, then those that were judged longest ago. Says how many tubes that were."""
    kept = _kept(assay, who)
    codes = [*sorted(readable(changed, who)), *_taken(_never(assay)[:LOOK], assay)]
    codes += kept.filter(stale(now_ms)).order_by("asof_ms", "tube").values_list("tube", flat=True)[:PIECE]
    if len(codes) < PIECE:
        codes += _longest_ago(kept)
    piece = list(dict.fromkeys(codes))[:PIECE]
    if piece:
        judging.judge(piece, now_ms)
    return len(piece)


def _kept(assay: Assay, who: Person) -> QuerySet[Judgement]:
    return known(Judgement.objects.filter(assay=assay), who)


def _longest_ago(kept: QuerySet[Judgement]) -> list[str]:
    """A discarded tube is judged as it was when it went, so it would be the oldest for ever: those wait."""
    oldest = list(kept.order_by("asof_ms", "tube").values_list("tube", flat=True)[: ROUNDS * PIECE])
    states = ledger.states(oldest)
    return [code for code in oldest if code in states and states[code].status != "discarded"]


def _never(assay: Assay) -> list[str]:
    """Tubes of a content that the assay takes and that have no kept answer at all: the newest, one over
    LOOK."""
    matrices = {matrix for matrix, _ in takes_of(assay)}
    anything = Judgement.objects.filter(tube=OuterRef("code"))
    tubes = Tube.objects.filter(matrix__in=matrices).exclude(Exists(anything))
    return list(tubes.order_by("-tube_set", "code").values_list("code", flat=True)[: LOOK + 1])


def _taken(codes: list[str], assay: Assay) -> list[str]:
    """Those that hold something that the assay takes. What counts is what the blood was drawn into."""
    pure: core.Assay = replace(assay.core(), takes=takes_of(assay))
    states = ledger.family(codes)
    found = []
    for code in codes:
        state = states.get(code)
        if state is None or state.status in UNFILLED:
            continue
        root = state
        for _ in range(DEEP):
            root = states.get(root.parent or "") or root
        if pure.takes_tube(Facts(code, 0, matrix=state.matrix, additive=root.additive)):
            found.append(code)
    return found
