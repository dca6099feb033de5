"""The nouns of the biobank, by file. One app label; Django finds them here."""

from .alarms import Alarm, AlarmMail, AlarmSetting, AlarmTest, AlarmWatch, OnCall
from .blood import BloodAllowance, BloodLimit
from .checks import Assay, AssayTakes, Rule, RuleSet
from .corrections import CalibrationCertificate, ClockCheck, NominalTemperature, ReadingExclusion
from .counts import Count, CountDraw, CountRead
from .disposal import Consent, ConsentRule, ConsentTube, ExposureLimit, ThawAnswer
from .evacuation import Evacuation, ThermalEvent
from .field import Animal, FieldDay, Identifier, Sex, Site, Workup
from .handoffs import HandoffCase, HandoffLink, HandoffPaper, OwnNumber, TransferLetter
from .identity import AnimalMerge
from .imports import TableDraft, TableImport, TableMapping
from .life import ThermalResult
from .loggers import Logger, LoggerPlacement
from .lots import TubeLot
from .packing import PackScan
from .people import Agency, Person, Programme, Role
from .permits import Permit, PermitFile
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
from .readings import (
    LiveReading,
    LoggerDraft,
    LoggerImport,
    LoggerMapping,
    LoggerToken,
    ReadingBlock,
    ReadingConflict,
)
from .rotor import Rotor
from .scan import Pass
from .sheets import SheetPhoto
from .shipments import ClosedDay, Leg, OpenHours, PackingCheck, Shipment, ShipmentTube
from .store import Unit
from .swap import Swap
from .verdicts import Judgement, OpenFinding, Trial, TrialChange
from .vitals import Girth, Vital

__all__ = [
    "ADDITIVES",
    "MATRICES",
    "Agency",
    "Alarm",
    "AlarmMail",
    "AlarmSetting",
    "AlarmTest",
    "AlarmWatch",
    "Animal",
    "AnimalMerge",
    "Assay",
    "AssayTakes",
    "BloodAllowance",
    "BloodLimit",
    "CalibrationCertificate",
    "ClockCheck",
    "ClosedDay",
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
    "HandoffCase",
    "HandoffLink",
    "HandoffPaper",
    "Identifier",
    "Judgement",
    "Leg",
    "LiveReading",
    "Logger",
    "LoggerDraft",
    "LoggerImport",
    "LoggerMapping",
    "LoggerPlacement",
    "LoggerToken",
    "NominalTemperature",
    "OnCall",
    "OpenFinding",
    "OpenHours",
    "OwnNumber",
    "PackScan",
    "PackingCheck",
    "Pass",
    "Permit",
    "PermitFile",
    "Person",
    "PlannedAliquot",
    "PlannedTube",
    "Printer",
    "Programme",
    "ReadingBlock",
    "ReadingConflict",
    "ReadingExclusion",
    "Role",
    "Rotor",
    "Rule",
    "RuleSet",
    "SamplePlan",
    "Sex",
    "SheetPhoto",
    "Shipment",
    "ShipmentTube",
    "ShortRule",
    "Site",
    "Swap",
    "TableDraft",
    "TableImport",
    "TableMapping",
    "Taxon",
    "ThawAnswer",
    "ThermalEvent",
    "ThermalResult",
    "TransferLetter",
    "Trial",
    "TrialChange",
    "Tube",
    "TubeLot",
    "TubeSet",
    "Unit",
    "Vital",
    "Workup",
]
