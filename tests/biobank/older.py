"""A database of an older version, brought up to date.

Run as `python -m tests.biobank.older` with DATABASE_URL naming an empty database and DATA_DIR an empty one;
prints what stands in it afterwards as JSON.
"""

from __future__ import annotations

import json
import os
from typing import Any

import django

BEFORE = [("biobank", "0001_initial"), ("custody", "0002_checkpoints_devices_held")]


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    from django.core.management import call_command
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    executor = MigrationExecutor(connection)
    old = executor.migrate([*BEFORE, ("auth", "0012_alter_user_first_name_max_length")]).apps
    plan(old)
    call_command("migrate", verbosity=0)
    print(json.dumps(stands()))


def plan(old: Any) -> None:
    """A plan as it was written before a planned tube could have aliquots of several kinds."""
    model = lambda name: old.get_model("biobank", name).objects  # noqa: E731
    programme = model("Programme").create(code="SKARVIK", name="Skarvik Bay", tz="Europe/Oslo")
    made = model("SamplePlan").create(programme=programme, code="SEAL", version=1, name="Harbour seal health")
    red = model("PlannedTube").create(
        plan=made, number=1, label="Red 10", matrix="BLD", volume_ul=10_000, aliquots=4, aliquot_matrix="SER",
        aliquot_ul=1_000, target_centi=-8_000, purpose="serology",
    )  # fmt: skip
    model("PlannedTube").create(plan=made, number=2, label="Nasal swab", matrix="SWB")
    tubes = model("TubeSet").create(code="K7R2M", plan=made)
    stored = old.get_model("custody", "TubeState").objects
    for n, unit in enumerate(["BOX1", "BOX1", None, "BOX2"]):
        status = "stored" if unit else "labelled"
        stored.create(tube=f"T{n}", status=status, custodian="NLB", unit=unit)
    model("Tube").create(code="K7R2M001X", tube_set=tubes, planned=red, label="Red 10", matrix="BLD")


def stands() -> dict[str, Any]:
    from django.db import connection

    from biobank import kept
    from biobank.models import PlannedAliquot, PlannedTube, Tube
    from custody import queries as ledger

    with connection.cursor() as cursor:
        try:
            cursor.execute("DELETE FROM biobank_tube")
            deleted = True
        except Exception as why:
            deleted = kept.SENTENCE not in str(why)
    names = ["tube__label", "position", "count", "matrix", "ul", "target_centi", "purpose", "container"]
    return {
        "aliquots": [list(row) for row in PlannedAliquot.objects.values_list(*names)],
        "tubes": list(PlannedTube.objects.values_list("label", flat=True)),
        "planned": list(Tube.objects.values_list("planned__label", flat=True)),
        "deleted": deleted,
        "counted": ledger.contents(),
    }


if __name__ == "__main__":
    main()
