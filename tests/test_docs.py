"""The documents say what the code does: nothing is missing, nothing is named that is not there."""

from __future__ import annotations

import re

import pytest

from custody.core.kinds import KINDS
from tests import facts

ROOT = facts.ROOT
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    """The text under a heading of DEVELOPERS.md, up to the next one of its rank or a higher one."""
    found = re.search(rf"^(#+) {re.escape(title)}\n(.*?)(?=^#{{1,2}} |\Z)", DEVELOPERS, re.M | re.S)
    assert found, f"DEVELOPERS.md has no section {title!r}"
    return found[2]


def rows(title: str) -> set[str]:
    """What stands in code type in the first column of a section's tables."""
    firsts = re.findall(r"^\| ([^|]+) \|", section(title), re.M)
    return {name for first in firsts for name in re.findall(r"`([^`]+)`", first)}


def test_the_two_commands_stand_in_the_readme():
    assert "    pip install uv && uv run manage.py demo\n" in README
    assert "    pip install uv && uv run pytest -n auto --dist loadfile\n" in README


@pytest.mark.parametrize(
    "package", ["libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0", "fonts-dejavu-core"]
)
def test_what_the_system_needs_is_the_same_in_the_readme_and_in_ci(package: str):
    assert package in README
    assert package in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_readme_begins_with_the_job_and_names_hazards_and_licence():
    first = README.split("\n\n")[1]
    assert re.search(r"\btube", first) and re.search(r"\bfreez", first) and re.search(r"\bledger\b", first)
    for word in [
        "sharps",
        "zoonoses",
        "nitrogen",
        "dry ice",
        "formalin",
        "blood",
        "local codes",
        "licensed",
        "MIT",
    ]:
        assert word.lower() in README.lower(), word


@pytest.mark.parametrize("title", ["In the field", "At the bench", "Asking for samples"])
def test_each_user_has_first_steps(title: str):
    assert f"**{title}**" in README


def test_every_setting_is_described_and_no_other():
    assert rows("Settings") == facts.setting_names()


def test_every_command_is_described_and_no_other():
    assert rows("Commands") == facts.commands()


def test_every_kind_of_event_is_described_and_no_other():
    assert rows("Kinds of events") == set(KINDS)


def test_every_dependency_says_what_it_saves_us_and_no_other_is_named():
    assert rows("Dependencies") == facts.requirements()
    for line in section("Dependencies").splitlines():
        if line.startswith("| `"):
            assert len(line.split("|")[2].strip()) > 8, line


def test_every_refusal_is_listed():
    listed = (ROOT / "biobank" / "refusals.md").read_text(encoding="utf-8")
    assert listed == facts.page(), "out of date: run `uv run python -m tests.facts`"
    for code in ["slot_taken", "code_check_digit", "drawn_twice", "key_reused", "unit_unknown"]:
        assert f"| `{code}` |" in listed


def test_every_test_that_is_named_is_there():
    named = re.findall(
        r"`(tests/[\w/]+\.py)(?:::(\w+))?`", section("What must never happen, and what would notice")
    )
    assert len(named) > 10
    for path, test in named:
        text = (ROOT / path).read_text(encoding="utf-8")
        assert not test or f"def {test}(" in text, f"{path}::{test}"


def places() -> list[str]:
    """Files and folders named in code type, wherever a document names them."""
    quoted = re.findall(r"`((?:custody|biobank|templates|tests|docs|\.ci)/[\w./-]*)`", README + DEVELOPERS)
    linked = re.findall(r"\]\(([^)#:]+)(?:#[\w-]+)?\)", README + DEVELOPERS)
    return sorted({*quoted, *linked})


@pytest.mark.parametrize("place", places())
def test_every_place_that_is_named_is_there(place: str):
    assert (ROOT / place).exists()


@pytest.mark.parametrize("heading", re.findall(r"\]\(DEVELOPERS\.md#([\w-]+)\)", README))
def test_every_heading_that_is_linked_is_there(heading: str):
    assert heading in {
        re.sub(r"[^\w -]", "", one).lower().replace(" ", "-")
        for one in re.findall(r"^#+ (.+)$", DEVELOPERS, re.M)
    }


def test_the_rooms_of_the_map_are_those_of_the_project():
    drawn = section("Rooms and arrows").split("```")[1]
    for app in ("custody", "biobank"):
        for path in (ROOT / app).glob("*.py"):
            if path.stem not in {"__init__", "apps", "context"}:
                assert path.stem in drawn, path
        for folder in {path.parent for path in (ROOT / app).glob("*/__init__.py")}:
            if folder.name not in {"migrations", "management", "templatetags"}:
                assert f"{folder.name}/" in drawn, folder
    for path in (ROOT / "custody" / "core").glob("*.py"):
        assert re.search(rf"\b{path.stem.removesuffix('_words')}\b", drawn) or path.stem == "__init__", path


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Settings", "HTTPS"),
        ("Commands", "custody_verify"),
        ("Kinds of events", "spun"),
        ("Dependencies", "tqdm"),
    ],
)
def test_a_missing_row_would_be_noticed(monkeypatch: pytest.MonkeyPatch, title: str, name: str):
    full = rows(title)
    monkeypatch.setattr("tests.test_docs.DEVELOPERS", re.sub(rf"`{name}`", "", DEVELOPERS))
    assert full - rows(title) == {name}
