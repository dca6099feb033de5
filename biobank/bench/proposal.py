"""Which vials to fill from a tube, and how full: what the aliquot page proposes before anybody pours.

Promises: nothing is written; a proposal never gives out more than there is, less what is expected to be
lost; the reserve is kept as long as it can be; every vial that falls away says why. Whoever pours may depart
from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from biobank.acting import Actor
from biobank.bench.hands import on_the_bench
from biobank.bench.queries import SEPARATED, empty, last
from biobank.core import codes, yields
from biobank.core.yields import LIQUID, Vial
from biobank.models import Tube
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import Happening, TubeState


@dataclass(frozen=True)
class Line:
    """A label in rack order. ul: proposed, and for one that falls away what was planned; why: why it does."""

    code: str
    label: str
    matrix: str
    container: str
    ul: int
    priority: int
    reserve: bool
    why: str = ""

    @property
    def vial(self) -> Vial:
        return Vial(self.code, self.ul, self.priority, self.reserve)


@dataclass(frozen=True)
class Basis:
    """What is known of a tube's content, before it is shared out; microlitres, None: not known.

    drawn_ul   blood that went in; blood_ul: of it, what was in the tube when it was spun
    taken_ul   taken out since then
    left_ul    in the tube by the ledger; real_ul: measured by who pours
    """

    state: TubeState
    spun: bool
    drawn_ul: int | None
    blood_ul: int | None
    taken_ul: int
    hct_pct: int | None = None
    real_ul: int | None = None

    @property
    def left_ul(self) -> int | None:
        return self.state.volume_ul

    @property
    def separates(self) -> bool:
        """Whether this is blood, of which serum and plasma are a part; all else is one thing throughout."""
        return self.state.matrix == "BLD"

    @property
    def recovered_ul(self) -> int | None:
        """All the serum or plasma that came out of this tube, if it was measured."""
        return None if self.real_ul is None else self.real_ul + self.taken_ul

    @property
    def yield_pct(self) -> int | None:
        """Recovered of drawn, per cent; None when either is not known."""
        if self.recovered_ul is None or not self.blood_ul or not self.separates:
            return None
        return yields.yield_pct(self.recovered_ul, self.blood_ul)


@dataclass(frozen=True)
class Proposal:
    """lines: vials to fill, dropped: vials that fall away, both in rack order; microlitres throughout.

    available_ul  what can be shared out; None: how much was drawn is not known, so all vials are proposed
    keep_ul       of it, what goes into the reserve; loss_ul: what is expected to be lost
    measured      whether somebody measured what is available; else it is worked out, by `source`
    """

    parent: TubeState
    available_ul: int | None
    keep_ul: int
    loss_ul: int
    lines: list[Line]
    dropped: list[Line]
    warnings: list[str]
    measured: bool = False
    source: str = ""
    yield_pct: int | None = None

    @property
    def filled_ul(self) -> int:
        return sum(one.ul for one in self.lines)


def propose(
    actor: Actor, parent_code: str, real_ul: int | None = None, hct_pct: int | None = None
) -> Proposal:
    """What to fill from this tube. real_ul: serum or plasma measured in it (or what else can be poured).

    Refused when this agency does not have the tube in hand and out of storage, or: volume_not_positive,
    volume_not_negative, hct_out_of_range. hct_pct None: as it was said for another tube of the animal.
    At most 12 queries.
    """
    state = on_the_bench(actor, [parent_code])[parent_code]
    hct = haematocrit(state) if hct_pct is None else hct_pct
    found = basis(state, ledger.history(parent_code), real_ul, hct)
    return of(found, waiting(parent_code))


def haematocrit(state: TubeState) -> int | None:
    """The newest haematocrit, per cent, that was said while aliquoting a tube of this workup. 5 queries."""
    if state.workup is None:
        return None
    tubes = [one.tube for one in ledger.find(workup=state.workup)]
    said = [one for some in ledger.histories(tubes).values() for one in some if not one.voided]
    told = [one for one in said if one.data.get("hct_pct") is not None]
    return max(told, key=lambda one: one.at_ms).data["hct_pct"] if told else None


def waiting(parent_code: str) -> list[Tube]:
    """Labels printed for this tube that hold nothing yet, in rack order: by number. 2 queries."""
    rows = Tube.objects.filter(parent_hint=parent_code).select_related("planned_aliquot").order_by("code")
    labels = list(rows)
    free = empty([label.code for label in labels])
    return [label for label in labels if label.code in free]


def basis(
    state: TubeState, said: Sequence[Happening], real_ul: int | None = None, hct_pct: int | None = None
) -> Basis:
    """What this history says of the tube's content. A later measurement counts before an earlier one."""
    check_left(state, real_ul)
    yields.check_hct(hct_pct)
    drawn, spun = last(said, "drawn", "aliquoted"), last(said, "spun")
    poured = [one for one in said if one.line["role"] == "from" and not one.voided]
    early = [one for one in poured if spun and one.at_ms < spun.at_ms]
    drawn_ul = drawn.line.get("ul") if drawn else None
    late_ul = _ul(poured) - _ul(early)
    if real_ul is None:
        real_ul = _measured_before([one for one in poured if one not in early])
    blood_ul = None if drawn_ul is None else drawn_ul - _ul(early)
    return Basis(state, spun is not None, drawn_ul, blood_ul, late_ul, hct_pct, real_ul)


def check_left(state: TubeState, real_ul: int | None) -> None:
    """Refused when so much cannot have been recovered from this tube. None: it was not measured."""
    if real_ul is None:
        return
    if real_ul < 1:
        raise Refused("volume_not_positive", "The volume recovered must be more than nought.", state.tube)
    if state.volume_ul is not None and real_ul > state.volume_ul:
        raise Refused(
            "volume_not_negative",
            f"{codes.show(state.tube)}: only {state.volume_ul / 1000:g} mL are left in this tube, "
            f"{real_ul / 1000:g} mL cannot come out of it. If more was drawn, correct the draw.",
            state.tube,
        )


def _ul(poured: Iterable[Happening]) -> int:
    return sum(one.line["ul"] for one in poured)


def _measured_before(poured: Sequence[Happening]) -> int | None:
    """What must be left of the volume measured at an earlier pouring."""
    for n in range(len(poured) - 1, -1, -1):
        measured = poured[n].data.get("recovered_ul")
        if measured is not None:
            return max(0, measured - _ul(poured[n:]))
    return None


def of(content: Basis, labels: Sequence[Tube]) -> Proposal:
    """The proposal for these labels. Serum and plasma are one part of the tube, cells are the rest."""
    planned = [_line(label) for label in labels]
    main = [one for one in planned if not _apart(content, one)]
    other = [one for one in planned if _apart(content, one)]
    liquid = content.separates and any(one.matrix in LIQUID for one in planned)
    available, measured, source = _available(content, liquid)
    loss = yields.loss_ul(available, measured) if available is not None else 0
    filled, dropped = _shared(main, available, loss)
    rest = None if content.left_ul is None or available is None else content.left_ul - available
    more, fewer = _shared(other, rest, 0)
    order = [one.code for one in planned]
    lines = sorted([*filled, *more], key=lambda one: order.index(one.code))
    gone = sorted([*dropped, *fewer], key=lambda one: order.index(one.code))
    return Proposal(
        content.state, available, sum(one.ul for one in lines if one.reserve), loss, lines, gone,
        [*_warnings(content, liquid, planned), *_of_reserve(gone)], measured, source,
        content.yield_pct if liquid else None,
    )  # fmt: skip


def _line(label: Tube) -> Line:
    plan = label.planned_aliquot
    ul = label.aliquot_ul or (plan.ul if plan else 0)
    return Line(
        label.code, label.label, label.matrix, label.container, ul, plan.priority if plan else 1,
        bool(plan and plan.reserve),
    )  # fmt: skip


def _apart(content: Basis, line: Line) -> bool:
    """Cells and buffy coat are no part of the serum or plasma."""
    return content.separates and line.matrix in SEPARATED - LIQUID


def _available(content: Basis, liquid: bool) -> tuple[int | None, bool, str]:
    """How much can be shared out, whether that was measured, and where the number comes from."""
    if content.real_ul is not None:
        return content.real_ul, True, "measured"
    if not liquid:
        return content.left_ul, content.left_ul is not None, "what the ledger says is in the tube"
    if content.blood_ul is None:
        return None, False, "how much was drawn is not known"
    expected = yields.expected_ul(content.blood_ul, content.hct_pct) - content.taken_ul
    return max(0, expected), False, how(content.hct_pct)


def how(hct_pct: int | None) -> str:
    """By which rule the yield was worked out."""
    if hct_pct is None:
        return f"worked out: {yields.RULE_SOURCE}"
    return f"worked out: {yields.GOT_PCT} % of what is no cell, at a haematocrit of {hct_pct} %"


def _shared(planned: Sequence[Line], available: int | None, loss: int) -> tuple[list[Line], list[Line]]:
    if available is None:
        return list(planned), []
    shared = yields.share(available - loss, [one.vial for one in planned])
    filled = [one for one in planned if one.code in shared.filled]
    return filled, [_without(one, available) for one in planned if one.code in shared.dropped]


def _without(line: Line, available: int) -> Line:
    rank = "the reserve" if line.reserve else f"priority {line.priority}"
    why = f"{rank}; {available / 1000:g} mL do not suffice for it"
    return Line(**{**line.__dict__, "why": why})


def _warnings(content: Basis, liquid: bool, planned: Sequence[Line]) -> Iterator[str]:
    if content.separates and not content.spun and any(one.matrix in SEPARATED for one in planned):
        yield "This tube was not spun yet; what is planned from it comes apart by a spin."
    if content.drawn_ul is None and content.real_ul is None:
        yield "How much was drawn is not known, so every vial is proposed. Measure what can be poured."
    if liquid and implausible(content):
        yield implausible(content)


def implausible(content: Basis) -> str:
    """What is said when more was recovered than the blood can give; empty when it can be or is not known."""
    if content.yield_pct is None:
        return ""
    most = yields.most_ul(content.blood_ul or 0, content.hct_pct)
    if (content.recovered_ul or 0) <= most:
        return ""
    by = "half of the blood" if content.hct_pct is None else f"a haematocrit of {content.hct_pct} %"
    return (
        f"{codes.show(content.state.tube)}: {(content.recovered_ul or 0) / 1000:g} mL recovered of "
        f"{(content.blood_ul or 0) / 1000:g} mL is a yield of {content.yield_pct} %, more than the "
        f"{most / 1000:g} mL that {by} allows. Look at the volumes and for cells in the vials."
    )


def _of_reserve(gone: Sequence[Line]) -> Iterator[str]:
    lost = [codes.show(one.code) for one in gone if one.reserve]
    if lost:
        yield f"Not even the reserve can be filled: {', '.join(lost)}."


def outcome(content: Basis, poured: Sequence[tuple[str, int]], lost_ul: int) -> Iterator[str]:
    """What is said after pouring: what went where, the yield, and whether it can be.

    content: as the tube is afterwards; poured: (matrix, µL) of each vial; lost_ul: microlitres.
    """
    total = sum(ul for _, ul in poured)
    said = f"{total / 1000:g} mL in {len(poured)} vials, {lost_ul / 1000:g} mL lost"
    if content.yield_pct is None:
        yield f"{said}."
    else:
        got, blood = (content.recovered_ul or 0) / 1000, (content.blood_ul or 0) / 1000
        yield f"{said}; {got:g} mL recovered of {blood:g} mL of blood, a yield of {content.yield_pct} %."
    liquid = sum(ul for matrix, ul in poured if matrix in LIQUID)
    if content.real_ul is None:  # not measured: what is in these vials at least was recovered
        content = replace(content, real_ul=liquid, taken_ul=0)
    if liquid and implausible(content):
        yield implausible(content)
