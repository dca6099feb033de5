"""Reading back what the ledger holds, a million texts at a time.

Promises: the same values as `canon.read` gives, and ValueError for what is no such text. Only for texts that
were canonical when they were written: what a device sends is read by `canon` and `received`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec


class Lines(msgspec.Struct, frozen=True):
    """How many lines were written with an event, and the root over them in hex."""

    n: int
    root: str


class Header(msgspec.Struct, frozen=True):
    """What a header says of an event; `data` as the text it is. ref, n: None when it says none."""

    id: str
    kind: str
    at: int
    by: str
    org: str
    dev: str
    data: msgspec.Raw
    lines: Lines
    ref: str | None = None
    n: int | None = None


class Named(msgspec.Struct, frozen=True):
    """Whom a line is about: a tube or a unit."""

    t: str | None = None
    u: str | None = None


read: Callable[[str | bytes], Any] = msgspec.json.Decoder().decode
header: Callable[[str], Header] = msgspec.json.Decoder(Header).decode
named: Callable[[str], Named] = msgspec.json.Decoder(Named).decode
