"""The ledger's benchmarks, in a database of their own; append.py, verify.py and rebuild.py ask for one each.

Run as `python -m tests.bench._ledger NAME` with DATABASE_URL naming an empty database and DATA_DIR an empty
folder; prints the numbers as JSON. Both sides of a ratio are measured in this one process, in turns where
that can be: a slow machine slows both.
"""

from __future__ import annotations

import hashlib
import json
import os
import statistics
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.custody import apart

START = 1_780_000_000_000
TYPED = START + 2 * 3_600_000  # after all of it: what is typed before it happened would all be findings
EVENTS = int(os.environ.get("EVENTS") or 50_000)
SINGLES, LARGE, TUBES = 200, 12, 300
CHUNK = 2_000


def ask(name: str) -> dict[str, float]:
    """What that benchmark says, from a process and a database that are gone afterwards."""
    with TemporaryDirectory(prefix="bench-") as made, apart.database(Path(made)) as address:
        return apart.run(address, Path(made), "tests.bench._ledger", name, patience_s=7_200)


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from tests.custody.writers import make_tables

    make_tables()
    print(json.dumps({"append": append, "verify": verify, "rebuild": rebuild}[words[0]]()))


def rounded(said: dict[str, float]) -> dict[str, float]:
    return {name: float(f"{value:.4g}") for name, value in said.items()}


def ratios(said: dict[str, float], ours: str, others: Iterable[str]) -> dict[str, float]:
    return {f"{ours}_to_{other}": said[ours] / said[other] for other in others}


def timed(do: Callable[[], Any]) -> float:
    """Seconds."""
    begun = time.perf_counter()
    do()
    return time.perf_counter() - begun


# --- append -------------------------------------------------------------------------------------------------


def append() -> dict[str, float]:
    """One line, 300 lines, and a handoff of 300 with its signed checkpoint; beside each a bare INSERT of the
    same texts in one transaction. Tubes have two events behind them. Medians of single appends, in ms."""
    from django.db import connection

    with connection.cursor() as cursor:
        kind = "BLOB" if connection.vendor == "sqlite" else "BYTEA"
        cursor.execute(
            f"CREATE TABLE bare_event (seq BIGINT PRIMARY KEY, body TEXT, salt {kind}, leaf {kind})"
        )
        cursor.execute("CREATE TABLE bare_line (seq BIGINT, n INT, body TEXT, PRIMARY KEY (seq, n))")
    many = [[f"L{n:03}T{k:03}" for k in range(TUBES)] for n in range(2 * LARGE)]
    for tubes in [[f"S{n:04}" for n in range(SINGLES)], *many]:
        write(act("label_printed", tubes, role="new"))
        write(act("drawn", tubes, ul=1_000))
    one = pairs(act("thawed", [f"S{n:04}"]) for n in range(SINGLES))
    large = pairs(act("thawed", tubes) for tubes in many[:LARGE])
    handoffs = pairs(act("handed_off", tubes, data={"to": "TFL", "how": "hand"}) for tubes in many[LARGE:])
    said = {
        "one_ms": one[0], "one_bare_ms": one[1], "lines_300_ms": large[0], "lines_300_bare_ms": large[1],
        "handoff_300_ms": handoffs[0], "handoff_300_bare_ms": handoffs[1],
    }  # fmt: skip
    return rounded(said | {
        "one_per_second": 1_000 / one[0], "one_ratio": one[0] / one[1],
        "lines_300_ratio": large[0] / large[1], "handoff_300_ratio": handoffs[0] / handoffs[1],
    })  # fmt: skip


def pairs(acts: Iterable[Any]) -> tuple[float, float]:
    """Median ms of recording these, and of the bare INSERT of each one's texts right after it."""
    ours, bare = [], []
    for said in acts:
        ours.append(timed(lambda said=said: write(said)))
        bare.append(bare_insert(said.id))
    return statistics.median(ours) * 1_000, statistics.median(bare) * 1_000


def bare_insert(event_id: str) -> float:
    """Seconds for the same bytes in one transaction, without any of our code."""
    from django.db import connection, transaction

    from custody.models import Event, Line

    event = Event.objects.get(event_id=event_id)
    row = (event.seq, event.body, bytes(event.salt), bytes(event.leaf))
    lines = [
        (event.seq, n, text)
        for n, text in Line.objects.filter(event=event).order_by("n").values_list("n", "text")
    ]

    def insert() -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("INSERT INTO bare_event VALUES (%s, %s, %s, %s)", row)
            cursor.executemany("INSERT INTO bare_line VALUES (%s, %s, %s)", lines)

    return timed(insert)


def act(kind: str, tubes: list[str], *, minute: int = 0, role: str = "subj", data: Any = None, **line: Any):
    from custody.core.event import Act, new_id

    lines = [{"t": tube, "role": role} | line for tube in tubes]
    at = START + (minute or {"label_printed": 0, "drawn": 1}.get(kind, 2)) * 60_000
    return Act(kind=kind, at_ms=at, by="p1", org="SSS", id=new_id(), data=data or {}, lines=lines)


def write(*said: Any) -> None:
    from custody.record import record

    record(list(said), login="labtech")


# --- verify and rebuild -------------------------------------------------------------------------------------


def verify() -> dict[str, float]:
    from custody.verify import verify as whole

    fill(EVENTS)
    read, hashed = bare_pass()
    said = {"events": EVENTS, "bare_read_s": read, "bare_hash_s": hashed}
    said["verify_s"] = timed(lambda: must(whole().wrong == []))
    return rounded(compared(said, "verify_s"))


def rebuild() -> dict[str, float]:
    from custody import rebuild as made

    fill(EVENTS)
    read, hashed = bare_pass()
    said = {"events": EVENTS, "bare_read_s": read, "bare_hash_s": hashed}
    said["rebuild_s"] = timed(made.rebuild)
    said["compare_s"] = timed(lambda: must(made.differences() == []))
    return rounded(compared(compared(said, "rebuild_s"), "compare_s"))


def compared(said: dict[str, float], ours: str) -> dict[str, float]:
    short, bare = ours.removesuffix("_s"), said["bare_read_s"] + said["bare_hash_s"]
    return said | {
        f"{short}_per_second": said["events"] / said[ours],
        f"{short}_to_hash": said[ours] / said["bare_hash_s"],
        f"{short}_to_read_and_hash": said[ours] / bare,
    }


def must(holds: bool) -> None:
    if not holds:
        raise SystemExit("The ledger that was measured does not hold.")


def bare_pass() -> tuple[float, float]:
    """Seconds to read every text of the ledger by plain SQL, and to hash each once with SHA-256."""
    from django.db import connection

    read = hashed = 0.0
    for sql in [
        "SELECT body, salt, leaf, login, via FROM custody_event ORDER BY seq",
        "SELECT text FROM custody_line ORDER BY event_id, n",
    ]:
        with connection.chunked_cursor() as cursor:
            begun = time.perf_counter()
            cursor.execute(sql)
            while rows := cursor.fetchmany(CHUNK):
                got = time.perf_counter()
                for row in rows:
                    hashlib.sha256(row[0].encode()).digest()
                read, hashed = read + got - begun, hashed + time.perf_counter() - got
                begun = time.perf_counter()
    return read, hashed


def fill(size: int) -> None:
    """That many events."""
    store(islice(lives(), size))
    with suppress(Exception):
        analyse()


def store(said: Iterator[Any]) -> None:
    """These acts, hashed as they are when people write them, put in by the thousand; nothing is derived."""
    from django.db import transaction

    from custody import record
    from custody.models import Event, Head, Line

    seq = Event.objects.count()
    while batch := list(islice(said, CHUNK)):
        written = [record._write(one) for one in batch]
        rows = [row(one, seq + n) for n, one in enumerate(written)]
        with transaction.atomic():
            Event.objects.bulk_create(rows, batch_size=500)
            Line.objects.bulk_create(
                (
                    Line(event_id=one.act.id, n=n, text=text, **subject(line))
                    for one in written
                    for n, (line, text) in enumerate(zip(one.act.lines, one.texts, strict=True))
                ),
                batch_size=500,
            )
        seq += len(batch)
    Head.objects.update_or_create(id=1, defaults={"size": seq, "recorded_ms": TYPED + seq})


def subject(line: dict[str, Any]) -> dict[str, str]:
    return {"what": "t", "subject": line["t"]} if "t" in line else {"what": "u", "subject": line["u"]}


def row(one: Any, seq: int) -> Any:
    from custody.core import canon, tree
    from custody.models import Event

    said, now = one.act, TYPED + seq
    return Event(
        event_id=said.id, seq=seq, kind=said.kind, at_ms=said.at_ms, by=said.by, org=said.org,
        device=said.dev, recorded_ms=now, login="labtech", via="live", body=one.body, salt=one.salt,
        leaf=canon.leaf(tree.entry(now, "labtech", one.body, "live")),
    )  # fmt: skip


def analyse() -> None:
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def lives() -> Iterator[Any]:
    """Three tubes at a time, from the label into the freezer: 6 events of 12 lines."""
    n = 0
    while True:
        tubes = [f"T{n:08}{k}" for k in range(3)]
        yield act("label_printed", tubes, role="new", label="Serum 1", matrix="BLD", additive="SST")
        yield act("drawn", tubes, ul=5_000, data={"workup": f"W-{n}"})
        yield act("spun", tubes, minute=30, data={"g": 1_500, "minutes": 10})
        for k, tube in enumerate(tubes):
            yield act(
                "put_away",
                [tube],
                minute=60,
                unit=f"B{n // 27:05}",
                row=n % 27 // 3 + 1,
                col=n % 3 * 3 + k + 1,
            )
        n += 1


if __name__ == "__main__":
    main(sys.argv[1:])
