"""The map of a box on paper, to lie in its lid or beside the freezer when the network is down.

Promises: any box up to 16 x 24 is one page; ink only, so a printer without grey loses nothing; each sign has
its word in the key.
"""

from __future__ import annotations

from django.utils import timezone

from biobank.acting import ms
from biobank.core.grid import NAMINGS
from biobank.handoffs.paper import pdf
from biobank.store.picture import box_map
from biobank.store.queries import Inside

HEIGHT_MM, WIDTH_MM = 148, 265  # what the head and the key leave of a landscape page
# columns at most -> size of the letters, points
SIZES = [(6, 9.0), (9, 8.0), (12, 6.5), (24, 5.4), (99, 3.0)]


def map_pdf(inside: Inside, tz: str = "") -> bytes:
    """A4, landscape. tz: the zone of its time; empty: UTC."""
    unit = inside.unit
    lines = box_map(unit, inside.tubes, "", "", (), ms(timezone.now()))
    cell_mm = min(24.0, HEIGHT_MM / len(lines))
    points = next(size for most, size in SIZES if unit.grid.cols <= most)
    contents = sorted({place.state.matrix for place in inside.tubes if place.state.matrix})
    return pdf("print/boxmap.html", {
        "contents": contents, "tz": tz,
        "inside": inside, "unit": unit, "lines": lines, "heads": unit.grid.col_heads,
        "naming": NAMINGS[unit.naming], "cell_mm": round(cell_mm, 2),
        "points": min(points, round(cell_mm / 3.3 / 0.3528, 1)),
        "width_mm": min(WIDTH_MM, unit.grid.cols * 30),
    })  # fmt: skip
