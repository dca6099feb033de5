"""What stands on the labels of a set's tubes, read from plan, set and ledger."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from biobank.labels.content import LabelContent
from biobank.models import ADDITIVES, Tube, TubeSet
from custody import queries as ledger
from custody.core.state import Happening

from .actions import nominal_ul

WHICH = {"all": {}, "primaries": {"parent_hint": ""}, "aliquots": {"parent_hint__gt": ""}}


def labels_of(sets: Sequence[TubeSet], which: str = "all", only: Iterable[str] = ()) -> list[LabelContent]:
    """The labels of these sets, set by set, primaries in order of draw, then aliquots. At most 5 queries.

    A tube that was printed again gets the number of its latest copy.
    """
    tubes = Tube.objects.filter(tube_set__in=sets, **WHICH[which]).select_related(
        "planned", "planned_aliquot", "tube_set__workup", "tube_set__day"
    )
    tubes = tubes.filter(code__in=list(only)) if only else tubes
    place = {one.pk: n for n, one in enumerate(sets)}
    found = sorted(tubes, key=lambda tube: (place[tube.tube_set_id], *in_order(tube)))
    histories = ledger.histories([tube.code for tube in found])
    return [_label(tube, latest_copy(histories[tube.code])) for tube in found]


def in_order(tube: Tube) -> tuple[bool, int, str]:
    """Primaries as they are drawn, then aliquots by number."""
    draw = tube.planned.order_of_draw if tube.planned and not tube.parent_hint else 0
    return bool(tube.parent_hint), draw, tube.code


def latest_copy(said: Iterable[Happening]) -> int:
    return max((one.data.get("copy") or 0 for one in said if one.line["role"] == "copy"), default=0)


def _label(tube: Tube, copy: int) -> LabelContent:
    one, planned = tube.tube_set, tube.planned
    assert one is not None
    return LabelContent(
        code=tube.code,
        set_code=one.code,
        title=tube.label,
        additive=dict(ADDITIVES).get(tube.additive, tube.additive),
        cap=planned.cap if planned and not tube.parent_hint else "",
        volume_ul=nominal_ul(tube),
        target=_degrees(_target(tube)),
        workup=one.workup.code if one.workup else "",
        date=one.day.date.isoformat() if one.day else "",
        copy=copy,
    )


def _target(tube: Tube) -> int | None:
    planned = tube.planned_aliquot or tube.planned
    return planned.target_centi if planned else None


def _degrees(centi: int | None) -> str:
    """Whole degrees, as there is little room: −80 °C."""
    return "" if centi is None else f"{centi / 100:g} °C".replace("-", "−")
