"""The nouns of the biobank, by file. One app label; Django finds them here."""

from .checks import Assay, AssayTakes, Rule, RuleSet
from .field import Animal, FieldDay, Identifier, Sex, Site, Workup
from .imports import TableDraft, TableImport, TableMapping
from .loggers import Logger, LoggerDraft, LoggerImport, LoggerMapping, LoggerPlacement, ReadingDay
from .people import Agency, Person, Programme, Role
from .plans import ADDITIVES, MATRICES, PlannedTube, SamplePlan, Tube, TubeSet
from .store import Unit

__all__ = [
    "ADDITIVES",
    "MATRICES",
    "Agency",
    "Animal",
    "Assay",
    "AssayTakes",
    "FieldDay",
    "Identifier",
    "Logger",
    "LoggerDraft",
    "LoggerImport",
    "LoggerMapping",
    "LoggerPlacement",
    "Person",
    "PlannedTube",
    "Programme",
    "ReadingDay",
    "Role",
    "Rule",
    "RuleSet",
    "SamplePlan",
    "Sex",
    "Site",
    "TableDraft",
    "TableImport",
    "TableMapping",
    "Tube",
    "TubeSet",
    "Unit",
    "Workup",
]
