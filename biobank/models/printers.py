"""Label printers: which stock is in them, and by how much they print beside the mark.

Promises: the shift is what was measured on a calibration page; its history says when, by whom and from what.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from .people import Programme

MOST_UM = 20_000


class Printer(models.Model):
    """A printer with one stock in it; the same machine with another stock is another row.

    stock                    code of a stock in `biobank.labels.stocks`, made for the printer's `dpi`
    shift_x_um, shift_y_um   everything is moved right and down by so many micrometres, so that it lands true
    """

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="printers")
    name = models.CharField(max_length=60)
    stock = models.CharField("label stock", max_length=20)
    dpi = models.PositiveSmallIntegerField("dots per inch")
    shift_x_um = models.IntegerField("moved right, µm", default=0)
    shift_y_um = models.IntegerField("moved down, µm", default=0)
    note = models.CharField(max_length=200, blank=True)
    retired = models.BooleanField("no longer in use", default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "name"], name="printer_name_once"),
            models.CheckConstraint(
                condition=Q(shift_x_um__gte=-MOST_UM, shift_x_um__lte=MOST_UM)
                & Q(shift_y_um__gte=-MOST_UM, shift_y_um__lte=MOST_UM),
                name="printer_shift_is_small",
            ),
            models.CheckConstraint(condition=Q(dpi__gte=1), name="printer_has_dots"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def right_mm(self) -> str:
        return _mm(self.shift_x_um)

    @property
    def down_mm(self) -> str:
        return _mm(self.shift_y_um)


def _mm(um: int) -> str:
    return f"{um / 1000:.2f}".replace("-", "−")
