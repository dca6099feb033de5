"""Limits that others published, to compare with. None of them is anybody's rule here.

Promises: data only, each with its source; figures for other species are no guide to yours.
"""

from __future__ import annotations

from dataclasses import dataclass

from biobank.core import blood
from biobank.core.blood import Rule


@dataclass(frozen=True)
class Published:
    what: str
    rule: Rule | None
    source: str

    @property
    def words(self) -> str:
        return blood.words(self.rule) if self.rule else ""


DAVIS = "University of California, Davis"
TEXTS = [
    Published("Research animals", Rule(mass_per_mille=10, window_days=14), DAVIS),
    Published("The same, when weekly", Rule(mass_per_mille=5, window_days=7), DAVIS),
    Published(
        "Dogs, at once", Rule(volume_per_mille=150, ml_per_kg=85),
        "altasciences.com, blood volumes after Diehl 2001",
    ),
    Published(
        "Small birds, at once", Rule(volume_per_mille=100, ml_per_kg=100),
        "University of Pennsylvania, cal.vet.upenn.edu",
    ),
    Published(
        "Hooded seals hold 104 to 162 mL of blood in a kilogram (seven animals)", None,
        "Cabanac 2000, Can J Zool 78:1293",
    ),
]  # fmt: skip
