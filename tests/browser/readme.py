"""The two pictures in the README, taken of a fresh demo: `uv run python -m tests.browser.readme`.

Promises: a demo of its own in a folder that is removed again; always the same two pages at 1200 px.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError

from playwright.sync_api import Page

from tests.browser import chromium

ROOT = Path(__file__).resolve().parents[2]
PICTURES = Path(__file__).with_name("pictures")
PORT = 8917
SIZE = {"width": 1200, "height": 1060}


def main() -> int:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, demo(folder) as password, chromium.browser() as running:
        page = running.new_page(viewport=SIZE, reduced_motion="reduce")
        chromium.sign_in(page, f"http://127.0.0.1:{PORT}", "curator", password)
        boxmap(page)
        tube(page)
    return 0


@contextmanager
def demo(folder: str) -> Iterator[str]:
    """A running demo; the curator's password."""
    given = {name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "HTTPS"}}
    command = [sys.executable, "-u", "manage.py", "demo", "--port", str(PORT)]
    process = subprocess.Popen(
        command, cwd=ROOT, env=given | {"DATA_DIR": folder}, stdout=subprocess.PIPE, text=True
    )
    try:
        yield password_of(process)
    finally:
        process.terminate()
        process.wait()


def password_of(process: subprocess.Popen[str]) -> str:
    """Reads what the demo prints until it serves."""
    password = ""
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip().startswith("curator"):
            password = line.split()[1]
        if line.startswith("Serving"):
            break
    answers()
    return password


def answers() -> None:
    """Waits until the site takes requests."""
    for _ in range(200):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{PORT}/sign-in/", timeout=5).close()
            return
        except URLError:
            continue


def boxmap(page: Page) -> None:
    page.goto(f"http://127.0.0.1:{PORT}/store/NLB-B002/")
    page.screenshot(path=PICTURES / "boxmap.png")


def tube(page: Page) -> None:
    """The first serum of the box in the freezer that got warm."""
    page.goto(f"http://127.0.0.1:{PORT}/store/NLB-B001/")
    tubes = page.get_by_role("region", name="Tubes in NLB-B001")  # the map has rows as well
    tubes.get_by_role("row").filter(has_text="serum").first.get_by_role("link").first.click()
    page.set_viewport_size({"width": 1200, "height": 1800})
    page.screenshot(path=PICTURES / "tube.png")


if __name__ == "__main__":
    raise SystemExit(main())
