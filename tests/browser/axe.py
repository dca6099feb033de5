"""Ask axe-core what it finds against WCAG 2.2 AA on the page as it stands."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def complaints(page: Page, aaa_contrast: bool = True) -> list[str]:
    """One line a violation: rule, impact, first element. `aaa_contrast` also asks for 7:1 (WCAG 1.4.6)."""
    rules = {"color-contrast-enhanced": {"enabled": True}} if aaa_contrast else {}
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}, "rules": rules})
    return [
        f"{one['id']} ({one['impact']}): {one['help']}: {one['nodes'][0]['html'][:200]}"
        for one in found.response["violations"]
    ]
