"""The table of items that could not be taken: put in, looked up, settled. `custody.sync` decides.

Promises: an item is kept as it was sent and is never deleted; the same item of the same device is one row;
what is kept in a day is limited, by device and by login.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.db.models import Count, Q, Sum

from custody.core.received import LONGEST_ITEM
from custody.core.refusal import Refused
from custody.models import Held

DAY_MS = 86_400_000
MOST_ROWS = 300  # open rows of one device, and of one login, in 24 hours
MOST_BYTES = 10_000_000
LONGEST_RAW = 2 * LONGEST_ITEM
# what a person may let in all the same, after looking at it: who may say it is in doubt, not what it says
DOUBTS = frozenset({
    "device_unknown", "device_revoked", "device_foreign", "agency_foreign", "person_foreign",
    "number_missing", "signature_missing", "signature_wrong", "amends_foreign", "amends_in_future",
    "closes_finding",
})  # fmt: skip


def written(item: Any) -> str:
    """The item as ASCII that every database can keep: a lone surrogate or a NUL is an escape."""
    try:
        return json.dumps(item, ensure_ascii=True)
    except (ValueError, TypeError, RecursionError):
        try:
            return json.dumps({"not JSON": repr(item)})
        except (ValueError, RecursionError):
            return json.dumps({"not JSON": type(item).__name__})


def plain(text: str, longest: int) -> str:
    """The same without what a database or a page cannot keep."""
    shown = text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\0")
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def room(device: str, login: str) -> None:
    """Refused (held_too_many) when too much of this device or login waits to be looked at."""
    since = time.time_ns() // 1_000_000 - DAY_MS
    waiting = Held.objects.filter(recorded_ms__gt=since, settled_as="")
    for whose in (Q(device=plain(device, 40)), Q(login=login)):
        told = waiting.filter(whose).aggregate(rows=Count("pk"), size=Sum("size"))
        if told["rows"] >= MOST_ROWS or (told["size"] or 0) >= MOST_BYTES:
            raise Refused(
                "held_too_many",
                "Too many items of this device wait to be looked at. Keep them, and try later.",
            )


def hold(raw: str, no: Refused, device: str, login: str, waits_for: str | None = None) -> Held:
    """Keep an item with the reason; the row that is there already when it was sent before."""
    sha256 = hashlib.sha256(raw.encode()).hexdigest()
    event_id, number = _calls_itself(raw, device)
    told = {
        "raw": raw[:LONGEST_RAW], "size": len(raw), "code": no.code, "why": plain(no.sentence, 500),
        "login": login, "recorded_ms": time.time_ns() // 1_000_000, "event_id": event_id, "number": number,
        "waits_for": waits_for,
    }  # fmt: skip
    row, made = Held.objects.get_or_create(device=plain(device, 40), sha256=sha256, defaults=told)
    if not made and row.code != no.code and not row.settled_as:
        another_reason(row, no, waits_for)
        row.refresh_from_db()
    return row


def _calls_itself(raw: str, device: str) -> tuple[UUID | None, int | None]:
    """Id and number among this device's events, where they can be read without believing anything else."""
    try:
        said = json.loads(json.loads(raw)["header"]) if len(raw) <= LONGEST_ITEM else {}
        number = said.get("n")
        good = isinstance(number, int) and not isinstance(number, bool) and 0 < number < 2**53
        good = good and said.get("dev") == device
        return _uuid(said.get("id")), number if good else None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None, None


def _uuid(value: Any) -> UUID | None:
    try:
        return UUID(value) if isinstance(value, str) else None
    except ValueError:
        return None


def open_row(pk: int) -> Held | None:
    return Held.objects.filter(pk=pk).first()


def waiting_for(ids: Iterable[str]) -> list[Held]:
    """Items that can be tried again now that these events are there."""
    return list(Held.objects.filter(waits_for__in=list(ids), settled_as="").order_by("pk"))


def another_reason(row: Held, no: Refused, waits_for: str | None = None) -> None:
    """It still cannot be taken, but for another reason than before."""
    told = {"code": no.code, "why": plain(no.sentence, 500), "waits_for": waits_for}
    Held.objects.filter(pk=row.pk, settled_as="").update(**told)


def taken(device: str, raws: Iterable[str], login: str) -> None:
    """Close what waits of these items: they were sent again, and now they are in the ledger."""
    keys = [hashlib.sha256(raw.encode()).hexdigest() for raw in raws]
    waiting = Held.objects.filter(device=plain(device, 40), sha256__in=keys, settled_as="")
    for pk in waiting.values_list("pk", flat=True):
        settle(pk, "arrived", login)


def settle(pk: int, outcome: str, login: str, note: str = "") -> bool:
    """Close an item; False when somebody else has closed it already."""
    now = time.time_ns() // 1_000_000
    told = {"settled_as": outcome, "settled_by": login, "settled_ms": now, "note": plain(note, 500)}
    return bool(Held.objects.filter(pk=pk, settled_as="").update(**told))
