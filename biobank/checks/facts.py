"""What is known of many tubes at once, from the ledger, the loggers and what is on file about the animal.

Promises: the number of queries does not grow with the number of tubes (only with how many times tubes
were made from one another); voided acts do not count and corrected ones count as corrected; an aliquot
has the draw, the spins, the thaws and the temperatures of the tubes it came from, as far as it was in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from biobank.checks import about
from biobank.core.out import LIMITS, MINUTE_MS
from biobank.temperature.queries import Laid, Lived, Window, laid, lived
from custody import queries as ledger
from custody.core import fold
from custody.core import gaps as gaps_of
from custody.core.effects import IN_HAND
from custody.core.judge_tube import TO_THAW_MS
from custody.core.phase import PhaseSummary
from custody.core.rules import Facts, Moment, Rule
from custody.core.state import Happening, TubeState

FIRST = {"spun": "spun", "put_away": "put_away", "moved": "put_away"}
PLACING = {"drawn", "aliquoted", "put_away", "moved", "received"}
LATEST = {
    "pulled": "pulled",
    "thawed": "thawed",
    "shipped": "shipped",
    "handed_off": "shipped",
    "received": "received",
}
GRADES = ("haemolysis", "lipaemia", "icterus")
LET_PASS_MS = LIMITS["frozen"] * MINUTE_MS
MEASURED = tuple(f"{name}_cmgdl" for name in GRADES)

Histories = Mapping[str, Sequence[Happening]]


@dataclass(frozen=True)
class Link:
    """One tube on the way from a draw to the tube in question.

    until  when the next tube was made from it; None for the last
    said   what counts of its history up to then, oldest first
    near   what was said to come later, and may have been before as exact as times are
    mixed  it was filled from two tubes, so nobody knows what is in it
    open   events behind its discrepancies that are open and were so when the next tube was made
    """

    tube: str
    until: Happening | None
    said: tuple[Happening, ...]
    near: tuple[Happening, ...] = ()
    mixed: bool = False
    open: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        return self.tube if self.until is None else f"{self.tube} until {self.until.at_ms}"


@dataclass(frozen=True)
class Asked:
    """What rules want to know: limits to count time by, spans between acts, custody and permits or not."""

    limits: frozenset[int]
    spans: tuple[tuple[str, str], ...] = ()
    custody: bool = False
    permits: bool = False

    @classmethod
    def by(cls, wanted: Iterable[Rule | int]) -> Asked:
        """Of rules; or of bare limits, hundredths of °C."""
        said = list(wanted)
        rules = [one for one in said if isinstance(one, Rule)]
        bare = {one for one in said if isinstance(one, int)}
        return cls(
            frozenset(bare.union(*(one.limits_centi for one in rules))),
            tuple(sorted({one.span for one in rules if one.span})),
            any(one.kind == "custody" for one in rules),
            any(one.kind == "permit" for one in rules),
        )


@dataclass(frozen=True)
class _Tube:
    """Everything but its temperatures that the facts of one tube are put together from."""

    state: TubeState
    links: Sequence[Link]
    acts: Mapping[str, Moment]
    end: int
    about: about.About

    def ends_of(self, span: tuple[str, str]) -> tuple[int, int] | None:
        """From when to when (UTC ms); None: its first act did not happen."""
        start, end = self.acts.get(span[0]), self.acts.get(span[1])
        if start is None:
            return None
        return start.at_ms, max(start.at_ms, self.end if end is None else end.at_ms)


def facts_of(codes: Iterable[str], wanted: Iterable[Rule | int], now_ms: int) -> dict[str, Facts]:
    """Facts of every tube that the ledger knows, as they were at `now_ms` (UTC ms).

    wanted  the rules that will be asked; or bare limits: the temperatures, hundredths of °C, above and below
            which time is to be counted
    """
    asked = Asked.by(wanted)
    states = ledger.states(codes)
    histories = lineage(states)
    chains = {code: chain(code, histories) for code in states}
    where = laid({link.key: cut(link) for links in chains.values() for link in links}, now_ms)
    known = about.of({*states, *(links[0].tube for links in chains.values())}, asked.permits)
    tubes = {code: _tube(states[code], links, where, known, now_ms) for code, links in chains.items()}
    windows = _windows(tubes.values(), asked.spans)
    found = lived(where, asked.limits, windows)
    return {code: _facts(one, found, asked, known, now_ms) for code, one in tubes.items()}


def _tube(state: TubeState, links: Sequence[Link], where: Laid, known: about.Known, now_ms: int) -> _Tube:
    told = known.first(links[0].tube, state.tube)
    return _Tube(state, links, _acts(links, where, told), _end(links[-1].said, now_ms), told)


def _windows(tubes: Iterable[_Tube], spans: Sequence[tuple[str, str]]) -> dict[str, set[Window]]:
    """The windows of every link. Two tubes of one parent may share a link, and ask it for different ones."""
    found: dict[str, set[Window]] = {}
    for tube in tubes:
        for span in spans:
            if ends := tube.ends_of(span):
                for link in tube.links:
                    found.setdefault(link.key, set()).add(ends)
    return found


def lineage(codes: Iterable[str]) -> dict[str, list[Happening]]:
    """Histories of the tubes and of everything they were made from: one round for each generation."""
    found: dict[str, list[Happening]] = {}
    asked = set(codes)
    while asked:
        found |= ledger.histories(asked)
        asked = {made.line["of"] for code in asked for made in _makings(found.get(code, ()))} - set(found)
    return found


def chain(code: str, histories: Histories) -> list[Link]:
    """From the tube that was drawn down to this one. A tube made from itself by mistake ends the chain."""
    links: list[Link] = []
    until: Happening | None = None
    while code in histories and code not in {link.tube for link in links}:
        said = tuple(one for one in histories[code] if not one.voided)
        makings, before = _makings(said), _up_to(said, until)
        mixed = len({one.line["of"] for one in makings}) > 1 or bool(makings and _first(said, "drawn"))
        links.append(
            Link(code, until, before, _near(said, until), mixed, _open(code, before, histories[code]))
        )
        until = next(iter(makings), None)
        code = until.line["of"] if until else ""
    return links[::-1]


def _makings(said: Iterable[Happening]) -> list[Happening]:
    return [one for one in said if one.kind == "aliquoted" and one.line["role"] == "to" and not one.voided]


def _up_to(said: tuple[Happening, ...], until: Happening | None) -> tuple[Happening, ...]:
    if until is None:
        return said
    return tuple(one for one in said if one.at_ms <= until.at_ms and one.id != until.id)


def _near(said: tuple[Happening, ...], until: Happening | None) -> tuple[Happening, ...]:
    if until is None:
        return ()
    last = until.at_ms + until.unc_s * 1000
    later = (one for one in said if one.at_ms > until.at_ms)
    return tuple(one for one in later if one.at_ms - one.unc_s * 1000 <= last)


def _open(tube: str, before: Sequence[Happening], whole: Sequence[Happening]) -> tuple[str, ...]:
    """The newest of those that opened a discrepancy, as many as are open; what was settled since is not."""
    opened = [one.id for one in before if _opens(one)]
    if not opened:
        return ()
    then, now = (fold.fold(tube, said).state.disputes for said in (before, whole))
    return tuple(opened[len(opened) - min(then, now, len(opened)) :])


def _opens(one: Happening) -> bool:
    return one.kind == "discrepancy_noted" or (one.kind == "received" and one.line["result"] != "ok")


def cut(link: Link) -> Sequence[Happening]:
    """The link's history for the temperatures: to the rest of a parent's life the aliquot was not witness."""
    if link.until is None:
        return link.said
    end = link.until
    gone = Happening(
        end.seq, end.id, "discarded", end.at_ms, end.by, end.org, {"t": link.tube, "role": "subj"}
    )
    return [*link.said, gone]


def _facts(tube: _Tube, found: Mapping[str, Lived], asked: Asked, known: about.Known, now_ms: int) -> Facts:
    state, links = tube.state, tube.links
    root = links[0].said
    drawn, printed = _first(root, "drawn"), _first(root, "label_printed")
    spins = [one for link in links for one in link.said if one.kind == "spun"]
    warmth = tuple(phase for link in links for phase in found[link.key].phases)
    thaws = tuple(one.id for link in links for one in link.said if one.kind == "thawed")
    grades, indices = _latest(links, GRADES), _latest(links, MEASURED)
    gaps = _gaps(links, tube.end) if asked.custody else []
    maybe = sum(one.kind == "thawed" for link in links for one in link.near)
    seen = sum(phase.thaws or 0 for phase in warmth) + _briefly_out(warmth)
    above = [event for link in links[:-1] for event in link.open]
    return Facts(
        code=state.tube, asof_ms=tube.end,
        matrix="" if any(link.mixed for link in links) else state.matrix, container=state.container,
        additive=(printed.line.get("additive") if printed else "") or state.additive,
        acts=tube.acts,
        spin_g=spins[0].data.get("g") if spins else None,
        spin_minutes=spins[0].data.get("minutes") if spins else None,
        spins=len(spins),
        volume_ul=state.volume_ul,
        nominal_ul=printed.line.get("ul") if printed else None,
        drawn_ul=drawn.line.get("ul") if drawn else None,
        short=bool(drawn and drawn.line.get("short")),
        thaws=len(thaws), thaw_events=thaws,
        seen_thaws=max(seen, len(thaws) + maybe),
        unseen_ms=_unseen(warmth, imported=bool(drawn and drawn.via.startswith("import"))),
        grades={name: one.line[name] for name, one in grades.items()},
        grade_events={name: one.id for name, one in grades.items()},
        indices={name.removesuffix("_cmgdl"): one.line[name] for name, one in indices.items()},
        index_events={name.removesuffix("_cmgdl"): one.id for name, one in indices.items()},
        phases=warmth, between=_between(tube, found, asked.spans), disputes=state.disputes + len(above),
        dispute_events=(*above, *links[-1].open),
        gaps=tuple(one.sentence for one in gaps), gap_events=tuple(one.event for one in gaps),
        taxon=tube.about.taxon, species=tube.about.species,
        permits=known.permits(
            tube.about, _holder(state, links[-1].said), drawn, tube.end,
            took=_drawn_as(printed, links, state), has=state.matrix,
        ),
    )  # fmt: skip


def _drawn_as(printed: Happening | None, links: Sequence[Link], state: TubeState) -> str:
    """The matrix of the tube that was drawn; empty: not known."""
    said = str(printed.line.get("matrix") or "") if printed else ""
    return said or (state.matrix if len(links) == 1 else "")


def _between(
    tube: _Tube, found: Mapping[str, Lived], spans: Iterable[tuple[str, str]]
) -> dict[tuple[str, str], tuple[PhaseSummary, ...]]:
    ends = {span: one for span in spans if (one := tube.ends_of(span))}
    return {
        span: tuple(phase for link in tube.links for phase in found[link.key].windows.get(window, ()))
        for span, window in ends.items()
    }


def _gaps(links: Sequence[Link], now_ms: int) -> list[gaps_of.Gap]:
    """Times for which custody is not shown, but for acts that were only typed late."""
    found = []
    for link in links:
        end = now_ms if link.until is None else link.until.at_ms
        found += gaps_of.gaps(link.tube, link.said, end)
    return [one for one in found if one.code != "typed_late"]


def _unseen(warmth: Sequence[PhaseSummary], imported: bool) -> int:
    """How long nobody measured since it first stood in a freezer; of what was imported since the draw, as
    nobody knows where it stood before. In freezers a set point is no measurement; elsewhere an assumed warm
    place counts as a thaw already (`thaws`), and so does being out for a little while (`_briefly_out`)."""
    return sum(
        phase.no_data_ms + (phase.assumed_ms if phase.name == "frozen" else 0)
        for phase in (warmth if imported else _since_frozen(warmth))
        if not _brief(phase)
    )


def _since_frozen(warmth: Sequence[PhaseSummary]) -> Sequence[PhaseSummary]:
    first = next((k for k, phase in enumerate(warmth) if phase.name == "frozen"), len(warmth))
    return warmth[first:]


def _briefly_out(warmth: Sequence[PhaseSummary]) -> int:
    """How often it was out of the freezer, unmeasured, for longer than is let pass and for less than what
    hides a thaw inside one (custody.core.judge_tube): a vial in a hand thaws sooner."""
    return sum(_brief(phase) for phase in _since_frozen(warmth))


def _brief(phase: PhaseSummary) -> bool:
    return phase.name != "frozen" and LET_PASS_MS < phase.no_data_ms < TO_THAW_MS


def _end(said: Sequence[Happening], now_ms: int) -> int:
    """A discarded tube is judged as it was when it went."""
    return min([now_ms, *(one.at_ms for one in said if one.kind == "discarded")])


def _holder(state: TubeState, said: Iterable[Happening]) -> str | None:
    """Who answers for it; of a discarded tube, who discarded it."""
    gone = _first(said, "discarded")
    return gone.org if gone else state.custodian


def _first(said: Iterable[Happening], kind: str) -> Happening | None:
    return next((one for one in said if one.kind == kind), None)


def _moment(one: Happening) -> Moment:
    return Moment(one.at_ms, one.unc_s, one.id, one.corrected)


def _acts(links: Sequence[Link], where: Laid, told: about.About) -> dict[str, Moment]:
    """The first of each act on the way, and the latest of those that may come again; a later one of the same
    kind does not make it later."""
    acts: dict[str, Moment] = {}
    said = [one for link in links for one in link.said]
    if told.net_closed_ms is not None:
        acts["net_closed"] = Moment(told.net_closed_ms)
    if drawn := _first(links[0].said, "drawn"):
        acts["drawn"] = _moment(drawn)
    if made := links[0].until:  # not when something else was made of the same blood
        acts["aliquoted"] = _moment(made)
    for one in said:
        if name := "aliquoted" if one.kind == "aliquoted" else FIRST.get(one.kind):
            acts.setdefault(name, _moment(one))
        if one.kind in LATEST and one.line.get("result", "ok") in IN_HAND:
            acts[LATEST[one.kind]] = _moment(one)
    if "shipped" in acts and "received" in acts and acts["received"].at_ms < acts["shipped"].at_ms:
        del acts["received"]  # it was of an earlier journey
    frozen = next((at for link in links if (at := where.frozen_from(link.key)) is not None), None)
    if frozen is not None:
        # Usually a tube put away; else its box was moved into a freezer, which is no event of the tube.
        then = [_moment(one) for one in said if one.at_ms == frozen and one.kind in PLACING]
        acts["frozen"] = max(then, key=lambda one: one.unc_s, default=Moment(frozen))
    return acts


def _latest(links: Sequence[Link], names: Iterable[str]) -> dict[str, Happening]:
    """The latest grading that says each name, the tube's own before those of what it came from."""
    found: dict[str, Happening] = {}
    for link in links:
        for one in link.said:
            if one.kind == "graded":
                found |= {name: one for name in names if one.line.get(name) is not None}
    return found
