"""Paper without paper: pages as a printer burns them, by renderers that are not ours, and read by a reader
that is not ours (zxing-cpp). And what goes wrong on the way: slipped lines, dead dots, holes.

Renderers: PDFium (of Chromium), and Poppler's two, Splash (`pdftoppm`) and cairo (`pdftocairo`), from the
system package poppler-utils. Where that is missing a test fails; ONE_RENDERER=1 says that this machine need
not have it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from math import pi, sqrt
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import pypdfium2
import pytest
import zxingcpp
from PIL import Image, ImageDraw

from biobank.core import codes
from biobank.core.sheet import Stock, cells
from biobank.labels.content import LabelContent

Symbols = list[tuple[str, str]]
WORKUP = "SKV-260503-01"
MM = 25.4
KINDS = zxingcpp.BarcodeFormat
OURS = (KINDS.QRCode, KINDS.DataMatrix, KINDS.Code128)  # as a reader is set up
CAMERA = 16  # pixels a millimetre of a hand-held reader, as in the measurements that the labels rest on


def black_and_white(image: Image.Image) -> Image.Image:
    """One bit: a thermal printer has no grey."""
    return image.convert("L").point(lambda value: 255 * (value > 127))


def by_pdfium(pdf: bytes, dpi: int) -> list[Image.Image]:
    made = pypdfium2.PdfDocument(pdf)
    return [black_and_white(page.render(scale=dpi / 72).to_pil()) for page in made]


def by_splash(pdf: bytes, dpi: int) -> list[Image.Image]:
    return _poppler(pdf, "pdftoppm", "-r", str(dpi), "-gray", "-png")


def by_cairo(pdf: bytes, dpi: int) -> list[Image.Image]:
    return _poppler(pdf, "pdftocairo", "-r", str(dpi), "-gray", "-png")


def _poppler(pdf: bytes, tool: str, *more: str) -> list[Image.Image]:
    if shutil.which(tool) is None:
        if os.environ.get("ONE_RENDERER") == "1":
            pytest.skip(f"{tool} is not here, and ONE_RENDERER=1 says that it need not be.")
        pytest.fail(f"{tool} is missing: install poppler-utils, or set ONE_RENDERER=1 on your own machine.")
    with TemporaryDirectory() as folder:
        (paper := Path(folder) / "paper.pdf").write_bytes(pdf)
        subprocess.run([tool, *more, str(paper), f"{folder}/page"], check=True, capture_output=True)
        pages = sorted(Path(folder).glob("page*.png"), key=lambda one: int(one.stem.split("-")[-1]))
        return [black_and_white(Image.open(one)) for one in pages]


RENDERERS: dict[str, Callable[[bytes, int], list[Image.Image]]] = {
    "pdfium": by_pdfium, "splash": by_splash, "cairo": by_cairo,
}  # fmt: skip


def read(image: Image.Image) -> Symbols:
    """(kind, text) of every symbol; a label is given light around it, as it has on its roll."""
    return _found(framed(image).resize(((image.width + 80) * 2, (image.height + 80) * 2), 0))


def seen(image: Image.Image, dpi: int) -> Symbols:
    """As `read`, but as a camera sees it: other pixels than the printer's dots."""
    large = framed(image)
    scale = CAMERA * MM / dpi
    size = (round(large.width * scale), round(large.height * scale))
    return _found(large.resize(size, Image.Resampling.BICUBIC))


def framed(image: Image.Image) -> Image.Image:
    found = Image.new("L", (image.width + 80, image.height + 80), 255)
    found.paste(image, (40, 40))
    return found


def _found(image: Image.Image) -> Symbols:
    return [(one.format.name, one.text) for one in zxingcpp.read_barcodes(image, formats=OURS)]


def some(count: int, seed: int = 7, **more: Any) -> list[LabelContent]:
    """Labels with codes of many sets, all alike but for them."""
    dice = Random(seed)
    made = [codes.make(codes.new_set_code(dice), dice.randrange(1, 999)) for _ in range(count)]
    return [
        LabelContent(
            code, code[:5], "Serum 10", "no additive", "red", 10_000, "−80 °C", WORKUP, "2026-05-03", **more
        )
        for code in made
    ]  # fmt: skip


def labels_on(
    images: list[Image.Image], stock: Stock, count: int, dpi: int, start: int = 0
) -> list[Image.Image]:
    """Each label cut out of its page."""
    found = []
    for cell in cells(stock, count, start):
        if stock.per_page == 1:
            found.append(images[cell.page])
            continue
        place = (cell.left, cell.top, cell.left + stock.footprint[0], cell.top + stock.footprint[1])
        found.append(images[cell.page].crop(tuple(round(mm * dpi / MM) for mm in place)))
    return found


# --- what goes wrong ------------------------------------------------------------------------------


def slipped(image: Image.Image, dice: Random) -> Image.Image:
    """One line of dots stands one dot aside, or is printed twice, or not at all."""
    made, row = image.copy(), dice.randrange(1, image.height - 1)
    how = dice.choice(["aside", "twice", "lost"])
    if how == "aside":
        made.paste(image.crop((0, row, image.width, row + 1)), (dice.choice([-1, 1]), row))
    elif how == "twice":
        made.paste(image.crop((0, row, image.width, image.height - 1)), (0, row + 1))
    else:
        made.paste(image.crop((0, row + 1, image.width, image.height)), (0, row))
    return made


def dead_dot(image: Image.Image, dice: Random) -> Image.Image:
    """One element of the print head gives no heat: a light line along the whole label."""
    made, column = image.copy(), dice.randrange(image.width)
    made.paste(255, (column, 0, column + 1, image.height))
    return made


def holes(image: Image.Image, dice: Random, share: float = 0.05, count: int = 6) -> Image.Image:
    """So much of the label's area rubbed off, in round blobs that may lie anywhere but not on one another."""
    made, radius = image.copy(), sqrt(share * image.width * image.height / count / pi)
    draw, there = ImageDraw.Draw(made), list[tuple[float, float]]()
    while len(there) < count:
        x, y = dice.uniform(radius, image.width - radius), dice.uniform(radius, image.height - radius)
        if all((x - a) ** 2 + (y - b) ** 2 > (2 * radius) ** 2 for a, b in there):
            there.append((x, y))
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=255)
    return made
