"""What tests/bench/readings.py measures, in the database that DATABASE_URL names."""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

A_FILE = 30 * 86_400_000  # ms: what one download holds
PLAIN_ROWS = 300_000  # stored one by one, beside


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", run_syncdb=True, verbosity=0)
    print(json.dumps(measured(int(words[0]), int(words[1]), Path(words[2]))))


def measured(readings: int, intervals: int, file: Path) -> dict[str, Any]:
    from django.db import connection

    from biobank.models import ReadingBlock
    from tests import people as builders
    from tests.bench import _thermal

    agency = builders.make_people().nlb
    before, spent = file.stat().st_size, {"first": 0.0, "again": 0.0}
    asked, n, plain = {}, 0, 0.0
    for k, made in enumerate(_thermal.loggers(readings, intervals)):
        logger = _logger(agency, k)
        if not k:
            plain = _one_by_one(made.times[:PLAIN_ROWS], made.centi[:PLAIN_ROWS])
        for turn in spent:
            spent[turn] += _import(logger, made.times, made.centi)
        asked[logger.pk] = (made.a, made.b)
        n += len(made.times)
    held = ReadingBlock.objects.count()
    connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = file.stat().st_size - before
    rate = n / spent["first"]
    return {
        "readings": n, "blocks": held, "bytes_per_reading": round(size / n, 2), "mb": round(size / 1e6, 1),
        "stored_per_s": round(rate), "again_per_s": round(n / spent["again"]),
        "written_again": ReadingBlock.objects.filter(revision__gt=1).count(),
        "row_by_row_per_s": round(plain), "ratio_to_row_by_row": round(rate / plain, 2), **_asked(asked),
    }  # fmt: skip


def _logger(agency: Any, k: int) -> Any:
    from biobank.models import Logger

    return Logger.objects.create(code=f"BENCH-{k}", agency=agency, interval_s=300)


def _import(logger: Any, times: np.ndarray, centi: np.ndarray) -> float:
    """Seconds to store a logger's readings as its monthly files would be, each in its own transaction."""
    from django.db import transaction

    from biobank.temperature import blocks, sealing

    files = np.split(np.arange(len(times)), np.flatnonzero(np.diff(times // A_FILE)) + 1)
    begun = time.perf_counter()
    for part in files:
        with transaction.atomic():
            days = sealing.days(logger, blocks.of(times[part], centi[part], 900_000))
            sealing.write(logger, [day for day in days if day.changes], None)
    return time.perf_counter() - begun


def _one_by_one(times: np.ndarray, centi: np.ndarray) -> float:
    """Readings a second as one row each, by the database's own module in one transaction."""
    with TemporaryDirectory() as folder:
        base = sqlite3.connect(Path(folder) / "rows.sqlite3")
        base.execute("CREATE TABLE r (logger INT, t INT, c INT, PRIMARY KEY (logger, t)) WITHOUT ROWID")
        begun = time.perf_counter()
        with base:
            rows = zip(times.tolist(), centi.tolist(), strict=True)
            base.executemany("INSERT INTO r VALUES (1, ?, ?)", rows)
        spent = time.perf_counter() - begun
        base.close()
    return len(times) / spent


def _asked(asked: dict[int, tuple[np.ndarray, np.ndarray]]) -> dict[str, Any]:
    """Every stretch answered from the database: read, unseal, decode, build, ask; and the reading alone."""
    from biobank.temperature import blocks
    from tests.bench import _thermal

    spans = {pk: (int(a.min()), int(b.max())) for pk, (a, b) in asked.items()}
    begun, reading = time.perf_counter(), 0.0
    mark = begun
    for pk, loaded in blocks.each(spans):
        reading += time.perf_counter() - mark
        loaded.series().measure(*asked[pk], _thermal.LIMITS)
        mark = time.perf_counter()
    total = time.perf_counter() - begun
    count = sum(len(a) for a, _ in asked.values())
    return {"intervals": count, "answered_s": round(total, 2), "of_it_reading_s": round(reading, 2)}


if __name__ == "__main__":
    main(sys.argv[1:])
