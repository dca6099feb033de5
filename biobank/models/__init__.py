"""The nouns of the biobank, by file. One app label; Django finds them here."""

from .blood import BloodAllowance, BloodLimit
from .checks import Assay, AssayTakes, Rule, RuleSet
from .counts import Count, CountDraw, CountRead
from .disposal import Consent, ConsentRule, ConsentTube, ExposureLimit, ThawAnswer
from .evacuation import Evacuation, ThermalEvent
from .field import Animal, FieldDay, Identifier, Sex, Site, Workup
from .identity import AnimalMerge
from .imports import TableDraft, TableImport, TableMapping
from .loggers import Logger, LoggerDraft, LoggerImport, LoggerMapping, LoggerPlacement, ReadingDay
from .lots import TubeLot
from .packing import PackScan
from .people import Agency, Person, Programme, Role
from .plans import (
    ADDITIVES,
    MATRICES,
    PlannedAliquot,
    PlannedTube,
    SamplePlan,
    ShortRule,
    Taxon,
    Tube,
    TubeSet,
)
from .printers import Printer
from .rotor import Rotor
from .scan import Pass
from .sheets import SheetPhoto
from .store import Unit
from .swap import Swap
from .vitals import Girth, Vital

__all__ = [
    "ADDITIVES",
    "MATRICES",
    "Agency",
    "Animal",
    "AnimalMerge",
    "Assay",
    "AssayTakes",
    "BloodAllowance",
    "BloodLimit",
    "Consent",
    "ConsentRule",
    "ConsentTube",
    "Count",
    "CountDraw",
    "CountRead",
    "Evacuation",
    "ExposureLimit",
    "FieldDay",
    "Girth",
    "Identifier",
    "Logger",
    "LoggerDraft",
    "LoggerImport",
    "LoggerMapping",
    "LoggerPlacement",
    "PackScan",
    "Pass",
    "Person",
    "PlannedAliquot",
    "PlannedTube",
    "Printer",
    "Programme",
    "ReadingDay",
    "Role",
    "Rotor",
    "Rule",
    "RuleSet",
    "SamplePlan",
    "Sex",
    "SheetPhoto",
    "ShortRule",
    "Site",
    "Swap",
    "TableDraft",
    "TableImport",
    "TableMapping",
    "Taxon",
    "ThawAnswer",
    "ThermalEvent",
    "Tube",
    "TubeLot",
    "TubeSet",
    "Unit",
    "Vital",
    "Workup",
]
