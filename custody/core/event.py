"""An act that somebody says has happened, before and after it is written down.

Promises: an `Act` turns into one header object whose fields never change meaning
(`v` says which reading of them applies), and an id made where the thing happened is the
key that makes a repeated submission one event.
"""

from __future__ import annotations

import os
import time
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

VERSION = 1

Value = Any  # text, int, bool, None, list or dict: what canon.text() accepts


def new_id(now_ms: int | None = None) -> str:
    """A UUIDv7 (RFC 9562 section 5.7): 48 bits of Unix milliseconds, then random bits.

    Used as a key and for index order, never as evidence of time.
    """
    ms = time.time_ns() // 1_000_000 if now_ms is None else now_ms
    number = (ms & (1 << 48) - 1) << 80 | int.from_bytes(os.urandom(10), "big")
    number = number & ~(0xF << 76) | 0x7 << 76  # version 7
    number = number & ~(0x3 << 62) | 0x2 << 62  # RFC variant
    return str(uuid.UUID(int=number))


def derived_id(key: str, name: str) -> str:
    """A second id that follows from a first, for a form that makes more than one event.

    The same form sent twice gives the same ids, so it stays one set of events (UUIDv5).
    """
    return str(uuid.uuid5(uuid.UUID(key), name))


@dataclass(frozen=True)
class Act:
    """What happened, said by whom.

    kind     one of custody.core.kinds.KINDS
    at_ms    when it happened, UTC milliseconds; off_min and tz are the local offset in minutes
             and the zone in which a person said it; unc_s how uncertain, in seconds
    by, org  person code and agency code of who did it; rec_by, rec_at who typed it and when
    id       UUID text; the idempotency key
    ref      id of the event that this one answers
    lines    one object per tube (`t`) or unit (`u`)
    dev      the device that said it ("web" for this site's own pages)
    extra    header fields that only a device knows (`n`, `prev`, `sess`, `mono`)
    """

    kind: str
    at_ms: int
    by: str
    org: str
    id: str = field(default_factory=new_id)
    off_min: int = 0
    tz: str = "UTC"
    unc_s: int = 0
    data: Mapping[str, Value] = field(default_factory=dict)
    lines: Sequence[Mapping[str, Value]] = ()
    ref: str | None = None
    rec_by: str | None = None
    rec_at: int | None = None
    dev: str = "web"
    extra: Mapping[str, Value] = field(default_factory=dict)

    def header(self, root: str) -> dict[str, Value]:
        """The object whose canonical text is hashed; `root` is the hex root over the lines."""
        said = {
            "v": VERSION,
            "id": self.id,
            "kind": self.kind,
            "at": self.at_ms,
            "off": self.off_min,
            "tz": self.tz,
            "unc_s": self.unc_s,
            "by": self.by,
            "org": self.org,
            "rec_by": self.rec_by or self.by,
            "rec_at": self.rec_at if self.rec_at is not None else self.at_ms,
            "dev": self.dev,
            "data": dict(self.data),
            "lines": {"n": len(self.lines), "root": root},
        }
        return said | dict(self.extra) | ({"ref": self.ref} if self.ref else {})
