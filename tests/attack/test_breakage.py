"""The list of faults stays true to the code: breakage.py, which is run by hand, would break what it says."""

from pathlib import Path

import pytest

from tests.attack.faults import FAULTS

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("fault", FAULTS, ids=range(len(FAULTS)))
def test_the_text_that_is_to_be_broken_stands_once_in_its_file(fault):
    assert (ROOT / fault.file).read_text(encoding="utf-8").count(fault.old) == 1
    assert fault.new != fault.old


def test_every_file_that_decides_something_is_broken_somewhere():
    assert {Path(fault.file).name for fault in FAULTS} >= {
        "effects.py", "fold.py", "kinds.py", "canon.py", "tree.py", "record.py", "refold.py", "rebuild.py",
        "triggers.py", "verify.py",
    }  # fmt: skip
    assert len(FAULTS) > 100
