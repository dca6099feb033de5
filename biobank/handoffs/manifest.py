"""The manifest: the paper that goes with the tubes of a handoff and stands on its own.

Promises: it says what the ledger says of this handoff and what a receiver needs without a network; what is
absent is said to be ("none"), never left blank. Each tube's code stands in letters and as a Data Matrix. The
answer strip at its end shows no number of tubes, so that a count on paper is a count, too. No place where an
animal was, no coordinates, no animal.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.conf import settings

from biobank.amend.queries import names
from biobank.checks import gate
from biobank.core import codes
from biobank.core.places import WORDS, class_of
from biobank.core.sheet import MATRIX_MODULES
from biobank.handoffs import leaves
from biobank.handoffs.actions import HOW
from biobank.handoffs.custody_words import (
    CUSTODY,
    NONE,
    SOURCE,
    Discretion,
    Party,
    Seal,
    party,
    programme_of,
    seal_of,
    when_zone,
)
from biobank.handoffs.paper import checkpoint_of, laid, nothing, qr
from biobank.handoffs.queries import Handoff
from biobank.labels import content, symbols
from biobank.labels.pdf import Sheet
from biobank.models import Unit
from biobank.models.shipments import HAZARDS, TERMS
from biobank.store import classes
from biobank.templatetags.words import additive_words, celsius, matrix_words, volume, when_offset
from custody import queries as ledger

NOT_PLANNED = "no plan says"
# what a tube holds beside the sample and is a hazard by itself; common knowledge, no source
CHEMICAL = {"ETOH": "flammable", "F10": "toxic"}
DRY_ICE = "dry ice, UN1845, class 9"  # 49 CFR 173.217(c)(4)


@dataclass(frozen=True)
class Row:
    """One tube. box: empty for a loose one; slot: its name in the box, or empty."""

    n: int
    tube: str
    label: str
    matrix: str
    additive: str
    volume: str
    cold: str
    box: str
    slot: str


@dataclass(frozen=True)
class Manifest:
    """What stands on it. facts: (name, value), none of them empty."""

    handoff: Handoff
    giver: Party
    receiver: Party
    given_by: str
    at: str
    programme: str
    facts: Sequence[tuple[str, str]]
    seal: Seal
    rows: Sequence[Row]
    boxes: Sequence[tuple[str, str, int]]
    types: Sequence[tuple[str, str, int]]
    cold: Sequence[tuple[str, int]]

    @property
    def in_boxes(self) -> int:
        return sum(bool(box) for box, _, _ in self.boxes)

    @property
    def word(self) -> str:
        return "Shipment" if self.handoff.header["kind"] == "shipped" else "Handoff"

    @property
    def title(self) -> str:
        return f"{self.word} {self.handoff.said.seq}"


def manifest(one: Handoff) -> Manifest:
    """At most 16 queries, however many tubes."""
    header, known = one.header, names()
    units = Unit.objects.in_bulk({line["box"] for line in one.said.lines if "box" in line}, field_name="code")
    rows = _rows(one, units)
    counts = Counter(row.box for row in rows)
    boxes = [(box, units[box].word if box in units else "box", n) for box, n in counts.items()]
    return Manifest(
        one, party(header["org"]), party(header["data"]["to"]),
        f"{known.get(header['by'], header['by'])} ({header['by']})", when_zone(header),
        programme_of(header["by"]), _facts(one), seal_of(header, known), rows, boxes,
        [(*kind, n) for kind, n in Counter((row.matrix, row.additive) for row in rows).most_common()],
        Counter(row.cold for row in rows).most_common(),
    )  # fmt: skip


def _rows(one: Handoff, units: Mapping[str, Unit]) -> list[Row]:
    lines = [line for line in one.said.lines if "t" in line]
    states, targets = ledger.states(one.tubes), classes.targets(one.tubes)
    # loose tubes after those in boxes; in a box as they lie in it
    lines.sort(key=lambda line: (line.get("box", "~"), line.get("row", 0), line.get("col", 0), line["t"]))
    found = []
    for n, line in enumerate(lines, 1):
        state, target = states[line["t"]], targets.get(line["t"])
        cold = NOT_PLANNED if target is None else WORDS[class_of(target)]
        found.append(Row(
            n, line["t"], state.label or "no label text", matrix_words(state.matrix),
            _additive(state.additive), volume(state.volume_ul), cold, line.get("box", ""),
            slot(line, units.get(line.get("box", ""))),
        ))  # fmt: skip
    return found


def _additive(code: str) -> str:
    return str(additive_words(code)) + (f" ({CHEMICAL[code]})" if code in CHEMICAL else "")


def slot(line: Mapping[str, Any], unit: Unit | None) -> str:
    """The name of its place in a box: `A1`; without a grid row and column; empty when none was said."""
    row, col = line.get("row"), line.get("col")
    if not row or not col:
        return ""
    if unit is None or unit.kind != "box" or row > unit.grid.rows or col > unit.grid.cols:
        return f"row {row}, column {col}"
    return unit.grid.name(row, col)


def _facts(one: Handoff) -> list[tuple[str, str]]:
    header, data = one.header, one.header["data"]
    ice = f"{one.ice_kg} kg net" if one.ice_kg else NONE
    return [
        ("How it was held", dict(HOW)[data["how"]]),
        ("Temperature inside", celsius(data["centi_c"]) if "centi_c" in data else "not measured"),
        ("Hazard", hazard(one)),
        ("Carrier", data.get("carrier", NONE)), ("Waybill", data.get("waybill", NONE)),
        ("Logger numbers", data.get("logger", NONE)), ("Dry ice", ice),
        ("Due by", when_offset(data["due_ms"], header["tz"]) if "due_ms" in data else "no time agreed"),
        ("Analyses", gate.called(data.get("assay")) or NONE),
        ("Terms", dict(TERMS).get(data.get("terms", ""), "none said")),
        ("Shipment number", data.get("shipment", NONE)),
        ("Remarks", Discretion()(data.get("note", "")) or NONE),
    ]  # fmt: skip


def hazard(one: Handoff) -> str:
    """What is to be written on the outside, as the giver said it."""
    word = dict(HAZARDS).get(one.header["data"].get("hazard", ""), "not said: treat it as infectious")
    return f"{word}; {DRY_ICE}" if one.ice_kg else word


def manifest_pdf(one: Handoff, link: str = "") -> bytes:
    """link: address of a one-time link for the receiver, which only the page that made it knows."""
    said = manifest(one)
    sheets = _leaves(said)
    html = laid("print/manifest.html", {
        "one": one, "said": said, "leaves": leaves.places(sheets), "definition": CUSTODY, "source": SOURCE,
        "address": address(one), "address_symbol": qr(address(one)), "id_symbol": qr(one.said.id),
        "link": link, "link_symbol": qr(link) if link else "", **checkpoint_of(one.said.seq),
    })  # fmt: skip
    return leaves.pdf(html, sheets, nothing)


def address(one: Handoff) -> str:
    """The handoff's page, or its id where this site does not know its own address."""
    site = str(settings.SITE_URL or "").rstrip("/")
    return f"{site}/handoffs/{one.said.id}/" if site else one.said.id


# --- the list, on its leaves ----------------------------------------------------------------------

LEFT, RIGHT, TOP, BOTTOM = leaves.MARGIN, leaves.RIGHT, 29.0, 275.0
HIGH = 7.9  # of a row
EACH = int((BOTTOM - TOP) // HIGH)
DOTS = 5  # of a module: 0.42 mm
SIGN = 50  # dots
# neighbours stand aside from each other, so that a hand-held reader sees one at a time
SYMBOLS = (31.5, 40.0)
HEADS = [
    (LEFT, "Here"), (24, "No."), (SYMBOLS[0], "Symbol"), (49, "Tube"), (79, "Sample and additive"),
    (124, "Volume"), (139, "Store at"), (165, "Hazard"), (177, "Condition"),
]  # fmt: skip


def _leaves(said: Manifest) -> list[Sheet]:
    """A heading for each box, then its tubes; a heading is never the last on its leaf."""
    found: list[Sheet] = []
    at, box = EACH, None
    for row in said.rows:
        need = 2 if row.box != box else 1
        if at + need > EACH:
            found.append(_begun(said, row))
            at = 0
        if row.box != box or at == 0:
            _heading(found[-1], at, row, said, again=row.box == box)
            at, box = at + 1, row.box
        _row(found[-1], at, row)
        at += 1
    return found


def _begun(said: Manifest, first: Row) -> Sheet:
    sheet = leaves.leaf()
    beside = f"{said.giver.code} to {said.receiver.code}, from no. {first.n} of {len(said.rows)}"
    leaves.heads(sheet, f"{said.title}, list of tubes", beside, HEADS, TOP)
    return sheet


def _heading(sheet: Sheet, at: int, row: Row, said: Manifest, again: bool) -> None:
    top = TOP + at * HIGH
    word, count = next((word, n) for box, word, n in said.boxes if box == row.box)
    name = f"{word.capitalize()} {row.box}" if row.box else "Loose, in no box of ours"
    more = ", continued" if again else ""
    leaves.say(
        sheet, f"{name}: {count} tube{'s' if count > 1 else ''}{more}", LEFT, top + 2.6, 170, 8.5, bold=True
    )
    leaves.rule(sheet, LEFT, top + HIGH - 0.5, RIGHT, 3)


def _row(sheet: Sheet, at: int, row: Row) -> None:
    top = TOP + at * HIGH
    _square(sheet, LEFT, top + 1.2, 60)
    leaves.say(sheet, str(row.n), 22, top + 2.4, 7, 7.5, right=True)
    _symbol(sheet, top, row)
    leaves.say(sheet, codes.show(row.tube), 49, top + 0.7, 28, 9, bold=True)
    leaves.say(sheet, content.title(row.label, 19), 49, top + 4.4, 28, 6.8)
    leaves.say(sheet, row.matrix, 79, top + 1.0, 42, 7.5)
    leaves.say(sheet, row.additive, 79, top + 4.4, 42, 6.8)
    leaves.say(sheet, row.volume, 118, top + 1.0, 17, 7.5, right=True)
    leaves.say(sheet, row.cold, 139, top + 1.0, 26, 7.5)
    leaves.say(sheet, f"slot {row.slot}" if row.slot else "", 139, top + 4.4, 26, 6.8)
    sheet.mask(symbols.hazard_mask(SIGN), SIGN, SIGN, 167, top + 1.4)
    leaves.rule(sheet, LEFT, top + HIGH - 0.4, RIGHT, 1)


def _symbol(sheet: Sheet, top: float, row: Row) -> None:
    side = MATRIX_MODULES * DOTS
    sheet.mask(symbols.matrix_mask(row.tube, DOTS), side, side, SYMBOLS[row.n % 2], top + 0.7)


def _square(sheet: Sheet, left: float, top: float, dots: int) -> None:
    far = sheet.stock.mm(dots)
    for at in (0.0, far):
        sheet.bar(left, top + at, dots + 3, 3)
        sheet.bar(left + at, top, 3, dots + 3)
