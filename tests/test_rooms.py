"""The rooms keep to their arrows (DEVELOPERS.md), and the checker notices when one is broken on purpose."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests import rooms

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def project() -> list[rooms.Source]:
    return list(rooms.sources(ROOT))


@pytest.mark.parametrize("rule", rooms.RULES, ids=lambda rule: rule.__name__)
def test_the_project_keeps(project: list[rooms.Source], rule: rooms.Rule):
    assert rooms.breaches(project, [rule]) == []


def test_the_checker_reads_every_room(project: list[rooms.Source]):
    read = {source.path for source in project}
    assert {
        "custody/record.py",
        "biobank/settings.py",
        "custody/core/fold.py",
        "README.md",
        ".ci/run",
    } <= read
    assert len([path for path in read if path.startswith("biobank/")]) > 50
    assert "uv.lock" not in read


GOOD = {
    "custody/core/fold.py": "from custody.core.refusal import Refused\nimport json\n",
    "custody/core/thermal.py": "import numpy as np\n",
    "custody/record.py": "from custody.models import Event\nEvent.objects.create()\n",
    "custody/queries.py": "from custody.models import Event\nfound = {}\nfound.update(Event.objects.all())\n",
    "biobank/core/codes.py": "from custody.core.refusal import Refused\n",
    "biobank/store/views.py": "from biobank.store import actions\nactions.put_away()\n",
    "biobank/store/actions.py": "from custody import queries\nfrom custody.record import record\nrecord()\n",
    "biobank/models/store.py": "class Unit:\n    def grid(self): ...\n",
}

# one file, what is wrong in it, and the rule that must say so
BROKEN = [
    ("custody/queries.py", "from biobank.models import Tube\n", "custody_knows_no_biobank"),
    ("custody/queries.py", "def late():\n    import biobank.access\n", "custody_knows_no_biobank"),
    ("biobank/store/actions.py", "from custody.models import Event\n", "biobank_uses_the_front_doors"),
    ("biobank/store/actions.py", "from custody import models\n", "biobank_uses_the_front_doors"),
    ("biobank/store/actions.py", "import custody.refold\n", "biobank_uses_the_front_doors"),
    ("biobank/store/actions.py", "from custody.verify import verify\n", "biobank_uses_the_front_doors"),
    ("biobank/store/actions.py", "apps.get_model('custody', 'Event')\n", "biobank_uses_the_front_doors"),
    (
        "biobank/store/actions.py",
        "cursor.execute('SELECT * FROM custody_event')\n",
        "biobank_uses_the_front_doors",
    ),
    ("biobank/models/store.py", "ForeignKey('custody.TubeState', CASCADE)\n", "biobank_uses_the_front_doors"),
    ("custody/core/fold.py", "from django.utils import timezone\n", "core_is_pure"),
    ("custody/core/fold.py", "from custody.models import Event\n", "core_is_pure"),
    ("custody/core/fold.py", "from ..models import Event\n", "core_is_pure"),
    ("custody/core/rules.py", "import numpy\n", "core_is_pure"),
    ("custody/core/event.py", "import socket\n", "core_is_pure"),
    ("biobank/core/sheet.py", "from custody.core.fold import fold\n", "core_is_pure"),
    ("biobank/core/sheet.py", "from biobank.models import Tube\n", "core_is_pure"),
    ("biobank/core/sheet.py", "import pathlib\n", "core_is_pure"),
    ("custody/core/fold.py", "from datetime import datetime\ndatetime.now()\n", "core_is_pure"),
    ("custody/core/fold.py", "open('x')\n", "core_is_pure"),
    ("custody/core/event.py", "import time\ntime.time()\n", "core_is_pure"),
    ("custody/queries.py", "from custody.models import Event\nEvent.objects.create()\n", "one_writer"),
    (
        "custody/queries.py",
        "from custody.models import Head\nHead.objects.filter(id=1).update(size=0)\n",
        "one_writer",
    ),
    ("custody/management/commands/x.py", "row.save()\n", "one_writer"),
    ("custody/sync.py", "cursor.execute('UPDATE custody_head SET size = 0')\n", "one_writer"),
    ("biobank/store/views.py", "tube.save()\n", "views_only_ask"),
    ("biobank/store/views.py", "Unit.objects.create(code='B1')\n", "views_only_ask"),
    ("biobank/store/views.py", "Unit.objects.filter(code='B1').delete()\n", "views_only_ask"),
    ("biobank/store/views.py", "perform(actor, 'thawed')\n", "views_only_ask"),
    ("biobank/store/views/box.py", "acting.perform(actor, 'thawed')\n", "views_only_ask"),
    ("biobank/models/store.py", "class Unit(Model):\n    def save(self, *a, **k): ...\n", "no_hidden_writes"),
    ("biobank/store/actions.py", "from django.db.models.signals import post_save\n", "no_hidden_writes"),
    ("biobank/apps.py", "from django.dispatch import receiver\n", "no_hidden_writes"),
    (
        "biobank/settings.py",
        "DATABASES = {'default': {'ATOMIC_REQUESTS': True}}\n",
        "no_transaction_around_requests",
    ),
    ("biobank/store/queries.py", "x = 1\n" * 401, "short_enough"),
    ("templates/base.html", "<p>\n" * 401, "short_enough"),
    ("tests/test_x.py", "x = 1\n" * 701, "short_enough"),
    ("biobank/settings.py", "DATA = '/" + "work/main/var'\n", "belongs_to_no_machine"),
    ("README.md", "Open /" + "tmp/labels.pdf\n", "belongs_to_no_machine"),
    (".ci/run", "cd /" + "root/project\n", "belongs_to_no_machine"),
    ("pyproject.toml", "index = 'https://pypi.org/" + "simple'\n", "belongs_to_no_machine"),
]


def write(root: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")


def test_a_well_kept_house_is_left_in_peace(tmp_path: Path):
    write(tmp_path, GOOD)
    assert rooms.breaches(rooms.sources(tmp_path)) == []


@pytest.mark.parametrize(("path", "text", "rule"), BROKEN)
def test_a_broken_arrow_is_named(tmp_path: Path, path: str, text: str, rule: str):
    write(tmp_path, GOOD | {path: text})
    found = rooms.breaches(rooms.sources(tmp_path))
    assert found and all(said.startswith(f"{rule}: {path}: ") for said in found), found


def test_every_rule_is_broken_on_purpose_above():
    assert {rule for _, _, rule in BROKEN} == {rule.__name__ for rule in rooms.RULES}


@pytest.mark.parametrize("room", ["custody", "biobank"])
def test_a_core_room_runs_where_there_is_no_django(room: str):
    names = [
        f"{room}.core.{path.stem}" for path in (ROOT / room / "core").glob("*.py") if path.stem != "__init__"
    ]
    assert names
    code = "import sys\nsys.modules['django'] = None\n" + "\n".join(f"import {name}" for name in names)
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)
