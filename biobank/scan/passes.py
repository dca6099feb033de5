"""The pass of a person: what is collected, what was answered. The only place that writes it.

Promises: each change is made on the row as it is at that moment, so that two devices of one person lose
nothing; the list of answers stays short.
"""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor, ms
from biobank.models import Pass, Person
from biobank.scan.turn import NO, Answer, Bag, Change, nothing

KEPT = 20
Said = dict[str, Any]


def of(person: Person) -> Pass:
    """This person's pass, or a new one that is not kept yet. 1 query."""
    found = Pass.objects.filter(person=person).first()
    return found or Pass(person=person, updated=timezone.now())


def entry(mode: str, key: str, text: str, answer: Answer, bag: Bag | None = None) -> Said:
    """One line of the list of answers. bag: what was collected before, to be put back by an undo."""
    said = {
        "at": ms(timezone.now()), "mode": mode, "key": key, "text": text.strip()[:60], "word": answer.word,
        "sentence": answer.sentence, "code": answer.code, "tube": answer.tube, "event": answer.event,
        "taken": answer.taken, "asks": answer.asks, "to": answer.mode,
    }  # fmt: skip
    return said | ({"bag": bag} if bag else {})


def keep(actor: Actor, mode: str, said: Said | None, change: Change = nothing, to: str = "") -> None:
    """Changes what is collected in `mode`, adds a line to the list, goes on in `to` (empty: in `mode`)."""
    with transaction.atomic():
        row = _locked(actor.person)
        bag = row.held.get(mode, {})
        change(bag)
        row.held[mode] = bag
        row.mode = to or mode
        if said is not None:
            number = 1 + max((one["n"] for one in row.said), default=0)
            row.said = [{"n": number} | said, *row.said][:KEPT]
        row.updated = timezone.now()
        row.save(update_fields=["held", "mode", "said", "updated"])


def strike(actor: Actor, number: int) -> None:
    """This line of the list counts no more."""
    with transaction.atomic():
        row = _locked(actor.person)
        row.said = [one | {"undone": True} if one["n"] == number else one for one in row.said]
        row.save(update_fields=["said"])


def clear(actor: Actor) -> None:
    """Empties the list of answers; what is collected stays."""
    with transaction.atomic():
        row = _locked(actor.person)
        row.said = []
        row.save(update_fields=["said"])


def _locked(person: Person) -> Pass:
    row: Pass | None = Pass.objects.select_for_update().filter(person=person).first()
    return row or Pass.objects.get_or_create(person=person, defaults={"updated": timezone.now()})[0]


def same(row: Pass, mode: str, key: str, text: str, within_ms: int) -> Said | None:
    """The line that answers this scan already: the same form again, or a scanner that sent it twice."""
    now = ms(timezone.now())
    for one in row.said:
        if one["key"] == key and one["word"] != NO:
            return dict(one)
    newest = row.said[0] if row.said else None
    if newest and newest["text"] == text.strip()[:60] and newest["mode"] == mode:
        return dict(newest) if 0 <= now - newest["at"] < within_ms else None
    return None
