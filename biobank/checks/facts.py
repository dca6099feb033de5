"""What is known of many tubes at once, from the ledger and the loggers.

Promises: the number of queries does not grow with the number of tubes (only with how many times tubes
were made from one another); voided acts do not count and corrected ones count as corrected; an aliquot
has the draw, the spin, the thaws and the temperatures of the tubes it came from, as far as it was in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from biobank.temperature.queries import phases_of
from custody import queries as ledger
from custody.core.phase import PhaseSummary
from custody.core.rules import Facts, Moment
from custody.core.state import Happening, TubeState

FIRST = {"spun": "spun", "put_away": "put_away", "moved": "put_away"}
GRADES = ("haemolysis", "lipaemia", "icterus")

Histories = Mapping[str, Sequence[Happening]]


@dataclass(frozen=True)
class Link:
    """One tube on the way from a draw to the tube in question.

    until  when the next tube was made from it; None for the last
    said   what counts of its history up to then, oldest first
    """

    tube: str
    until: Happening | None
    said: tuple[Happening, ...]

    @property
    def key(self) -> str:
        return self.tube if self.until is None else f"{self.tube} until {self.until.at_ms}"


def facts_of(codes: Iterable[str], limits_centi: Iterable[int], now_ms: int) -> dict[str, Facts]:
    """Facts of every tube that the ledger knows, as they were at `now_ms` (UTC ms).

    limits_centi  the temperatures, hundredths of °C, above and below which time is to be counted
    """
    states = ledger.states(codes)
    histories = lineage(states)
    chains = {code: chain(code, histories) for code in states}
    said = {link.key: _cut(link) for links in chains.values() for link in links}
    phases = phases_of(said, limits_centi, now_ms, said)
    return {code: _facts(states[code], links, phases, now_ms) for code, links in chains.items()}


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
        links.append(Link(code, until, _up_to(said, until)))
        until = next(iter(_makings(said)), None)
        code = until.line["of"] if until else ""
    return links[::-1]


def _makings(said: Iterable[Happening]) -> list[Happening]:
    return [one for one in said if one.kind == "aliquoted" and one.line["role"] == "to" and not one.voided]


def _up_to(said: tuple[Happening, ...], until: Happening | None) -> tuple[Happening, ...]:
    if until is None:
        return said
    return tuple(one for one in said if one.at_ms <= until.at_ms and one.id != until.id)


def _cut(link: Link) -> Sequence[Happening]:
    """The link's history for the temperatures: to the rest of a parent's life the aliquot was not witness."""
    if link.until is None:
        return link.said
    end = link.until
    gone = Happening(
        end.seq, end.id, "discarded", end.at_ms, end.by, end.org, {"t": link.tube, "role": "subj"}
    )
    return [*link.said, gone]


def _facts(
    state: TubeState, links: list[Link], phases: Mapping[str, list[PhaseSummary]], now_ms: int
) -> Facts:
    root, own = links[0].said, links[-1].said
    drawn, printed = _first(root, "drawn"), _first(root, "label_printed")
    spun = next((one for link in links for one in link.said if one.kind == "spun"), None)
    warmth = tuple(phase for link in links for phase in phases.get(link.key, []))
    thaws = tuple(one.id for link in links for one in link.said if one.kind == "thawed")
    grades = _grades(links)
    return Facts(
        code=state.tube, asof_ms=_end(own, now_ms), matrix=state.matrix, container=state.container,
        additive=(printed.line.get("additive") if printed else "") or state.additive,
        acts=_acts(links, warmth),
        spin_g=spun.data.get("g") if spun else None, spin_minutes=spun.data.get("minutes") if spun else None,
        volume_ul=state.volume_ul,
        nominal_ul=printed.line.get("ul") if printed else None,
        drawn_ul=drawn.line.get("ul") if drawn else None,
        short=bool(drawn and drawn.line.get("short")),
        thaws=len(thaws), thaw_events=thaws,
        seen_thaws=sum(phase.thaws or 0 for phase in warmth),
        unseen_ms=_unseen(warmth),
        grades={name: one.line[name] for name, one in grades.items()},
        grade_events={name: one.id for name, one in grades.items()},
        phases=warmth, disputes=state.disputes,
    )  # fmt: skip


def _unseen(warmth: Sequence[PhaseSummary]) -> int:
    """How long nobody measured since it first stood in a freezer. In freezers a set point is no measurement;
    elsewhere an assumed warm place counts as a thaw already (`thaws`)."""
    first = next((k for k, phase in enumerate(warmth) if phase.name == "frozen"), len(warmth))
    return sum(
        phase.no_data_ms + (phase.assumed_ms if phase.name == "frozen" else 0) for phase in warmth[first:]
    )


def _end(said: Sequence[Happening], now_ms: int) -> int:
    """A discarded tube is judged as it was when it went."""
    return min([now_ms, *(one.at_ms for one in said if one.kind == "discarded")])


def _first(said: Iterable[Happening], kind: str) -> Happening | None:
    return next((one for one in said if one.kind == kind), None)


def _moment(one: Happening) -> Moment:
    return Moment(one.at_ms, one.unc_s, one.id, one.corrected)


def _acts(links: Sequence[Link], warmth: Sequence[PhaseSummary]) -> dict[str, Moment]:
    """The first of each act on the way; a later one of the same kind does not make it later."""
    acts: dict[str, Moment] = {}
    said = [one for link in links for one in link.said]
    if drawn := _first(links[0].said, "drawn"):
        acts["drawn"] = _moment(drawn)
    for one in said:
        name = "aliquoted" if one.kind == "aliquoted" else FIRST.get(one.kind)
        if name:
            acts.setdefault(name, _moment(one))
    if frozen := next((phase.start_ms for phase in warmth if phase.name == "frozen"), None):
        # Usually a tube put away; else its box was moved into a freezer, which is no event of the tube.
        acts["frozen"] = next((_moment(one) for one in said if one.at_ms == frozen), Moment(frozen))
    return acts


def _grades(links: Sequence[Link]) -> dict[str, Happening]:
    """The latest grade of each name, the tube's own before those of what it came from."""
    found: dict[str, Happening] = {}
    for link in links:
        for one in link.said:
            if one.kind == "graded":
                found |= {name: one for name in GRADES if one.line.get(name) is not None}
    return found
