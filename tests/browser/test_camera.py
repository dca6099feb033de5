"""The camera as a scanner, in Chromium with a film in place of a camera: our own symbols, read by ZXing's
library in JavaScript under the site's policy (no inline script, no eval, no WebAssembly).

The film is YUV4MPEG2, as Chromium takes it (--use-file-for-fake-video-capture); its format is from memory,
and a wrong one shows no picture and fails the test.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from biobank.core import codes
from biobank.labels import symbols
from tests.browser import chromium
from tests.browser.conftest import POLICY
from tests.people import PASSWORD

WIDE, TALL, SECOND = 640, 480, 10  # pixels; frames a second
QR, MATRIX, BARS = (codes.make("Y2Y2Y", number) for number in (11, 12, 13))  # no such labels were printed


def picture(rows: list[str], dots: int, tall: int) -> Image.Image:
    """A symbol in the middle of a white frame."""
    small = Image.new("L", (len(rows[0]), len(rows)))
    small.putdata([0 if dot == "1" else 255 for row in rows for dot in row])
    symbol = small.resize((small.width * dots, small.height * tall), Image.Resampling.NEAREST)
    frame = Image.new("L", (WIDE, TALL), 255)
    frame.paste(symbol, ((WIDE - symbol.width) // 2, (TALL - symbol.height) // 2))
    return frame


def film(path: Path) -> Path:
    """Each symbol for two seconds, white between them."""
    white = Image.new("L", (WIDE, TALL), 255)
    shown = [
        picture(symbols.qr(QR), 10, 10), white, picture(symbols.matrix(MATRIX), 14, 14), white,
        picture(symbols.code128(BARS), 3, 160), white,
    ]  # fmt: skip
    grey = bytes([128]) * (WIDE * TALL // 2)  # both colour planes, a quarter each
    frames = [b"FRAME\n" + one.tobytes() + grey for one in shown for _ in range(2 * SECOND)]
    path.write_bytes(f"YUV4MPEG2 W{WIDE} H{TALL} F{SECOND}:1 Ip A1:1 C420jpeg\n".encode() + b"".join(frames))
    return path


@pytest.fixture
def filming(running: Browser, tmp_path: Path) -> Iterator[Browser]:
    """A browser whose camera shows the film."""
    given = [
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-video-capture={film(tmp_path / 'film.y4m')}",
    ]
    one = running.browser_type.launch(executable_path=chromium.found(), args=[*chromium.QUIET, *given])
    yield one
    one.close()


def opened(browser: Browser, base: str, **may: list[str]) -> Page:
    page = browser.new_context(viewport={"width": 390, "height": 844}, **may).new_page()
    chromium.sign_in(page, base, "labtech", PASSWORD)
    page.goto(f"{base}/scan/?mode=look-up")
    return page


def test_the_camera_reads_the_three_kinds_of_symbol(filming: Browser, base: str):
    page, troubles = opened(filming, base, permissions=["camera"]), []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda said: troubles.append(said.text) if POLICY in said.text else None)
    assert page.evaluate("typeof ZXing") == "undefined"  # nothing is loaded that nobody asked for
    page.get_by_role("button", name="Read with the camera").click()
    for code in (QR, MATRIX, BARS):
        expect(page.locator(".reply")).to_contain_text(codes.show(code), timeout=40_000)
    expect(page.locator("video")).to_be_visible()
    page.get_by_role("button", name="Stop the camera").click()
    expect(page.locator("video")).to_have_count(0)
    expect(page.locator("[data-camera-said]")).to_have_text("The camera is off.")
    assert troubles == []
    page.context.close()


def test_a_camera_that_is_not_allowed_is_said_so(filming: Browser, base: str):
    page = opened(filming, base)
    page.evaluate(
        """() => { navigator.mediaDevices.getUserMedia =
            async () => { throw new DOMException("no", "NotAllowedError"); } }"""
    )
    page.get_by_role("button", name="Read with the camera").click()
    expect(page.locator("[data-camera-said]")).to_contain_text("was not allowed")
    page.context.close()


def test_where_the_page_is_not_secure_it_is_said_so(running: Browser, base: str):
    """A page that came over http from another machine has no camera (W3C Secure Contexts)."""
    page = opened(running, base)
    page.evaluate("() => Object.defineProperty(window, 'isSecureContext', { value: false })")
    page.get_by_role("button", name="Read with the camera").click()
    expect(page.locator("[data-camera-said]")).to_contain_text("only over https")
    page.context.close()
