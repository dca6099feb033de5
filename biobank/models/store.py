"""Units: freezers, shelves, racks, boxes, coolers and benches, and the grid of a box.

Promises: what a unit is stands here; where it is and what is in it comes from the ledger
(`custody.queries`), so moving a box is one event and no edit.
"""

from __future__ import annotations

from typing import cast

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from biobank.core.grid import NAMINGS, Grid, Naming

from .people import CODE, Agency

KINDS = ["freezer", "tank", "fridge", "cooler", "shipper", "shelf", "drawer", "rack", "canister", "goblet"]
KINDS += ["box", "bench", "room"]  # a cane is a box of one column


class Unit(models.Model):
    """A place in the storage tree. A box has rows and columns and, by these, slots.

    nominal_centi        set point, hundredths of °C; empty: as warm as what it stands in
    alarm_above_centi    a reading above it is an excursion
    alarm_below_centi    a reading below it is an excursion (for a fridge)
    """

    code = models.CharField(max_length=20, unique=True, validators=[CODE])
    kind = models.CharField(max_length=8, choices=[(kind, kind) for kind in KINDS])
    name = models.CharField(max_length=80)
    agency = models.ForeignKey(Agency, models.PROTECT, related_name="units")
    rows = models.PositiveSmallIntegerField(null=True, blank=True)
    cols = models.PositiveSmallIntegerField("columns", null=True, blank=True)
    naming = models.CharField(max_length=5, default="A1", choices=list(NAMINGS.items()))
    nominal_centi = models.SmallIntegerField("set point, hundredths of °C", null=True, blank=True)
    alarm_above_centi = models.SmallIntegerField("alarm above, hundredths of °C", null=True, blank=True)
    alarm_below_centi = models.SmallIntegerField("alarm below, hundredths of °C", null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=KINDS), name="unit_kind_is_known_word"),
            models.CheckConstraint(
                # isnull as well: a comparison with NULL is not false, and a CHECK lets it pass
                condition=Q(
                    kind="box",
                    rows__isnull=False,
                    cols__isnull=False,
                    rows__gte=1,
                    rows__lte=99,
                    cols__gte=1,
                    cols__lte=99,
                )
                | (~Q(kind="box") & Q(rows=None, cols=None)),
                name="a_box_and_nothing_else_has_rows_and_columns",
            ),
            models.CheckConstraint(condition=Q(naming__in=list(NAMINGS)), name="unit_naming_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.code})"

    @property
    def grid(self) -> Grid:
        """The box's slots; ValueError for a unit without rows and columns."""
        if not self.rows or not self.cols:
            raise ValueError(f"{self.code} is not a box")
        return Grid(self.rows, self.cols, cast(Naming, self.naming))

    @property
    def word(self) -> str:
        """What people call it: a box of one column is a cane, whose places are counted from the top."""
        return "cane" if self.kind == "box" and self.cols == 1 else self.kind
