"""Lives worked out and kept, and whether what is kept still holds.

Promises: a kept result is never edited but for `current` and the hint `stale`; when nothing that went in
changed, nothing is written; a life that changed gets a new result and the old one stays. `fresh` compares
fingerprints and unpacks no reading.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from django.db import IntegrityError, transaction

from biobank.models import ThermalResult
from biobank.temperature.life import Life, lived
from biobank.temperature.life_inputs import ALGORITHM, Inputs, Known, known_of
from biobank.temperature.life_kept import written
from biobank.temperature.life_plan import Plans, plans_of
from custody import queries as ledger
from custody.core.state import FILLED

AT_ONCE = 20_000  # tubes whose lives are in memory together; each logger is loaded once for so many
SLICE = 500
NEVER_WORKED_OUT, NO_LIFE = "it was never worked out", "it was never filled"


@dataclass(frozen=True)
class Done:
    """How many lives were worked out anew, how many were as kept, how many tubes have none."""

    new: int = 0
    same: int = 0
    none: int = 0

    def __add__(self, other: Done) -> Done:
        return Done(self.new + other.new, self.same + other.same, self.none + other.none)


def kept(codes: Iterable[str]) -> dict[str, ThermalResult]:
    """The current result of each tube that has one. 1 query for 500 tubes."""
    wanted, found = list(codes), dict[str, ThermalResult]()
    for k in range(0, len(wanted), SLICE):
        rows = ThermalResult.objects.filter(tube__in=wanted[k : k + SLICE], current=True)
        found |= {row.tube: row for row in rows}
    return found


Head = tuple[int, str]  # primary key and fingerprint of a current result


def _heads(codes: Sequence[str]) -> dict[str, Head]:
    """Without the lives, which are large. 1 query for 500 tubes."""
    found = dict[str, Head]()
    for k in range(0, len(codes), SLICE):
        rows = ThermalResult.objects.filter(tube__in=codes[k : k + SLICE], current=True)
        found |= {tube: (pk, inputs) for tube, pk, inputs in rows.values_list("tube", "pk", "inputs")}
    return found


def fresh(codes: Iterable[str]) -> dict[str, str]:
    """Why the kept result of each tube does not hold; empty: it does. An open life's holds as of its moment:
    nothing is known that would change it or that came after. No reading is unpacked. At most 33 queries, and
    1 more for each 500 results that do not hold."""
    wanted = list(dict.fromkeys(codes))
    return _fresh(wanted, *_known(wanted), _heads(wanted))


def _known(codes: Sequence[str]) -> tuple[Plans, Known]:
    plans = plans_of(codes)
    return plans, known_of(plans.by_tube.values(), plans.highest)


def _fresh(codes: Iterable[str], plans: Plans, known: Known, heads: Mapping[str, Head]) -> dict[str, str]:
    inputs = {code: known.of(plan) for code, plan in plans.by_tube.items()}
    old = [code for code, one in inputs.items() if code in heads and heads[code][1] != one.whole]
    parts = {row.tube: row.life.get("parts", {}) for row in kept(old).values()}
    return {code: _why(inputs.get(code), heads.get(code), parts.get(code)) for code in codes}


def _why(inputs: Inputs | None, head: Head | None, parts: Mapping[str, str] | None) -> str:
    if inputs is None:
        return NO_LIFE
    if head is None:
        return NEVER_WORKED_OUT
    return "" if parts is None else inputs.against(parts) or "something changed"


def everybody() -> list[str]:
    """Every tube that holds or held something, those of one unit together. 1 query."""
    found = ledger.find(status__in=FILLED)
    return [one.tube for one in sorted(found, key=lambda one: (one.unit or "", one.tube))]


def together(codes: Sequence[str]) -> Iterator[Sequence[str]]:
    """So many at once as fit into memory."""
    for k in range(0, len(codes), AT_ONCE):
        yield codes[k : k + AT_ONCE]


def work_out(codes: Iterable[str], now_ms: int, progress: Callable[[int], object] = lambda n: None) -> Done:
    """Works out and keeps those lives whose kept result does not hold. progress: is told how many are
    done."""
    done = Done()
    for part in together(list(dict.fromkeys(codes))):
        done += _work_out(part, now_ms, progress)
    return done


def _work_out(codes: Sequence[str], now_ms: int, progress: Callable[[int], object]) -> Done:
    plans, known = _known(codes)
    heads = _heads(codes)
    why = _fresh(codes, plans, known, heads)
    wanted = [code for code in codes if why[code] and why[code] != NO_LIFE]
    lives = lived(plans, known, now_ms, wanted)
    progress(len(codes) - len(wanted))
    _still_so([heads[code][0] for code in codes if not why[code]])
    _no_more([pk for code, (pk, _) in heads.items() if why[code] == NO_LIFE])
    for k in range(0, len(wanted), SLICE):
        part = [lives[code] for code in wanted[k : k + SLICE] if code in lives]
        _keep(part, datetime.fromtimestamp(now_ms / 1000, UTC))
        progress(len(wanted[k : k + SLICE]))
    same = sum(not one for one in why.values())
    return Done(len(lives), same, len(codes) - same - len(lives))


def _still_so(rows: Sequence[int]) -> None:
    """The fingerprint says that they hold: the hint was wrong."""
    for k in range(0, len(rows), SLICE):
        ThermalResult.objects.filter(pk__in=rows[k : k + SLICE]).exclude(stale="").update(stale="")


def _no_more(rows: Sequence[int]) -> None:
    """The act by which they came to hold something was voided: there is no life, and no current result."""
    for k in range(0, len(rows), SLICE):
        ThermalResult.objects.filter(pk__in=rows[k : k + SLICE]).update(current=False)


def _keep(lives: Sequence[Life], at: datetime) -> None:
    try:
        _replace(lives, at)
    except IntegrityError:  # somebody else kept one of them at the same moment; now theirs is seen
        _replace(lives, at)


@transaction.atomic
def _replace(lives: Sequence[Life], at: datetime) -> None:
    ThermalResult.objects.filter(tube__in=[one.tube for one in lives], current=True).update(current=False)
    ThermalResult.objects.bulk_create(
        ThermalResult(
            tube=one.tube, computed=at, asof_ms=one.asof_ms, open=one.open, algorithm=ALGORITHM,
            inputs=one.inputs.whole, life=written(one), measured_ms=one.whole.measured_ms,
            assumed_ms=one.whole.assumed_ms, no_data_ms=one.whole.no_data_ms,
        )
        for one in lives
    )  # fmt: skip
