"""Take pictures of pages of a running site at 390 and 1400 px.

    uv run python -m tests.browser.screens --base URL --user NAME --password WORD --out FOLDER /path/ /path/…

Promises: signs in by the form, opens each path, saves `<path>-<width>.png`, says which pages are wider
than the window; exit code 1 when one is, or when one does not answer 200.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from playwright.sync_api import Browser, Page

from tests.browser import chromium

WIDTHS = [390, 1400]


def main(words: list[str] | None = None) -> int:
    given = asked().parse_args(words)
    given.out.mkdir(parents=True, exist_ok=True)
    with chromium.browser() as running:
        troubles = [said for width in WIDTHS for said in pictures(running, given, width)]
    print("\n".join(troubles) or "all pages fit")
    return 1 if troubles else 0


def asked() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Pictures of pages at 390 and 1400 px")
    parser.add_argument("--base", required=True, help="address of the running site")
    parser.add_argument("--user", default="")
    parser.add_argument("--password", default="")
    parser.add_argument("--out", type=Path, required=True, help="folder for the pictures")
    parser.add_argument("paths", nargs="*", default=["/"])
    return parser


def pictures(running: Browser, given: argparse.Namespace, width: int) -> list[str]:
    page = running.new_page(viewport={"width": width, "height": 900}, reduced_motion="reduce")
    base = given.base.rstrip("/")
    if given.user:
        chromium.sign_in(page, base, given.user, given.password)
    troubles = [said for path in given.paths for said in picture(page, base, path, given.out, width)]
    page.close()
    return troubles


def picture(page: Page, base: str, path: str, out: Path, width: int) -> list[str]:
    answer = page.goto(base + path)
    name = path.strip("/").replace("/", "_") or "today"
    page.screenshot(path=out / f"{name}-{width}.png", full_page=True)
    troubles = [f"{path} at {width} px: {over} px too wide"] if (over := chromium.sideways(page)) > 0 else []
    if answer is None or answer.status != 200:
        troubles.append(f"{path}: answered {answer.status if answer else 'nothing'}")
    return troubles


if __name__ == "__main__":
    raise SystemExit(main())
