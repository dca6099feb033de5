"""What people do with loggers and their files, under one name for those outside: see placing and filing."""

from biobank.temperature.filing import Look, Stored, draft, look, save_mapping, store
from biobank.temperature.placing import add_logger, end_placement, place

__all__ = [
    "Look",
    "Stored",
    "add_logger",
    "draft",
    "end_placement",
    "look",
    "place",
    "save_mapping",
    "store",
]
