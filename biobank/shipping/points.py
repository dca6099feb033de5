"""The packing list: what somebody looks at before a box leaves, and the marks that go on it.

Promises: each point says where it was read and how well: "read" in the regulation's own text (or a plain copy
of it), "second-hand" on a page that tells of it, "from memory" in no text at all, "common practice" without
a source. Nothing here says that a shipment may go: that is for the shipper and the regulations of the day.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

CAUTION = (
    "A reminder and no rule book. Consult your shipper and current regulations; whoever packs dangerous "
    "goods has been trained for it."
)
READ, SECOND, MEMORY, PRACTICE = "read", "second-hand", "from memory", "common practice"
LIQUIDS = {"ETOH", "F10"}  # additives that are dangerous goods of their own


@dataclass(frozen=True)
class Mark:
    """A text on the outside of the package, and what goes beside it. un: its UN number."""

    text: str
    how: str = ""
    un: str = ""


@dataclass(frozen=True)
class Point:
    """One thing to look at. when: words of `situation` of which one must hold; empty: always."""

    code: str
    words: str
    source: str
    status: str
    when: frozenset[str] = frozenset()
    group: str = ""
    marks: tuple[Mark, ...] = ()

    @property
    def told(self) -> str:
        """Where it comes from and how well that is known."""
        return self.source if self.source.startswith(self.status) else f"{self.source}, {self.status}"


def _point(group: str, when: str, code: str, words: str, source: str, status: str, *marks: Mark) -> Point:
    return Point(code, words, source, status, frozenset(when.split()), group, marks)


B, EXEMPT, ICE, NITROGEN, PRESERVED, ANY = (
    "Biological substance, category B", "Exempt animal specimen", "Dry ice", "Dry shipper",
    "Formalin, ethanol", "All",
)  # fmt: skip
CFR199, CFR217 = "49 CFR 173.199", "49 CFR 173.217"

POINTS = [
    _point(B, "category_b", "b_triple",
           "Three layers: the tubes, a second container around them, a rigid outer box. Nothing can break, "
           "be punctured or leak into the second one; cushioning lies between it and the outer box.",
           f"{CFR199}(a)(1)-(4)", READ),
    _point(B, "category_b", "b_liquid",
           "Liquids: tubes that do not leak, enough between them and the second container to soak up all of "
           "it, glass wrapped or kept apart.", f"{CFR199}(b)", READ),
    _point(B, "category_b", "b_pressure",
           "The tubes or the second container withstand 95 kPa from −40 to +55 °C, and the whole package a "
           "drop of 1.2 m: ask the maker for the paper.", "packing instruction 650", MEMORY),
    _point(B, "category_b", "b_amount",
           "By air: at most 1 L in a tube or bottle and 4 L in a package, or 4 kg of solids; ice does not "
           "count.", "a university's page on its transport", SECOND),
    _point(B, "category_b", "b_mark",
           "On the outside: UN3373 in a square that stands on its point, each side 50 mm or more, and beside "
           "it “Biological substance, Category B” in letters of 6 mm or more.",
           "packaging pages of two universities", SECOND,
           Mark("Biological substance, Category B", "letters at least 6 mm high", "UN3373")),
    _point(B, "category_b", "b_size", "The outer box is nowhere shorter than 100 mm.",
           "a university's packaging page (one face of 100 × 100 mm: from memory)", SECOND),
    _point(B, "category_b", "b_contact",
           "Name, address and telephone of a responsible person stand on the package or its paper.",
           "a university's page on category B", SECOND),
    _point(B, "category_b", "b_arrows",
           "Arrows show which side is up, unless each tube holds 50 mL or less.",
           "a university's packaging page", SECOND),
    _point(EXEMPT, "exempt", "x_exempt",
           "Somebody with the knowledge to say so judged that pathogens are hardly likely in it, it is not "
           "sent to be tested for them, and nothing else about it is dangerous.",
           "a university's page on exempt specimens", SECOND),
    _point(EXEMPT, "exempt", "x_layers",
           "Tubes that do not leak, a second container that does not leak, an outer box with one face of "
           "100 × 100 mm or more; enough to soak up the liquid.",
           "a university's page on exempt specimens", SECOND),
    _point(EXEMPT, "exempt", "x_mark", "On the outside: “Exempt animal specimen”.",
           "a carrier's text as another page tells it", SECOND, Mark("Exempt animal specimen")),
    _point(ICE, "dry_ice", "ice_vent",
           "The gas can leave every layer that holds the ice: never in a sealed box, never in the second "
           "container. Dry ice bursts what is sealed.", f"{CFR217}(a)", READ),
    _point(ICE, "dry_ice", "ice_mark",
           "On the outside: “Dry ice” or “Carbon dioxide, solid”, UN1845, class 9, and the net mass of the "
           "dry ice.", f"{CFR217}(a), (c)(1)-(4)", READ,
           Mark("Dry ice", "or “Carbon dioxide, solid”; class 9 label; net mass in kg", "UN1845")),
    _point(ICE, "dry_ice", "ice_paper",
           "By air: the operator was told, and the papers name Dry ice or Carbon dioxide, solid, UN1845, "
           "class 9, the number of packages and the net quantity.", f"{CFR217}(c)(2), (c)(4)", READ),
    _point(ICE, "dry_ice", "ice_refill",
           "Somebody is named who adds dry ice when it is held up, and the box says that they may.",
           "common practice", PRACTICE),
    _point(NITROGEN, "dry_shipper", "n_charge",
           "Weighed empty and charged, all loose liquid poured out: the vapour and not the liquid travels. "
           "The charge is written down.", "a maker's sheet for one dry shipper", SECOND),
    _point(NITROGEN, "dry_shipper", "n_upright",
           "It stays upright: a carton that shows it and cannot lie, or the time for lying was planned. One "
           "model holds 20 days upright and 4 lying.", "a maker's sheet for one dry shipper", SECOND),
    _point(NITROGEN, "dry_shipper", "n_carrier",
           "The carrier takes a dry shipper, and was told what is in it.", "common practice", PRACTICE),
    _point(PRESERVED, "", "p_small",
           "With formalin, ethanol or another preservative of class 3, 8 or 9: no more than 30 mL or 30 g in "
           "each inner container. More than that is another kind of shipment.",
           f"{CFR199}(a)(9)(iii)", READ),
    _point(PRESERVED, "preserved", "p_apart",
           "Formalin is in a box of its own: its fumes ruin smears. Ethanol burns: ask the carrier for the "
           "limits.", "common practice; limits by air are for the carrier to say", PRACTICE),
    _point(ANY, "", "a_counted",
           "The tubes were counted, the number stands on the lid sheet, and the papers lie in a bag between "
           "the second container and the outer box.", "common practice", PRACTICE),
    _point(ANY, "", "a_told",
           "The receiver knows what comes, when, by which carrier, and has said that somebody will be there.",
           "common practice", PRACTICE),
]  # fmt: skip

GASES = {
    "dry_ice": (
        "Dry ice",
        "It bursts sealed boxes, its gas suffocates and it burns skin. A vented package, the net mass on the "
        "outside, gloves, and air in the vehicle: nobody rides beside it in a closed car.",
    ),
    "dry_shipper": (
        "Liquid nitrogen",
        "One volume of it makes about 700 of gas. Below 19.5 % oxygen nobody goes in; one loses "
        "consciousness without warning. Three litres spilt in a car bring the oxygen below 15 %: never carry "
        "an open vessel in a car.",
    ),
}  # sources: trade handbooks and safety pages, read second-hand


def situation(hazard: str, coolants: Collection[str], additives: Collection[str]) -> set[str]:
    """The words that decide which points are asked."""
    return {hazard, *coolants} | ({"preserved"} if LIQUIDS & set(additives) else set())


def asked(said: Collection[str]) -> list[Point]:
    """The points of this situation, in their order."""
    return [one for one in POINTS if not one.when or one.when & set(said)]


def marks(said: Collection[str]) -> list[Mark]:
    """What goes on the outside."""
    return [mark for one in asked(said) for mark in one.marks]
