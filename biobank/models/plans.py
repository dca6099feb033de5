"""What shall be drawn: sample plans with their planned tubes, and the tube sets printed from them.

Promises: a plan that was printed from is never edited, an edit makes the next version; a tube set
keeps the very version it was printed from.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .field import FieldDay, Workup
from .people import CODE, Agency, Person, Programme

# SPREC letters where the standard has them; ours otherwise. Words: biobank.templatetags.words.
MATRICES = [
    ("BLD", "whole blood"),
    ("SER", "serum"),
    ("PL1", "plasma"),
    ("BUF", "buffy coat"),
    ("CEL", "blood cells"),
    ("SWB", "swab"),
    ("SME", "blood smear"),
    ("DBS", "dried blood spot"),
    ("URN", "urine"),
    ("STL", "faeces"),
    ("BRE", "breath"),
    ("MLK", "milk"),
    ("SKN", "skin"),
    ("BLU", "blubber"),
    ("HAR", "hair, feather, nail, scute or tooth"),
    ("TIS", "tissue"),
    ("PAR", "parasites"),
]
# Additive codes after HL7 v2 table 0371.
ADDITIVES = [
    ("EDTK", "K-EDTA"),
    ("HEPL", "lithium heparin"),
    ("HEPN", "sodium heparin"),
    ("C32", "citrate 3.2 %"),
    ("ACDA", "ACD-A citrate"),
    ("SST", "clot activator and gel"),
    ("CLOT", "clot activator"),
    ("NAF", "sodium fluoride"),
    ("TRCE", "trace-element EDTA"),
    ("TRCN", "trace-element, no additive"),
    ("RNA", "RNA stabiliser"),
    ("BCB", "blood culture broth"),
    ("ETOH", "ethanol"),
    ("F10", "formalin 10 %"),
    ("DMSO", "DMSO"),
    ("VIRTM", "virus medium"),
    ("AMIES", "bacterial transport medium"),
    ("NONE", "no additive"),
]


class Taxon(models.TextChoices):
    """For whom a plan is made: what is safe for one is wrong for another (the plan says which)."""

    MAMMAL = "mammal", "Mammal"
    REPTILE = "reptile", "Reptile"
    BIRD = "bird", "Bird"
    OTHER = "other", "Other"


class ShortRule(models.TextChoices):
    """What becomes of a tube that is filled below its `least_pct`."""

    ACCEPT = "accept", "Use it, with fewer aliquots"
    FLAG = "flag", "Use it and flag it"
    VOID = "void", "Do not use it"


class SamplePlan(models.Model):
    """One version of a list of planned tubes."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="plans")
    code = models.CharField(max_length=20, validators=[CODE])
    version = models.PositiveSmallIntegerField(default=1)
    name = models.CharField(max_length=120)
    taxon = models.CharField(max_length=8, choices=Taxon, default=Taxon.MAMMAL)
    order_source = models.CharField("source of the order of draw", max_length=200, blank=True)
    note = models.TextField(blank=True)
    spare_pct = models.PositiveSmallIntegerField("spare labels, %", default=0)
    ice_g = models.PositiveIntegerField("ice for an animal, g", default=0)
    dry_ice_g = models.PositiveIntegerField("dry ice for an animal, g", default=0)
    retired = models.BooleanField("no longer printed from", default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["code", "version"], name="plan_version_once"),
            models.CheckConstraint(condition=Q(version__gte=1), name="plan_version_from_one"),
            models.CheckConstraint(condition=Q(taxon__in=Taxon.values), name="plan_taxon_is_known_word"),
            models.CheckConstraint(condition=Q(spare_pct__lte=100), name="plan_spares_at_most_double"),
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
    inversions = models.PositiveSmallIntegerField("times inverted", null=True, blank=True)
    clot_min = models.PositiveSmallIntegerField("clots at least, min", null=True, blank=True)
    clot_max_min = models.PositiveSmallIntegerField("clots at most, min", null=True, blank=True)
    spin_g = models.PositiveIntegerField("spin, times g", null=True, blank=True)
    spin_minutes = models.PositiveSmallIntegerField("spin, min", null=True, blank=True)
    separate_min = models.PositiveSmallIntegerField("separate by, min from the draw", null=True, blank=True)
    short_rule = models.CharField("when short", max_length=6, choices=ShortRule, default=ShortRule.ACCEPT)
    least_pct = models.PositiveSmallIntegerField("short below, % of the volume", null=True, blank=True)
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
                condition=Q(short_rule__in=ShortRule.values), name="planned_short_rule_is_known_word"
            ),
            models.CheckConstraint(
                condition=Q(least_pct=None) | Q(least_pct__gte=1, least_pct__lte=100),
                name="planned_least_fill_is_a_share",
            ),
            models.CheckConstraint(
                condition=Q(clot_min=None) | Q(clot_max_min=None) | Q(clot_max_min__gte=F("clot_min")),
                name="planned_clotting_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return self.label


class PlannedAliquot(models.Model):
    """So many aliquots of one kind, to be made from a planned tube. In order of `position`.

    priority  1 is made first and given up last; reserve: kept back, whatever else falls away
    """

    tube = models.ForeignKey(PlannedTube, models.PROTECT, related_name="made")
    position = models.PositiveSmallIntegerField(default=1)
    count = models.PositiveSmallIntegerField()
    matrix = models.CharField(max_length=3, choices=MATRICES)
    ul = models.PositiveIntegerField("volume, µL")
    container = models.CharField(max_length=40, default="cryovial")
    target_centi = models.SmallIntegerField("storage target, hundredths of °C", null=True, blank=True)
    purpose = models.CharField(max_length=120, blank=True)
    priority = models.PositiveSmallIntegerField(default=1)
    reserve = models.BooleanField("kept back", default=False)
    history = HistoricalRecords()

    class Meta:
        ordering = ["tube", "position"]
        constraints = [
            models.UniqueConstraint(fields=["tube", "position"], name="planned_aliquot_position_once"),
            models.CheckConstraint(condition=Q(count__gte=1, ul__gte=1), name="planned_aliquot_is_something"),
        ]

    def __str__(self) -> str:
        return f"{self.count} × {self.ul} µL"


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
    spare = models.BooleanField("printed beyond the animals expected", default=False)
    out_with = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="sets_out")
    out_org = models.ForeignKey(Agency, models.PROTECT, null=True, blank=True, related_name="sets_out")
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
    planned_aliquot = models.ForeignKey(
        PlannedAliquot, models.PROTECT, null=True, blank=True, related_name="tubes"
    )
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
