"""Where and when animals are in hand: sites, field days, animals and their identifiers, workups.

Promises: an identifier is added or ended, never overwritten; a workup's clock runs forward.
"""

from __future__ import annotations

from itertools import pairwise

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .people import CODE, Agency, Person, Programme


class Site(models.Model):
    """A named stretch of shore or water. Coordinates are kept elsewhere, on purpose."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="sites")
    code = models.CharField(max_length=12, unique=True, validators=[CODE])
    name = models.CharField(max_length=120)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class FieldDay(models.Model):
    """One dated outing at a site."""

    site = models.ForeignKey(Site, models.PROTECT, related_name="days")
    date = models.DateField()
    expected_animals = models.PositiveSmallIntegerField(default=0)
    lead = models.ForeignKey(Person, models.PROTECT, null=True, blank=True, related_name="days_led")
    closed = models.BooleanField(default=False)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        Person, models.PROTECT, null=True, blank=True, related_name="days_signed_off"
    )
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-date"]
        constraints = [
            models.UniqueConstraint(fields=["site", "date"], name="one_field_day_per_site_and_date")
        ]

    def __str__(self) -> str:
        return f"{self.site} {self.date:%d %b %Y}"


class Sex(models.TextChoices):
    FEMALE = "F", "Female"
    MALE = "M", "Male"
    UNKNOWN = "U", "Not known"


class Animal(models.Model):
    """An individual. What it is called in the field are its identifiers."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="animals")
    code = models.CharField(max_length=20, unique=True, validators=[CODE])
    species = models.CharField(max_length=80)
    sex = models.CharField(max_length=1, choices=Sex, default=Sex.UNKNOWN)
    merged_into = models.ForeignKey(
        "self",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="merged",
        verbose_name="the same animal as",
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(condition=Q(sex__in=Sex.values), name="animal_sex_is_known_word"),
            models.CheckConstraint(condition=~Q(merged_into=F("pk")), name="animal_not_merged_into_itself"),
        ]

    def __str__(self) -> str:
        return self.code


class Identifier(models.Model):
    """A chip, tag, brand or field number that an animal bore from one date to another."""

    class Kind(models.TextChoices):
        CHIP = "chip", "Transponder chip"
        TAG = "tag", "Flipper tag"
        BRAND = "brand", "Brand"
        FIELD = "field", "Field number"
        CATALOGUE = "cat", "Catalogue number"

    class Side(models.TextChoices):
        LEFT = "left", "Left"
        RIGHT = "right", "Right"
        MIDDLE = "middle", "Middle"

    animal = models.ForeignKey(Animal, models.PROTECT, related_name="identifiers")
    kind = models.CharField(max_length=8, choices=Kind)
    text = models.CharField(max_length=40)
    side = models.CharField(max_length=6, choices=Side, blank=True)
    source = models.CharField("who says so", max_length=80, blank=True)
    since = models.DateField()
    until = models.DateField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["animal", "kind", "since"]
        constraints = [
            models.CheckConstraint(condition=~Q(text=""), name="identifier_says_something"),
            models.CheckConstraint(
                condition=Q(until=None) | Q(until__gte=F("since")), name="identifier_ends_after_it_starts"
            ),
            models.UniqueConstraint(
                fields=["kind", "text"], condition=Q(until=None), name="identifier_borne_by_one_animal"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.text}"


CLOCK = ["net_closed", "out_of_water", "first_needle", "last_tube", "released"]


class Workup(models.Model):
    """One capture and hands-on check of one animal, with its clock.

    `code` stands in the ledger (data.workup). `animal` may be empty until the animal is known.
    """

    CLOCK = CLOCK

    code = models.CharField(max_length=24, unique=True, validators=[CODE])
    day = models.ForeignKey(FieldDay, models.PROTECT, related_name="workups")
    animal = models.ForeignKey(Animal, models.PROTECT, null=True, blank=True, related_name="workups")
    net_closed = models.DateTimeField(null=True, blank=True)
    out_of_water = models.DateTimeField(null=True, blank=True)
    first_needle = models.DateTimeField(null=True, blank=True)
    last_tube = models.DateTimeField(null=True, blank=True)
    released = models.DateTimeField(null=True, blank=True)
    mass_g = models.PositiveIntegerField("mass, g", null=True, blank=True)
    mass_estimated = models.BooleanField("mass is estimated", default=False)
    length_mm = models.PositiveIntegerField("standard length, mm", null=True, blank=True)
    girth_mm = models.PositiveIntegerField("axillary girth, mm", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-day__date", "code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(**{f"{earlier}": None})
                | Q(**{f"{later}": None})
                | Q(**{f"{later}__gte": F(earlier)}),
                name=f"workup_{later}_not_before_{earlier}",
            )
            for earlier, later in pairwise(CLOCK)
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def agency(self) -> Agency | None:
        return self.day.lead.agency if self.day.lead else None
