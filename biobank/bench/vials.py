"""Whether a vial is the right one for what is poured: its label, its words, its place in the rack.

Promises: nothing is written; a vial that does not belong is refused with the two words that disagree. What a
label does not say is not held against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest

from biobank.bench.queries import is_aliquot_label
from biobank.core import codes
from biobank.models import ADDITIVES, MATRICES, Tube
from custody.core.refusal import Refused
from custody.core.state import TubeState

CLOTS = {"NONE", "CLOT", "SST", "TRCN"}  # blood clots in these and gives serum
STAYS_LIQUID = {"EDTK", "HEPL", "HEPN", "C32", "ACDA", "NAF", "TRCE"}  # and in these it gives plasma
MADE_OF_BLOOD = {"BLD", "SER", "PL1", "BUF", "CEL", "DBS", "SME"}
MADE_OF = {  # what can be poured out of a tube that holds no whole blood
    "SER": {"SER"}, "PL1": {"PL1"}, "BUF": {"BUF", "CEL"}, "CEL": {"CEL"}, "DBS": {"DBS"}, "SME": {"SME"},
}  # fmt: skip
UNSAID = {"", "NONE"}  # a label of plasma that names no anticoagulant says nothing of it
# by the word in a container's name; a cryovial that names nothing is of polypropylene as sold.
# Common practice, no source
MATERIALS = [
    ("glass", "glass"), ("ptfe", "PTFE"), ("polypropylene", "polypropylene"), ("polystyrene", "polystyrene"),
    ("polyethylene", "polyethylene"), ("foil", "aluminium foil"), ("paper", "paper"), ("steel", "steel"),
    ("cryovial", "polypropylene"), ("pet ", "PET"),
]  # fmt: skip


def material(container: str) -> str:
    """What the content touches, read from the container's name; empty when that does not say it."""
    name = f"{container.lower()} "
    return next((said for word, said in MATERIALS if word in name), "")


def labels_for(parent: TubeState, children: Sequence[str]) -> dict[str, Tube]:
    """The printed labels of these vials; Refused for the first that does not belong. 1 query.

    Refused: not_an_aliquot_label, tube_unknown, label_of_another_tube, label_of_another_set,
    vial_of_another_matrix, vial_of_another_additive.
    """
    rows = {row.code: row for row in Tube.objects.filter(code__in=[parent.tube, *children])}
    source = rows.get(parent.tube)
    for code in children:
        label = rows.get(code)
        wrong = _label_wrong(code, label, parent.tube, source) or (label and content_wrong(parent, label))
        if wrong:
            raise Refused(wrong[0], f"{codes.show(code)}: {wrong[1]}", code)
    return rows


def _label_wrong(code: str, label: Tube | None, parent: str, source: Tube | None) -> tuple[str, str] | None:
    if code == parent:
        return "not_an_aliquot_label", "this is the tube that is being aliquoted."
    if label is None:
        return "tube_unknown", "no label with this code was printed."
    if not is_aliquot_label(code):
        return "not_an_aliquot_label", "this is the label of a primary tube, not of an aliquot."
    if label.parent_hint and label.parent_hint != parent:
        return (
            "label_of_another_tube",
            f"this label was printed for aliquots of {codes.show(label.parent_hint)}.",
        )
    if source and source.tube_set_id and label.tube_set_id and source.tube_set_id != label.tube_set_id:
        return (
            "label_of_another_set",
            "this label belongs to another tube set, which may be another animal's.",
        )
    return None


def content_wrong(parent: TubeState, label: Tube) -> tuple[str, str] | None:
    """Plasma into a serum vial and the like: the code and what disagrees; None when it fits."""
    possible = gives(parent)
    if possible is not None and label.matrix not in possible:
        return (
            "vial_of_another_matrix",
            f"the label says {matrix(label.matrix)}, and {_tube(parent)} gives {_either(possible)}.",
        )
    if _other_additive(parent.additive, label):
        words = dict(ADDITIVES)
        return (
            "vial_of_another_additive",
            f"the label says {words[label.additive]}, and this tube is {words[parent.additive]}.",
        )
    return None


def gives(parent: TubeState) -> set[str] | None:
    """The matrices that can be poured from this tube; None: any, or it is not known."""
    if parent.matrix != "BLD":
        return MADE_OF.get(parent.matrix)
    if parent.additive in CLOTS:
        return {"SER", "BLD", "CEL", "DBS", "SME"}
    if parent.additive in STAYS_LIQUID:
        return {"PL1", "BLD", "BUF", "CEL", "DBS", "SME"}
    return {"BLD", "DBS", "SME"} if parent.additive else MADE_OF_BLOOD


def _other_additive(additive: str, label: Tube) -> bool:
    if not additive or not label.additive or label.additive == additive:
        return False
    return label.additive not in UNSAID or label.matrix == "SER"


def _either(possible: set[str]) -> str:
    """The one word that matters: what a spin sets free, else what is in the tube."""
    return next((matrix(one) for one in ("SER", "PL1") if one in possible), matrix(min(possible)))


def _tube(parent: TubeState) -> str:
    if parent.matrix != "BLD":
        return f"a tube of {matrix(parent.matrix)}"
    return f"blood in {dict(ADDITIVES).get(parent.additive, 'this tube')}"


def matrix(code: str) -> str:
    return dict(MATRICES).get(code, code)


def check_rack(expected: Sequence[str], scanned: Sequence[str]) -> None:
    """Refused, naming the first place of the rack where what was scanned is not what stands there.

    expected, scanned: codes in rack order, from place 1. Refused: line_twice, rack_order.
    """
    for place, (want, got) in enumerate(zip_longest(expected, scanned), 1):
        if got in scanned[: place - 1]:
            before = scanned.index(got) + 1
            raise Refused(
                "line_twice", f"position {place}: {codes.show(got)} was scanned at position {before} already."
            )
        if want != got:
            raise Refused("rack_order", f"position {place}: {_wanted(want)}, {_scanned(got)}.", got)


def _wanted(code: str | None) -> str:
    return f"expected {codes.show(code)}" if code else "nothing is expected"


def _scanned(code: str | None) -> str:
    return f"scanned {codes.show(code)}" if code else "nothing was scanned"
