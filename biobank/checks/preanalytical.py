"""The preanalytical code of many tubes, from the ledger and the loggers.

Promises: nothing is typed in and nothing assumed: an element that the records do not show is the code's own
letter for not known. The number of queries does not grow with the number of tubes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from biobank.bench.spinning import as_sprec
from biobank.checks.facts import Link, chain, cut, lineage
from biobank.temperature.queries import Laid, Lived, Window, laid, lived
from custody import queries as ledger
from custody.core.phase import PhaseSummary
from custody.core.sprec import SOLID, Code, Delay, Sample, code_of
from custody.core.state import Happening, TubeState

SIZE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(mL|µL|uL)", re.IGNORECASE)
PLASTIC = re.compile(r"\b(pp|polypropylene)\b", re.IGNORECASE)


def codes_of(tubes: Iterable[str], now_ms: int) -> dict[str, Code]:
    """The code of each tube that holds or held something. At most 18 queries, and 2 for each generation."""
    states = ledger.states(tubes)
    histories = lineage(states)
    chains = {code: chain(code, histories) for code in states}
    full = {code: links for code, links in chains.items() if _content(links)}
    where = laid({link.key: cut(link) for links in full.values() for link in links}, now_ms)
    spans = {code: _spans(states[code], links, where) for code, links in full.items()}
    found = lived(where, [], _windows(full, spans))
    return {
        code: code_of(_sample(states[code], links, spans[code], where, found)) for code, links in full.items()
    }


Span = tuple[Happening, int, int]  # first act, when the second happened (UTC ms), its uncertainty in seconds
Spans = dict[str, Span]


def _content(links: Sequence[Link]) -> bool:
    return any(one.kind in {"drawn", "aliquoted"} for link in links for one in link.said)


def _spans(state: TubeState, links: Sequence[Link], where: Laid) -> Spans:
    """delay: from the draw to the first step of processing, of a solid to the freezer; after: from the last
    spin to the freezer."""
    said = [one for link in links for one in link.said]
    drawn = next((one for one in links[0].said if one.kind == "drawn"), None)
    spun = [one for one in said if one.kind == "spun"]
    at = next((at for link in links if (at := where.frozen_from(link.key)) is not None), None)
    put = next((one.unc_s for one in said if one.at_ms == at), 0)
    frozen = None if at is None else (at, put)
    made = links[0].until or next((one for one in said if one.kind == "aliquoted"), None)
    done = next(iter(spun), None) or made
    first = (done.at_ms, done.unc_s) if done and state.matrix not in SOLID else frozen
    found: Spans = {}
    if drawn and first:
        found["delay"] = (drawn, *first)
    if spun and frozen:
        found["after"] = (spun[-1], *frozen)
    return {name: one for name, one in found.items() if one[1] >= one[0].at_ms}


def _windows(chains: Mapping[str, Sequence[Link]], spans: Mapping[str, Spans]) -> dict[str, set[Window]]:
    found: dict[str, set[Window]] = {}
    for code, links in chains.items():
        for start, end, _ in spans[code].values():
            for link in links:
                found.setdefault(link.key, set()).add((start.at_ms, end))
    return found


def _sample(
    state: TubeState, links: Sequence[Link], spans: Spans, where: Laid, found: Mapping[str, Lived]
) -> Sample:
    printed = next((one for one in links[0].said if one.kind == "label_printed"), None)
    spins = [as_sprec(one.data) for link in links for one in link.said if one.kind == "spun"]
    seen = [one for link in links for one in found[link.key].phases if one.name == "frozen"]
    delays = {name: _delay(one, links, found) for name, one in spans.items()}
    words = f"{state.label} {state.container}"
    labelled = printed.line.get("additive") if printed else ""  # never that of the vial it went into later
    return Sample(
        matrix=state.matrix, additive=labelled or (state.additive if len(links) == 1 else ""),
        delay=delays.get("delay"), spins=spins, after=delays.get("after"), kind=_kind(state, len(links)),
        centi=_set_point(state, links[-1], where), seen=_seen(seen), biopsy="biopsy" in words.casefold(),
    )  # fmt: skip


def _seen(frozen: Sequence[PhaseSummary]) -> tuple[int, int] | None:
    """The lowest and highest that was measured in freezers; None: nothing was."""
    known = [(one.min_centi, one.max_centi) for one in frozen if one.max_centi is not None]
    lows = [low for low, _ in known if low is not None]
    return (min(lows), max(high for _, high in known if high is not None)) if lows else None


def _delay(span: Span, links: Sequence[Link], found: Mapping[str, Lived]) -> Delay:
    start, end, unc_s = span
    give, length = (start.unc_s + unc_s) * 1000, end - start.at_ms
    phases = [one for link in links for one in found[link.key].windows.get((start.at_ms, end), ())]
    lows = [one.min_centi for one in phases if one.min_centi is not None]
    highs = [one.max_centi for one in phases if one.max_centi is not None]
    whole = sum(one.measured_ms for one in phases) >= length
    return Delay(
        max(length - give, 0), length + give, min(lows, default=None), max(highs, default=None), whole
    )


def _kind(state: TubeState, generations: int) -> str:
    """What it is kept in, as far as its container is described: a size, a material."""
    said = (state.container or "").casefold()
    if not said:
        return ""
    if generations == 1:
        return "primary"
    if "plate" in said:
        return "plate"
    if (ul := _size_ul(said)) is None or "glass" in said:
        return "other" if "glass" in said else ""
    if "cryo" in said:
        return "cryotube" if 1_000 <= ul <= 2_000 else "other"
    return _plastic(ul) if PLASTIC.search(said) else ""


def _size_ul(said: str) -> float | None:
    found = SIZE.search(said)
    if found is None:
        return None
    number = float(found[1].replace(",", "."))
    return number * 1000 if found[2].casefold() == "ml" else number


def _plastic(ul: float) -> str:
    if 40 <= ul < 500:
        return "small"
    if 500 <= ul <= 2_000:
        return "tube"
    return "large" if ul >= 5_000 else "other"


def _set_point(state: TubeState, link: Link, where: Laid) -> int | None:
    """That of the unit in which it is stored now."""
    pieces = where.pieces.get(link.key)
    return pieces[-1][0].nominal if pieces and state.status == "stored" else None
