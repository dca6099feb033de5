"""What tubes are checked for: assays, and versioned sets of rules with their sources.

Promises: one rule set is in force at a time; a rule has what its kind needs, and a source. The same
table of needs (custody.core.rule.NEEDS) makes the pure rule and the constraints here.
"""

from __future__ import annotations

from functools import reduce
from operator import or_

from django.db import models
from django.db.models import Q
from django.db.models.functions import Length, Trim
from django.db.models.lookups import GreaterThan
from simple_history.models import HistoricalRecords

from custody.core import rule as core
from custody.core.facts import ACTS, NOW

from .people import CODE
from .plans import ADDITIVES, MATRICES, Taxon

TEXT_NEEDS = {
    "from_act", "to_act", "phase", "side", "grade_name", "container_has", "bands", "permit_for",
}  # fmt: skip
GRADES = ["haemolysis", "lipaemia", "icterus"]
PHASES = ["frozen", "cold", "ambient", "any", core.BETWEEN]
SIDES = ["above", "below"]
PERMITS_FOR = ["take", "hold"]
READ_WORDS = [
    ("original", "in the original"),
    ("abstract", "its abstract only"),
    ("quoted", "quoted by others"),
    ("none", "not read"),
]
EVIDENCE_WORDS = [
    ("same_species", "same species"),
    ("other_species", "other species"),
    ("human", "human"),
    ("common_practice", "common practice"),
    ("memory", "from memory"),
]


def _choices(names: list[str] | tuple[str, ...]) -> list[tuple[str, str]]:
    return [(name, name.replace("_", " ")) for name in names]


def _says(name: str) -> Q:
    """The condition that this column is filled in."""
    return ~Q(**{name: ""}) if name in TEXT_NEEDS else Q(**{f"{name}__isnull": False})


def _has_what_it_needs(kind: str) -> Q:
    filled = reduce(lambda sofar, name: sofar & _says(name), core.NEEDS[kind], Q(kind=kind))
    if kind == "interval":
        return filled & (_says("limit_s") | _says("at_least_s"))
    if kind == "grade":
        return filled & (_says("max_grade") | _says("max_cmgdl"))
    if kind == "temperature":
        return filled & (~Q(phase=core.BETWEEN) | (_says("from_act") & _says("to_act")))
    return filled


class Assay(models.Model):
    """An analysis that a tube may be fit for, or a family of them (whose rules are theirs too).

    A family stands in no other family. One that is no longer run is `retired`, never deleted.
    """

    code = models.CharField(max_length=12, unique=True, validators=[CODE])
    name = models.CharField(max_length=80)
    family = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="members")
    min_ul = models.PositiveIntegerField("least volume, µL", null=True, blank=True)
    retired = models.BooleanField(default=False)
    note = models.CharField(max_length=200, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="assay_has_a_name"),
            models.CheckConstraint(condition=~Q(family=models.F("id")), name="assay_is_not_its_own_family"),
        ]

    def __str__(self) -> str:
        return self.name

    def core(self) -> core.Assay:
        """The same as the pure value; `takes` should be prefetched and `family` selected."""
        takes = frozenset((one.matrix, one.additive) for one in self.takes.all())
        family = self.family.code if self.family else ""
        return core.Assay(self.code, self.name, takes, family, self.min_ul)


class AssayTakes(models.Model):
    """A matrix that an assay takes; with an additive, only from blood drawn into that."""

    assay = models.ForeignKey(Assay, models.CASCADE, related_name="takes")
    matrix = models.CharField(max_length=3, choices=MATRICES)
    additive = models.CharField(max_length=5, choices=ADDITIVES, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["assay", "matrix", "additive"]
        constraints = [
            models.UniqueConstraint(fields=["assay", "matrix", "additive"], name="assay_takes_once"),
            models.CheckConstraint(
                condition=Q(matrix__in=[code for code, _ in MATRICES]), name="assay_takes_known_matrix"
            ),
        ]

    def __str__(self) -> str:
        additive = f" in {self.get_additive_display()}" if self.additive else ""
        return f"{self.get_matrix_display()}{additive}"


class RuleSet(models.Model):
    """One version of the rules. A verdict names the version that it was made with.

    In force from `valid_from` up to and without `valid_until`; no two that were in force share a day's start.
    """

    class Status(models.TextChoices):
        DRAFT = "draft", "Draft"
        IN_FORCE = "in_force", "In force"
        RETIRED = "retired", "Retired"

    code = models.CharField(max_length=20, validators=[CODE])
    version = models.PositiveSmallIntegerField(default=1)
    status = models.CharField(max_length=8, choices=Status, default=Status.DRAFT)
    valid_from = models.DateField(null=True, blank=True)
    valid_until = models.DateField(null=True, blank=True)
    copied_from = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="copies")
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["code", "version"], name="rule_set_version_once"),
            models.UniqueConstraint(
                fields=["status"], condition=Q(status="in_force"), name="one_rule_set_in_force"
            ),
            models.CheckConstraint(condition=Q(version__gte=1), name="rule_set_version_from_one"),
            models.CheckConstraint(
                condition=Q(status__in=["draft", "in_force", "retired"]), name="rule_set_status_is_known_word"
            ),
            models.CheckConstraint(
                condition=Q(status="draft") | Q(valid_from__isnull=False),
                name="rule_set_in_force_has_a_start",
            ),
            models.CheckConstraint(
                condition=Q(valid_until=None) | Q(valid_until__gte=models.F("valid_from")),
                name="rule_set_does_not_end_before_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} version {self.version}"


class Rule(models.Model):
    """One limit. Seconds, hundredths of °C, microlitres, multiples of g; empty: does not apply.

    assay      it, or every member of it when it is a family
    question   what it answers; rules with the same question are sources that may disagree
    active     is it counted? A source that the programme did not choose stays, inactive; `choice` says why
    bands      as custody.core.rule.bands_text writes them
    """

    rule_set = models.ForeignKey(RuleSet, models.PROTECT, related_name="rules")
    code = models.CharField(max_length=30, validators=[CODE])
    assay = models.ForeignKey(Assay, models.PROTECT, null=True, blank=True, related_name="rules")
    matrix = models.CharField(max_length=3, choices=MATRICES, blank=True)
    additive = models.CharField(max_length=5, choices=ADDITIVES, blank=True)
    taxon = models.CharField("species group", max_length=8, choices=Taxon, blank=True)
    material = models.CharField("only in tubes of", max_length=40, blank=True)
    question = models.CharField(max_length=120, blank=True)
    active = models.BooleanField(default=True)
    choice = models.CharField("why this source is chosen or not", max_length=300, blank=True)
    kind = models.CharField(max_length=12, choices=_choices(tuple(core.NEEDS)))
    severity = models.CharField(max_length=8, choices=_choices(core.SEVERITIES))
    evidence = models.CharField(max_length=16, choices=EVIDENCE_WORDS)
    source = models.TextField()
    read = models.CharField("the source was read", max_length=8, choices=READ_WORDS, default="none")
    studied = models.CharField("studied in", max_length=80, blank=True)
    hint = models.CharField(max_length=200, blank=True)
    from_act = models.CharField(max_length=12, choices=_choices(ACTS), blank=True)
    to_act = models.CharField(max_length=12, choices=_choices((*ACTS, NOW)), blank=True)
    at_least_s = models.PositiveIntegerField("not before, s", null=True, blank=True)
    limit_s = models.PositiveIntegerField("not later than, s", null=True, blank=True)
    phase = models.CharField(max_length=8, choices=_choices(PHASES), blank=True)
    side = models.CharField(max_length=5, choices=_choices(SIDES), blank=True)
    limit_centi = models.SmallIntegerField("temperature, hundredths of °C", null=True, blank=True)
    allowed_s = models.PositiveIntegerField("allowed time beyond it, s", null=True, blank=True)
    max_thaws = models.PositiveSmallIntegerField(null=True, blank=True)
    min_ul = models.PositiveIntegerField("least volume, µL", null=True, blank=True)
    min_percent = models.PositiveSmallIntegerField("least fill, %", null=True, blank=True)
    grade_name = models.CharField(max_length=10, choices=_choices(GRADES), blank=True)
    max_grade = models.PositiveSmallIntegerField("highest grade", null=True, blank=True)
    max_cmgdl = models.PositiveIntegerField("highest as measured, hundredths of mg/dL", null=True, blank=True)
    bands = models.CharField("temperature bands", max_length=200, blank=True)
    forbidden_centi = models.SmallIntegerField("never above, hundredths of °C", null=True, blank=True)
    min_g = models.PositiveIntegerField("least force, × g", null=True, blank=True)
    min_minutes = models.PositiveSmallIntegerField("shortest spin, min", null=True, blank=True)
    max_spins = models.PositiveSmallIntegerField("spun at most so often", null=True, blank=True)
    container_has = models.CharField("container is of", max_length=40, blank=True)
    permit_for = models.CharField("permit to", max_length=4, choices=_choices(PERMITS_FOR), blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["rule_set", "assay__name", "code"]
        constraints = [
            models.UniqueConstraint(fields=["rule_set", "code"], name="rule_code_once_in_its_set"),
            models.CheckConstraint(
                condition=reduce(or_, [_has_what_it_needs(kind) for kind in core.NEEDS]),
                name="rule_kind_has_what_it_needs",
            ),
            models.CheckConstraint(
                condition=GreaterThan(Length(Trim("source")), 0), name="rule_has_a_source"
            ),
            models.CheckConstraint(
                condition=Q(severity__in=core.SEVERITIES), name="rule_severity_is_known_word"
            ),
            models.CheckConstraint(
                condition=Q(evidence__in=core.EVIDENCE), name="rule_evidence_is_known_word"
            ),
            models.CheckConstraint(
                condition=Q(from_act__in=["", *ACTS]) & Q(to_act__in=["", *ACTS, NOW]),
                name="rule_acts_are_known_words",
            ),
            models.CheckConstraint(
                condition=Q(phase__in=["", *PHASES]) & Q(side__in=["", *SIDES]),
                name="rule_phase_and_side_are_known_words",
            ),
            models.CheckConstraint(
                condition=Q(grade_name__in=["", *GRADES]) & (Q(max_grade=None) | Q(max_grade__lte=4)),
                name="rule_grade_is_0_to_4",
            ),
            models.CheckConstraint(
                condition=Q(read__in=core.READ) & Q(permit_for__in=["", *PERMITS_FOR]),
                name="rule_read_and_permit_are_known_words",
            ),
            models.CheckConstraint(
                condition=Q(at_least_s=None) | Q(limit_s=None) | Q(limit_s__gte=models.F("at_least_s")),
                name="rule_interval_is_not_reversed",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} ({self.rule_set})"

    def core(self) -> core.Rule:
        """The same as the pure value; `assay` should be selected with it."""
        other = {"assay": self.assay.code if self.assay else "", "bands": core.bands_of(self.bands)}
        same = {name: getattr(self, name) for name in core.Rule.__dataclass_fields__ if name not in other}
        return core.Rule(**same, **other)
