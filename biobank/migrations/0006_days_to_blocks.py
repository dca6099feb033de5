"""Readings that were stored as several additive rows a day become one sealed block a day."""

from __future__ import annotations

import hashlib
from itertools import groupby

import numpy as np
from django.db import migrations

from biobank.temperature import blocks

DAY_MS = 86_400_000


def _held(rows):
    """The readings of a day's rows as one, and whether every old seal holds."""
    whole, held = True, blocks.NONE
    for row in rows:
        times, values = bytes(row.times), bytes(row.values)
        said = f"{row.logger.code}\n{row.day}\n{row.gap_ms}\n".encode() + times + values
        whole = whole and hashlib.sha256(said).hexdigest() == row.sha256
        at = np.frombuffer(times, "<i4").astype(np.int64) + row.day * DAY_MS
        part = blocks.of(at, np.frombuffer(values, "<i2").astype(np.int64), row.gap_ms)
        order = np.argsort(part.times, kind="stable")
        held = blocks.merge(held, part.part(order)).held
    return held, whole


def forwards(apps, schema_editor):
    old, new = apps.get_model("biobank", "ReadingDay"), apps.get_model("biobank", "ReadingBlock")
    rows = old.objects.select_related("logger").order_by("logger_id", "day", "pk")
    for (logger, day), group in groupby(
        rows.iterator(chunk_size=500), key=lambda row: (row.logger_id, row.day)
    ):
        said = list(group)
        held, whole = _held(said)
        made = blocks.block(logger, said[0].logger.code, day, held, 1, said[-1].source_id)
        fields = {name: getattr(made, name) for name in FIELDS}
        if not whole:
            fields["sha256"] = "0" * 64  # a broken seal stays broken, and is named as before
        new.objects.create(logger_id=logger, source_id=said[-1].source_id, **fields)


FIELDS = [
    "day", "revision", "n", "first_ms", "last_ms", "low_centi", "high_centi", "covered_ms", "codec", "payload",
    "sha256",
]  # fmt: skip


class Migration(migrations.Migration):
    dependencies = [("biobank", "0005_temperature")]
    operations = [migrations.RunPython(forwards, migrations.RunPython.noop)]
