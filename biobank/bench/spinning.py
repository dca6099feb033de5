"""What a run of the centrifuge is measured against before it is said: the plan, the clot, a second spin.

Promises: departing from the plan is a warning and never stops anybody, since the run has happened; only a
second spin of a gel tube is refused, and with a reason it passes and the reason stands in the event.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from biobank.bench.queries import last
from biobank.core import codes
from biobank.models import PlannedTube, Rotor, Tube
from custody import queries as ledger
from custody.core import sprec_spin as sprec
from custody.core.refusal import Refused
from custody.core.state import Happening

MINUTE = 60_000
NEAR = 10  # a force within so many % of the plan's is the plan's; common practice, no source
GEL = {"SST"}


def refuse_again(tubes: Sequence[str], why: str) -> None:
    """Refused for the first gel tube that was spun before, unless a reason is given. 2 queries.

    Handling pages of laboratories and the CEBP article's table (no re-spin) are one in this.
    """
    if why.strip():
        return
    gel = set(Tube.objects.filter(code__in=tubes, additive__in=GEL).values_list("code", flat=True))
    said = ledger.histories(gel)
    for code in tubes:
        if code in gel and last(said[code], "spun"):
            raise Refused(
                "gel_spun_before",
                f"{codes.show(code)}: a gel tube is not spun again: what lay under the gel mixes with the "
                "serum. If it was spun again all the same, say why.",
                code,
            )


def warnings(tubes: Sequence[str], g: int, minutes: int, at_ms: int) -> list[str]:
    """One sentence for each way in which this run, begun at `at_ms`, is not what the plan says. 2 queries."""
    rows = Tube.objects.filter(code__in=tubes).select_related("planned")
    planned = {row.code: row.planned for row in rows if row.planned and not row.parent_hint}
    said = ledger.histories(planned)
    found: dict[str, list[str]] = {}
    for code, plan in planned.items():
        for sentence in (*_of_run(plan, g, minutes), *_of_clot(plan, said[code], at_ms)):
            found.setdefault(sentence, []).append(codes.show(code))
    return [f"{sentence} {', '.join(names)}." for sentence, names in found.items()]


def _of_run(plan: PlannedTube, g: int, minutes: int) -> Iterator[str]:
    if plan.spin_g and abs(g - plan.spin_g) * 100 > NEAR * plan.spin_g:
        yield f"The plan says {plan.spin_g} × g, this run was {g} × g:"
    if plan.spin_minutes and minutes != plan.spin_minutes:
        yield f"The plan says {plan.spin_minutes} min, this run was {minutes} min:"


def _of_clot(plan: PlannedTube, said: Sequence[Happening], at_ms: int) -> Iterator[str]:
    drawn = last(said, "drawn")
    if drawn is None:
        return
    age = at_ms - drawn.at_ms
    if plan.clot_min is not None and age < plan.clot_min * MINUTE:
        yield f"Spun {age // MINUTE} min after the draw, before the {plan.clot_min} min that the clot needs:"
    if plan.clot_max_min is not None and age > plan.clot_max_min * MINUTE:
        yield f"Spun {age // MINUTE} min after the draw, over the {plan.clot_max_min} min of the plan:"


def of_rotor(rotor: Rotor | None, tubes: Sequence[str]) -> Iterator[str]:
    """What the rotor says of so many tubes; nothing when none was chosen."""
    if rotor and len(tubes) > rotor.places:
        yield f"{len(tubes)} tubes were in this run, and {rotor.name} has {rotor.places} places."


def recorded(key: str) -> str:
    """How this spin stands in the ledger, in one sentence, with its SPREC element. 2 queries."""
    event = ledger.event(key)
    data = event.header["data"] if event else {}
    speed = f" at {data['rpm']} rpm" if data.get("rpm") else ""
    run = f"{data['g']} × g{speed}, {data['minutes']} min"
    return f"{run}: SPREC centrifugation {sprec.code(as_sprec(data), True)}."


def as_sprec(data: Mapping[str, Any]) -> sprec.Spin:
    """A recorded spin, as the preanalytical code sees it."""
    return sprec.Spin(data["g"], data["minutes"], data.get("centi_c"), data.get("brake"))
