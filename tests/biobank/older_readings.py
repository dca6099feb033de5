"""A database in which a day of readings was several rows, brought up to date.

Run as `python -m tests.biobank.older_readings` with DATABASE_URL naming an empty database and DATA_DIR an
empty one; prints what stands in it afterwards as JSON.
"""

from __future__ import annotations

import hashlib
import json
import os
from typing import Any

import django
import numpy as np

BEFORE = [
    ("biobank", "0004_bench_store_disposal_evacuation"),
    ("custody", "0004_fill_and_indexes"),
    ("auth", "0012_alter_user_first_name_max_length"),
]
DAY, DAY_MS = 20_000, 86_400_000
ROWS = [  # of one day: from minute, minutes, how many, gap limit ms
    (0, 5, 30, 900_000),
    (200, 5, 20, 900_000),
    (152, 16, 3, 2_880_000),
]


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    from django.core.management import call_command
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    old = MigrationExecutor(connection).migrate(BEFORE)
    fill(old.apps)
    call_command("migrate", verbosity=0)
    print(json.dumps(stands()))


def fill(old: Any) -> None:
    model = lambda name: old.get_model("biobank", name).objects  # noqa: E731
    agency = model("Agency").create(code="NLB", name="Northlight Biobank")
    programme = model("Programme").create(code="SKARVIK", name="Skarvik Bay", tz="Europe/Oslo")
    person = model("Person").create(
        code="L1", name="Lab", agency_id=agency.pk, programme_id=programme.pk, role="labtech"
    )
    for code in ("T-01", "T-02"):
        logger = model("Logger").create(code=code, agency_id=agency.pk, interval_s=300)
        for k, (first, step, count, gap) in enumerate(ROWS):
            source = model("LoggerImport").create(
                key=f"00000000-0000-7000-8000-00000000{code[-2:]}0{k}", logger_id=logger.pk, rows=count,
                person_id=person.pk, file_name="old.csv", sha256="0" * 64, content=b"", mapping_spec={},
                stored=count, first_ms=0, last_ms=1,
            )  # fmt: skip
            _day(model("ReadingDay"), logger, source, (first, step, count, gap), broken=code == "T-02")


def _day(rows: Any, logger: Any, source: Any, said: tuple[int, int, int, int], broken: bool) -> None:
    first, step, count, gap = said
    times = ((first + step * np.arange(count)) * 60_000).astype("<i4").tobytes()
    values = (-8000 + np.arange(count)).astype("<i2").tobytes()
    plain = f"{logger.code}\n{DAY}\n{gap}\n".encode() + times + values
    sha = hashlib.sha256(plain + (str(source.key).encode() if broken else b"")).hexdigest()
    rows.create(
        logger_id=logger.pk, source_id=source.pk, day=DAY, n=count, gap_ms=gap, low_centi=-8000,
        high_centi=-8000 + count - 1, times=times, values=values, sha256=sha,
    )  # fmt: skip


def stands() -> dict[str, Any]:
    from biobank.models import Logger, ReadingBlock
    from biobank.temperature import blocks

    found = {}
    for logger in Logger.objects.all():
        held = blocks.load(logger.pk, DAY * DAY_MS, (DAY + 1) * DAY_MS)
        found[logger.code] = {
            "minutes": ((held.times - DAY * DAY_MS) // 60_000).tolist(), "centi": held.centi.tolist(),
            "gaps": held.gaps.tolist(), "broken": held.broken,
            "blocks": ReadingBlock.objects.filter(logger=logger).count(),
        }  # fmt: skip
    return found


if __name__ == "__main__":
    main()
