"""What shall be drawn: sample plans with their planned tubes, and the tube sets printed from them.

Promises: a plan that was printed from is never edited, an edit makes the next version; a tube set
keeps the very version it was printed from.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from .field import FieldDay, Workup
from .people import CODE, Programme

# SPREC letters where the standard has them; ours (SWB) otherwise. Words: biobank.templatetags.words.
MATRICES = [
    ("BLD", "whole blood"),
    ("SER", "serum"),
    ("PL1", "plasma"),
    ("BUF", "buffy coat"),
    ("SWB", "swab"),
    ("URN", "urine"),
    ("TIS", "tissue"),
]
# Additive codes after HL7 v2 table 0371.
ADDITIVES = [
    ("EDTK", "K-EDTA"),
    ("HEPL", "lithium heparin"),
    ("HEPN", "sodium heparin"),
    ("C32", "citrate 3.2 %"),
    ("SST", "clot activator and gel"),
    ("NAF", "sodium fluoride"),
    ("NONE", "no additive"),
]


class SamplePlan(models.Model):
    """One version of a list of planned tubes."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="plans")
    code = models.CharField(max_length=20, validators=[CODE])
    version = models.PositiveSmallIntegerField(default=1)
    name = models.CharField(max_length=120)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["code", "version"], name="plan_version_once"),
            models.CheckConstraint(condition=Q(version__gte=1), name="plan_version_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.name}, version {self.version}"


class PlannedTube(models.Model):
    """One primary tube of a plan. `number` is the three digits in its tube code (1-99 primaries;
    aliquots of a set are numbered from 101 upwards as they are printed or scanned)."""

    plan = models.ForeignKey(SamplePlan, models.PROTECT, related_name="tubes")
    number = models.PositiveSmallIntegerField()
    label = models.CharField(max_length=40)
    matrix = models.CharField(max_length=3, choices=MATRICES)
    additive = models.CharField(
        max_length=5, choices=ADDITIVES, default="NONE", blank=True
    )  # empty: not known
    cap = models.CharField("cap colour", max_length=20, blank=True)
    container = models.CharField(max_length=40, blank=True)
    volume_ul = models.PositiveIntegerField("nominal volume, µL", null=True, blank=True)
    order_of_draw = models.PositiveSmallIntegerField(default=0)
    handling = models.CharField(max_length=160, blank=True)
    target_centi = models.SmallIntegerField("storage target, hundredths of °C", null=True, blank=True)
    aliquots = models.PositiveSmallIntegerField("planned aliquots", default=0)
    aliquot_matrix = models.CharField(max_length=3, choices=MATRICES, blank=True)
    aliquot_ul = models.PositiveIntegerField("aliquot volume, µL", null=True, blank=True)
    priority = models.PositiveSmallIntegerField("priority when blood is short", default=1)
    purpose = models.CharField(max_length=120, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["plan", "order_of_draw", "number"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "number"], name="planned_tube_number_once"),
            models.CheckConstraint(
                condition=Q(number__gte=1, number__lte=99), name="planned_tube_number_1_to_99"
            ),
            models.CheckConstraint(
                condition=Q(volume_ul=None) | Q(volume_ul__gte=1), name="planned_volume_positive"
            ),
            models.CheckConstraint(
                condition=Q(aliquots=0)
                | (Q(aliquot_ul__isnull=False, aliquot_ul__gte=1) & ~Q(aliquot_matrix="")),
                name="planned_aliquots_have_matrix_and_volume",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class TubeSet(models.Model):
    """The labelled tubes printed from a plan for one workup, before the animal is known."""

    class State(models.TextChoices):
        PRINTED = "printed", "Printed"
        PACKED = "packed", "Packed"
        ISSUED = "issued", "Issued"
        BOUND = "bound", "Bound"
        CLOSED = "closed", "Closed"
        VOID = "void", "Void"

    code = models.CharField(max_length=5, unique=True)
    plan = models.ForeignKey(SamplePlan, models.PROTECT, related_name="sets")
    day = models.ForeignKey(FieldDay, models.PROTECT, null=True, blank=True, related_name="sets")
    workup = models.OneToOneField(Workup, models.PROTECT, null=True, blank=True, related_name="tube_set")
    state = models.CharField(max_length=8, choices=State, default=State.PRINTED)
    copies = models.PositiveSmallIntegerField("times reprinted", default=0)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["printed", "packed", "issued", "bound", "closed", "void"]),
                name="tube_set_state_is_known_word",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["bound", "closed"]) | Q(workup__isnull=False),
                name="bound_set_has_a_workup",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class Tube(models.Model):
    """What the biobank knows of a tube beside its ledger: which set, and which planned tube.

    Where it is, who holds it and how much is in it: `custody.queries`, never here.
    """

    code = models.CharField(max_length=9, primary_key=True)
    tube_set = models.ForeignKey(TubeSet, models.PROTECT, null=True, blank=True, related_name="tubes")
    planned = models.ForeignKey(PlannedTube, models.PROTECT, null=True, blank=True, related_name="tubes")
    label = models.CharField(max_length=60)
    matrix = models.CharField(max_length=3, choices=MATRICES)
    additive = models.CharField(
        max_length=5, choices=ADDITIVES, default="NONE", blank=True
    )  # empty: not known
    container = models.CharField(max_length=40, blank=True)
    aliquot_ul = models.PositiveIntegerField("printed aliquot volume, µL", null=True, blank=True)
    parent_hint = models.CharField("printed for aliquots of", max_length=9, blank=True)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code
