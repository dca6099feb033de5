"""The page of labels as HTML for WeasyPrint: the fonts it needs, and boxes for text that is not even.

Promises: text never leaves its box, whatever letters it has and whatever font the machine has.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from biobank.core.sheet import Line
from biobank.labels.letters import FAMILY, sample

STYLE = f"""body {{ margin: 0; font-family: "{FAMILY}", monospace; color: #000 }}
section {{ position: relative; break-after: page }}
section:last-child {{ break-after: auto }}
section div {{ position: absolute; white-space: pre; overflow: hidden }}
b div {{ font-weight: bold }}"""


def html(
    boxed: Sequence[Sequence[Line]], drawn: Iterable[Line], size: tuple[float, float], title: str
) -> str:
    """A first page that only names the letters of what is drawn, then a page for each list of boxes."""
    width, height = size
    page = f"@page {{ size: {width:.6f}mm {height:.6f}mm; margin: 0 }} section {{ height: {height:.6f}mm }}"
    letters: dict[bool, set[str]] = {False: set(), True: set()}
    for line in drawn:
        letters[line.bold].update(line.said)
    pages = "".join(f"<section>{''.join(map(_box, lines))}</section>" for lines in boxed)
    head = f"<title>{escape(title)}</title><style>{page}{STYLE}</style>"
    return f"<!doctype html><html lang='en'>{head}<section>{sample(letters)}</section>{pages}</html>"


def _box(line: Line) -> str:
    weight = "bold" if line.bold else "normal"
    place = f"left:{line.left:.3f}mm;top:{line.top:.3f}mm;width:{line.width:.3f}mm;height:{line.height:.3f}mm"
    font = f"font-size:{line.size:.4f}pt;line-height:{line.height:.4f}mm;font-weight:{weight}"
    return f"<div style='{place};{font}'>{escape(line.said)}</div>"
