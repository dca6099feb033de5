"""A database of the first version is brought up to date: nothing of a plan is lost, what is kept stays."""

from tests.biobank import older, older_readings
from tests.custody import apart


def test_what_a_plan_said_of_aliquots_stands_in_rows_after_an_update(tmp_path):
    assert older.BEFORE
    with apart.database(tmp_path) as address:
        said = apart.run(address, tmp_path, "tests.biobank.older")
    assert said["aliquots"] == [["Red 10", 1, 4, "SER", 1_000, -8_000, "serology", "cryovial"]]
    assert said["tubes"] == ["Red 10", "Nasal swab"] and said["planned"] == ["Red 10"]
    assert said["counted"] == {"BOX1": 2, "BOX2": 1}
    assert said["deleted"] is False, "a migration that remakes a table must not lose its triggers"


def test_a_day_of_several_rows_of_readings_becomes_one_sealed_block(tmp_path):
    with apart.database(tmp_path) as address:
        said = apart.run(address, tmp_path, "tests.biobank.older_readings")
    whole, broken = said["T-01"], said["T-02"]
    rows = sorted(
        (first + step * k, -8000 + k, gap)
        for first, step, count, gap in older_readings.ROWS
        for k in range(count)
    )
    assert [list(row) for row in zip(*rows, strict=True)] == [
        whole[name] for name in ("minutes", "centi", "gaps")
    ]
    assert (whole["blocks"], whole["broken"]) == (1, [])
    assert (broken["minutes"], broken["broken"]) == ([], [older_readings.DAY]), "a broken seal stays broken"
