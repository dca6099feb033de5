"""What happened to some tubes, who answered for them and where nobody did, for their paper of custody.

Promises: each act once, however many of the tubes it was about; a voided act is shown struck out and a
corrected one with old beside new, never rewritten. What a tube was made from counts until it was made.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from biobank.amend.queries import Change, notes, of_data, of_header
from biobank.handoffs.custody_words import Discretion, signed
from biobank.templatetags import words
from custody import queries as ledger
from custody.core import gaps
from custody.core.gaps import SENDING
from custody.core.state import Happening

Histories = Mapping[str, Sequence[Happening]]
HIDDEN = {"workup", "set", "plan"}  # their codes name the site
PLAIN = {("copy", "0")}  # a first print


@dataclass(frozen=True)
class Act:
    """One event. before: it was about what these tubes were made from."""

    said: Happening
    tubes: int
    facts: Sequence[tuple[str, str]]
    results: str
    by: str
    signed: str
    before: bool = False
    changes: Sequence[Change] = ()
    notes: Sequence[str] = ()


@dataclass(frozen=True)
class Period:
    """From when to when one agency answered for so many of the tubes, and how it held them."""

    org: str
    tubes: int
    start_ms: int
    end_ms: int | None
    how: str
    tz: str
    of: str = ""


@dataclass
class _Seen:
    """An event while its lines come in."""

    first: Happening
    facts: list[tuple[str, str]]
    tubes: int = 0
    results: Counter[str] = field(default_factory=Counter)


def lines_of(tubes: Sequence[str], parents: Mapping[str, str | None]) -> dict[str, list[str]]:
    """Each tube, what it was made from, and so on up."""
    found = {}
    for tube in tubes:
        line = [tube]
        while (up := parents.get(line[-1])) and up not in line:
            line.append(up)
        found[tube] = line
    return found


def known_until(lines: Mapping[str, Sequence[str]], said: Histories) -> dict[str, int]:
    """Of what tubes were made from: the latest moment at which one of these was made of it, UTC ms."""
    found: dict[str, int] = {}
    for line in lines.values():
        for child, parent in pairwise(line):
            made = next((one.at_ms for one in said[child] if _made(one)), 0)
            found[parent] = max(found.get(parent, 0), made)
    return found


def _made(one: Happening) -> bool:
    return one.kind == "aliquoted" and one.line["role"] == "to" and not one.voided


def acts(
    tubes: Sequence[str], lines: Mapping[str, Sequence[str]], said: Histories, known: Mapping[str, str],
    clean: Discretion,
) -> list[Act]:  # fmt: skip
    """Oldest first. 4 queries when any was amended."""
    until = known_until(lines, said)
    own = _seen((tube, one) for tube in tubes for one in said[tube])
    above = _seen(
        (tube, one)
        for tube, end in until.items()
        if tube not in set(tubes)
        for one in said[tube]
        if one.at_ms <= end
    )
    above = {key: one for key, one in above.items() if key not in own}
    told = ledger.told({key for key, one in [*own.items(), *above.items()] if one.first.amended})
    mine = set(lines) | set(until)
    return [
        _act(one, told.get(key), mine, known, clean, before=key in above)
        for key, one in _ordered(own | above)
    ]


def _seen(rows: Iterable[tuple[str, Happening]]) -> dict[str, _Seen]:
    found: dict[str, _Seen] = {}
    for _, one in rows:
        facts = words.facts(one)
        seen = found.setdefault(one.id, _Seen(one, facts))
        seen.tubes += 1
        seen.facts = [fact for fact in seen.facts if fact in facts]  # what is so of all of them
        if result := one.line.get("result"):
            seen.results[result] += 1
    return found


def _ordered(seen: Mapping[str, _Seen]) -> list[tuple[str, _Seen]]:
    return sorted(seen.items(), key=lambda item: (item[1].first.at_ms, item[1].first.seq))


def _act(
    seen: _Seen, told: ledger.Told | None, mine: set[str], known: Mapping[str, str], clean: Discretion,
    before: bool,
) -> Act:  # fmt: skip
    one = seen.first
    # a change of hands is told in better words above, with its event's number
    told_above = one.kind in {*SENDING, "received"}
    shown = [fact for fact in seen.facts if fact[0] == "to"] if told_above else seen.facts
    facts = [
        (name, clean(value)) for name, value in shown if name not in HIDDEN and (name, value) not in PLAIN
    ]
    results = ", ".join(f"{n} {words.plain(word)}" for word, n in seen.results.items())
    by = f"{known.get(one.by, one.by)}, {one.org}"
    return Act(
        one, seen.tubes, facts, results, by, signed(one.via, one.by, one.rec_by, one.seq, known), before,
        changes(told, mine, known, clean) if told else (), _notes(told, known, clean) if told else (),
    )  # fmt: skip


def changes(told: ledger.Told, mine: set[str], known: Mapping[str, str], clean: Discretion) -> list[Change]:
    """Old beside new, of the event and of its lines about these tubes; nothing when it was not corrected."""
    old, new = told.said.header, told.header
    found = [*of_header(old, new, known), *of_data(old, {}, new, {})]
    bare = {"data": {}, "tz": new["tz"]}
    for was, now in zip(told.said.lines, told.lines, strict=True):
        if was != now and now.get("t") in mine:
            code = words.tube_code(now["t"])
            found += [
                Change(f"{code}: {one.name}", one.old, one.new)
                for one in [*of_data(bare, was, bare, now), *_result(was, now)]
            ]
    return [
        Change(one.name, clean(one.old), clean(one.new))
        for one in found if one.name.rpartition(": ")[2] not in HIDDEN
    ]  # fmt: skip


def _result(was: Mapping[str, str], now: Mapping[str, str]) -> list[Change]:
    old, new = was.get("result", ""), now.get("result", "")
    return [Change("result", old, new)] if old != new else []


def _notes(told: ledger.Told, known: Mapping[str, str], clean: Discretion) -> list[str]:
    found = []
    for one in notes(told, known):
        said = f"{words.kind_words(one.kind)} {words.when_offset(one.at_ms, one.tz)} by {one.who}, {one.org}"
        more = f" “{clean(one.words)}”" if one.words else ""
        found.append(
            f"{said} (event {one.seq}): {one.reason}.{more}{'' if one.live else ' Taken back since.'}"
        )
    return found


# --- who answered for them, and where nobody did --------------------------------------------------


def custody(lines: Mapping[str, Sequence[str]], said: Histories, now_ms: int) -> list[gaps.Custody]:
    """Of each tube."""
    return [gaps.through([(one, said[one]) for one in line], now_ms) for line in lines.values()]


def periods(found: Sequence[gaps.Custody]) -> list[Period]:
    """Of one tube each stretch as it is; of many joined by agency: the first time, the second time."""
    if len(found) == 1:
        return [
            Period(one.org, 1, one.start_ms, one.end_ms, _how([one]), one.tz, one.tube)
            for one in found[0].holds
        ]
    parts: dict[tuple[int, str], list[list[gaps.Hold]]] = {}
    for one in found:
        for n, stretch in enumerate(_by_agency(one.holds)):
            parts.setdefault((n, stretch[0].org), []).append(stretch)
    made = [_period(org, stretches) for (_, org), stretches in parts.items()]
    return sorted(made, key=lambda one: (one.start_ms, one.end_ms or 1 << 62))


def _by_agency(holds: Sequence[gaps.Hold]) -> list[list[gaps.Hold]]:
    found: list[list[gaps.Hold]] = []
    for one in holds:
        if found and found[-1][-1].org == one.org:
            found[-1].append(one)
        else:
            found.append([one])
    return found


def _period(org: str, stretches: Sequence[Sequence[gaps.Hold]]) -> Period:
    ends = [stretch[-1].end_ms for stretch in stretches]
    end = None if None in ends else max(one for one in ends if one is not None)
    start = min(stretch[0].start_ms for stretch in stretches)
    how = _how([one for stretch in stretches for one in stretch])
    return Period(org, len(stretches), start, end, how, stretches[0][0].tz)


def _how(holds: Sequence[gaps.Hold]) -> str:
    ways = dict.fromkeys(f"{one.where}: {one.words}" if one.where else one.words for one in holds)
    return "; ".join(ways)


def holes(found: Sequence[gaps.Custody]) -> list[tuple[str, int, bool]]:
    """(sentence, of how many tubes, only typed late), oldest first."""
    rows: dict[str, list[gaps.Gap]] = {}
    for one in found:
        for gap in one.gaps:
            rows.setdefault(gap.sentence, []).append(gap)
    ordered = sorted(rows.items(), key=lambda row: row[1][0].from_ms)
    return [(sentence, len(gaps_), gaps_[0].code == "typed_late") for sentence, gaps_ in ordered]
