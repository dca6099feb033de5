"""A browser and a site for these tests. CI_BROWSER=1 makes a missing Chromium a failure, not a skip."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from tests.browser import chromium
from tests.custody import apart

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent


POLICY = "Content Security Policy"
NONE = "no Chromium on this machine (CI_BROWSER=1 makes this a failure)"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    missing = chromium.found() is None and os.environ.get("CI_BROWSER") != "1"
    for item in items:
        if HERE not in item.path.parents:
            continue
        item.add_marker(pytest.mark.browser)
        if missing:
            item.add_marker(pytest.mark.skip(reason=NONE))


@pytest.fixture(scope="package")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the site of these tests keeps its database file."""
    return tmp_path_factory.mktemp("site")


@pytest.fixture
def rows(base: str, folder: Path) -> Callable[[str], list[tuple[Any, ...]]]:
    """Asks the site's database file itself, past all of our code."""
    return lambda sql: apart.rows(f"sqlite:///{folder / 'demo.sqlite3'}", sql)


@pytest.fixture(scope="package")
def base(folder: Path) -> Iterator[str]:
    """The address of a running site with the people of tests/people.py and one drawn tube set."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    given |= {"DATA_DIR": str(folder), "DEMO": "1"}
    apart.migrated(folder / "demo.sqlite3")
    with (folder / "log").open("w") as log:
        site = subprocess.Popen(
            [sys.executable, "-m", "tests.browser.serve"],
            cwd=ROOT, env=given, stdout=subprocess.PIPE, stderr=log, text=True,
        )  # fmt: skip
        try:
            assert site.stdout is not None
            port = site.stdout.readline().strip()
            assert port.isdigit(), f"the site did not start: {(folder / 'log').read_text()[-2000:]}"
            yield f"http://127.0.0.1:{port}"
        finally:
            site.terminate()
            site.communicate(timeout=10)


@pytest.fixture(scope="package")
def running() -> Iterator[Browser]:
    # Ends with this folder's last test: while Playwright's loop runs, Django refuses database work elsewhere.
    with chromium.browser() as one:
        yield one


@pytest.fixture
def page(running: Browser) -> Iterator[Page]:
    """A fresh, signed-out window of 1400 px; a script error or a breach of the policy fails the test."""
    context = running.new_context(viewport={"width": 1400, "height": 900}, reduced_motion="reduce")
    one = context.new_page()
    troubles: list[str] = []
    one.on("pageerror", lambda error: troubles.append(str(error)))
    one.on("console", lambda said: troubles.append(said.text) if POLICY in said.text else None)
    yield one
    context.close()
    assert troubles == []
