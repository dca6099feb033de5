"""Bringing back what was out, and saying whether it thawed.

Promises: every function raises Refused (code, sentence) and changes nothing, or does what it says once,
however often the same form is sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, act, perform_all, saving
from biobank.bench.hands import in_hand, repeated
from biobank.disposal.returned import question
from biobank.models import ExposureLimit, ThawAnswer
from biobank.store import actions as store
from biobank.store import carry as carrying
from custody.core.event import derived_id
from custody.core.refusal import Refused
from custody.record import MOST_LINES

LATE = "out of the cold for too long"
NOT_ASKED = "Nothing is asked about this return, or it was answered already."


def bring_back(
    actor: Actor,
    key: str,
    *,
    to: str,
    unit: str = "",
    tubes: Sequence[str] = (),
    slot: str = "",
    note: str = "",
    at: datetime | None = None,
) -> str:
    """A unit (box, rack) or tubes go into the cold again: one `moved` or `put_away` event; its id.

    note: needed where `carry`, `put_away` and `move` of the store need one. Refused: unit_or_tubes,
    mixed_places, and what those refuse.
    """
    if bool(unit.strip()) == bool(tubes):
        raise Refused("unit_or_tubes", "Scan either the box or rack that comes back, or tubes, not both.")
    if unit.strip():
        return carrying.carry(actor, key, unit, to, note, at)
    if repeated(actor, key, "put_away" if _put_away(actor, key) else "moved"):
        return key
    standing = {state.status == "stored" for state in in_hand(actor, tubes).values()}
    if len(standing) > 1:
        raise Refused(
            "mixed_places", "Some of these tubes are in hand and some stand somewhere. Scan them apart."
        )
    return (store.move if standing.pop() else store.put_away)(actor, key, tubes, to, slot, at, note)


def _put_away(actor: Actor, key: str) -> bool:
    """Whether this form was sent before and put tubes away (else it moved them, or it is new)."""
    try:
        return repeated(actor, key, "put_away")
    except Refused:
        return False


def answer(actor: Actor, key: str, returned: str, counted: bool, why: str = "") -> None:
    """Whether a thaw is counted for what this event brought back.

    Yes: one `thawed` event for all of them (one more for each further 1,000), at the moment of the return.
    No: a reason is needed, and it is kept. Refused: thaw_not_asked, reason_required.
    """
    if ThawAnswer.objects.filter(key=key, returned=returned).exists():
        return
    asked = question(returned, actor.org, actor.person.programme)
    if asked is None:
        raise Refused("thaw_not_asked", NOT_ASKED)
    reason = why.strip() if counted else store.stated(why)
    row = ThawAnswer(
        key=key, returned=returned, counted=counted, why=reason or LATE, at=timezone.now(), by=actor.person
    )  # fmt: skip
    if not counted:
        with transaction.atomic():
            _save(row)
        return
    _count(actor, key, asked.tubes, asked.at_ms, row)


def _save(row: ThawAnswer) -> None:
    """Unless somebody else answered in between."""
    if ThawAnswer.objects.filter(returned=row.returned).exists():
        raise Refused("thaw_not_asked", NOT_ASKED)
    row.save(force_insert=True)


def _count(actor: Actor, key: str, tubes: Sequence[str], at_ms: int, row: ThawAnswer) -> None:
    parts = [tubes[n : n + MOST_LINES] for n in range(0, len(tubes), MOST_LINES)]
    ids = [key, *(derived_id(key, f"thaw {n}") for n in range(1, len(parts)))]
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    acts = [
        act(actor, "thawed", key=name, at=at, data={"why": row.why},
            lines=[{"t": code, "role": "subj"} for code in part])
        for name, part in zip(ids, parts, strict=True)
    ]  # fmt: skip
    perform_all(actor, acts, before=lambda: _save(row))


def set_limit(actor: Actor, *, band: str, minutes: int, source: str) -> ExposureLimit:
    """How long what is kept at this class may be out, with who says so."""
    programme = actor.person.programme
    row = ExposureLimit.objects.filter(programme=programme, band=band).first()
    row = row or ExposureLimit(programme=programme, band=band)
    row.minutes, row.source = minutes, store.stated(source)
    with saving(actor.person.user, row.source, row):
        row.save()
    return row
