"""Labels of places: freezer boxes, racks and other units, and the bags of tube sets.

Promises: the code that is scanned is the code that stands there for eyes; a box says what range of tubes it
held when the label was printed, which way is up, and that its content is a hazard.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from django.db.models.functions import Upper

from biobank.core import codes
from biobank.core.place import Place
from biobank.core.sheet import BAR_MM, EDGE_MM, Cell, Stock, cells, check
from biobank.labels import symbols
from biobank.labels.content import cut, printable
from biobank.labels.pdf import Sheet, pdf_of
from biobank.models import TubeSet, Unit
from custody import queries as ledger
from custody.core.refusal import Refused

UPRIGHT = {"box", "rack", "shipper", "cooler"}
FULL_OF_TUBES = {"box", "rack"}


@dataclass(frozen=True)
class PlaceContent:
    """One label: `code` is scanned, `shown` stands there; then a title and further lines."""

    code: str
    shown: str
    title: str
    lines: tuple[str, ...] = ()
    hazard: bool = True
    upright: bool = False

    def __post_init__(self) -> None:
        for text in (self.code, self.shown, self.title, *self.lines):
            printable(text)


def places_pdf(
    labels: Sequence[PlaceContent], stock: Stock, *, start: int = 0, title: str = "Labels"
) -> bytes:
    """As `paper.labels_pdf`. Refused also: stock_too_small."""
    check(stock, start)
    placed = zip(cells(stock, len(labels), start), labels, strict=True)
    return pdf_of([_sheet(there, stock) for _, there in groupby(placed, lambda one: one[0].page)], title)


def _sheet(placed: Iterator[tuple[Cell, PlaceContent]], stock: Stock) -> Sheet:
    sheet = Sheet(stock)
    for cell, label in placed:
        _draw(sheet, cell, label)
    return sheet


def _draw(sheet: Sheet, cell: Cell, label: PlaceContent) -> None:
    stock, rows, bars = sheet.stock, symbols.small_qr(label.code), symbols.code128(label.code)
    place = Place(stock, len(rows), len(bars[0]))
    place.check(label.shown)
    side = len(rows) * stock.qr_dots
    bits = symbols.packed(rows, stock.qr_dots, stock.qr_dots)
    sheet.mask(bits, side, side, cell.left + EDGE_MM, cell.top + EDGE_MM)
    if place.has_bars:
        wide, tall = len(bars[0]) * stock.code128_dots, round(stock.dots(BAR_MM))
        bits = symbols.packed(bars, stock.code128_dots, tall)
        sheet.mask(bits, wide, tall, cell.left + place.bars_left, cell.top + place.bars_top)
    _signs(sheet, cell, label, place)
    said = [cut(text, place.letters) for text in (label.title, *label.lines) if text]
    for line in place.lines(label.shown, said):
        sheet.lines.append(line._replace(left=cell.left + line.left, top=cell.top + line.top))


def _signs(sheet: Sheet, cell: Cell, label: PlaceContent, place: Place) -> None:
    side, left = place.sign_dots, cell.left + place.sign_left
    if label.hazard:
        sheet.mask(symbols.hazard_mask(side), side, side, left, cell.top + place.sign_top(0))
    if label.upright:
        sheet.mask(symbols.upright_mask(side), side, side, left, cell.top + place.sign_top(1))


# --- what stands on them --------------------------------------------------------------------------


def bags_of(sets: Iterable[TubeSet]) -> list[PlaceContent]:
    """The label of each set's bag: number 000 of the set, plan, day, how many tubes. 1 query a set."""
    return [_bag(one, one.tubes.count()) for one in sets]


def _bag(one: TubeSet, tubes: int) -> PlaceContent:
    code = codes.set_label(one.code)
    where = f"{one.day.date.isoformat()} {one.day.site.code}" if one.day else "no field day"
    lines = (f"{one.plan.code} version {one.plan.version}", where, f"{tubes} tubes")
    return PlaceContent(code, codes.show(code), f"Set {one.code}{' spare' if one.spare else ''}", lines)


def units_of(wanted: Sequence[str]) -> list[PlaceContent]:
    """The labels of these units, in the order asked; capitals do not matter. 2 queries, and 1 a box.

    Refused: unit_unknown.
    """
    units = Unit.objects.annotate(upper=Upper("code")).filter(upper__in=[code.upper() for code in wanted])
    found = {unit.code.upper(): unit for unit in units.select_related("agency")}
    for code in wanted:
        if code.upper() not in found:
            raise Refused("unit_unknown", f"There is no unit with the code {code[:40]!r}.")
    parents = ledger.units()
    return [_unit(found[code], parents) for code in dict.fromkeys(code.upper() for code in wanted)]


def _unit(unit: Unit, parents: dict[str, str | None]) -> PlaceContent:
    lines = _box(unit) if unit.kind == "box" else _holding(unit, parents)
    return PlaceContent(
        unit.code, unit.code, unit.name, tuple(lines), unit.kind in FULL_OF_TUBES, unit.kind in UPRIGHT
    )


def _box(unit: Unit) -> list[str]:
    """How full, where its first slot is when the label is in front, and the first and the last tube in it."""
    there, grid = ledger.box(unit.code), unit.grid
    lines = [f"{len(there)}/{grid.rows * grid.cols}, {grid.name(1, 1)} back left"]
    if there:
        ends = [codes.show(there[place]) for place in (min(there), max(there))]
        lines += [f"{ends[0]} to", ends[1]]
    return lines


def _holding(unit: Unit, parents: dict[str, str | None]) -> list[str]:
    """What stands in it now."""
    inside = sorted(code for code, parent in parents.items() if parent == unit.code)
    if len(inside) > 1:
        return [f"{unit.kind}, holds {len(inside)}", f"{inside[0]} to", inside[-1]]
    return [unit.kind, unit.agency.code, *inside]
