"""Proof files: one event, some or all of its lines, and the way from each to a signed checkpoint.

Promises: the file proves itself to whoever has our public key, without us (`standalone/verify_custody.py`
checks it), and it tells nothing of the lines that are not shown but how many there are: their hashes are
salted one by one, and only the salts of the shown lines are in it. The event's header is shown whole.

A JSON object: `form`; `event` {header, recorded_ms, login, via}; `log` {index, hashes, checkpoint};
`lines` [{n, salt, text, hashes}]; `held` [{size, hashes}], the way from older checkpoints; `key_changes`.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from typing import Any
from uuid import UUID

from custody import checkpoints, keys, refold
from custody.core import canon, note, tree
from custody.core.refusal import Refused
from custody.models import Event
from custody.tiles import Stored

FORM = "custody-proof 1"


def build(
    event_id: str, codes: Collection[str] | None = None, held: Iterable[note.Checkpoint] = ()
) -> dict[str, Any]:
    """The proof of an event under the newest checkpoint, which is made when none covers the event.

    codes  tubes or units whose lines are shown; None: all
    held   older checkpoints of this log whose continuation is to be shown too
    Refused: event_unknown, tube_not_in_event, checkpoint_newer.
    """
    event = _event(event_id)
    made = checkpoints.covering(event.seq) or checkpoints.make("proof")
    stored = Stored()
    return {
        "form": FORM,
        "event": {
            "header": event.body,
            "recorded_ms": event.recorded_ms,
            "login": event.login,
            "via": event.via,
        },
        "log": {
            "index": event.seq,
            "hashes": _hex(tree.inclusion(event.seq, made.size, stored.part)),
            "checkpoint": made.note,
        },
        "lines": _lines(event, codes),
        "held": [_continued(one, made.size, stored) for one in held],
        "key_changes": keys.changes(),
    }


def text(proof: dict[str, Any]) -> str:
    """The file's text, laid out for reading."""
    return json.dumps(proof, indent=1, ensure_ascii=False) + "\n"


def _event(event_id: str) -> Event:
    """By its id, or by its number in the log."""
    try:
        wanted = {"seq": int(event_id)} if event_id.isdecimal() else {"event_id": UUID(event_id)}
    except ValueError:
        wanted = {"seq": -1}
    found = Event.objects.filter(**wanted).first()
    if found is None:
        raise Refused("event_unknown", "There is no such event.")
    return found


def _lines(event: Event, codes: Collection[str] | None) -> list[dict[str, Any]]:
    texts, salt = refold.line_texts([str(event.event_id)])[str(event.event_id)], bytes(event.salt)
    hashes = [tree.line_hash(salt, n, said) for n, said in enumerate(texts)]
    shown = [n for n, said in enumerate(texts) if codes is None or _subject(said) in codes]
    if absent := sorted(set(codes or ()) - {_subject(texts[n]) for n in shown}):
        raise Refused("tube_not_in_event", f"{absent[0]} is not in this event.", absent[0])

    def part(start: int, stop: int) -> bytes:
        return tree.root(hashes[start:stop])

    return [
        {
            "n": n,
            "salt": tree.line_salt(salt, n).hex(),
            "text": texts[n],
            "hashes": _hex(tree.inclusion(n, len(texts), part)),
        }
        for n in shown
    ]


def _subject(line: str) -> str:
    said = canon.read(line)
    return str(said.get("t") or said.get("u"))


def _continued(old: note.Checkpoint, size: int, stored: Stored) -> dict[str, Any]:
    if old.size > size:
        raise Refused("checkpoint_newer", "The checkpoint that is held is newer than this proof's.")
    return {"size": old.size, "hashes": _hex(tree.consistency(old.size, size, stored.part))}


def _hex(hashes: Iterable[bytes]) -> list[str]:
    return [one.hex() for one in hashes]
