"""Who: the programme, its agencies, and the people who act for them.

Promises: a person is never deleted (ledger events name the code), a login belongs to one person.
"""

from __future__ import annotations

from django.conf import settings
from django.core.validators import RegexValidator
from django.db import models
from simple_history.models import HistoricalRecords

CODE = RegexValidator(r"^[A-Za-z0-9][A-Za-z0-9-]*$", "Use letters, digits and hyphens only.")


class Programme(models.Model):
    """The survey that everything belongs to; its zone is the one in which times are read and typed."""

    code = models.CharField(max_length=20, unique=True, validators=[CODE])
    name = models.CharField(max_length=120)
    tz = models.CharField("time zone", max_length=64, default="UTC")
    # how long an animal may be in hand; empty: no limit. The permit and the veterinarian say, not we
    net_limit_min = models.PositiveSmallIntegerField("limit since net closed, min", null=True, blank=True)
    hand_limit_min = models.PositiveSmallIntegerField(
        "limit out of water, min", null=True, blank=True, default=60
    )
    hurry_pct = models.PositiveSmallIntegerField("hurry from, % of a limit", default=75)
    history = HistoricalRecords()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~models.Q(name=""), name="programme_has_a_name"),
            models.CheckConstraint(
                condition=models.Q(hurry_pct__gte=1, hurry_pct__lte=100), name="programme_hurry_is_a_share"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Agency(models.Model):
    """An organisation that can be custodian of a tube. `code` stands in the ledger."""

    code = models.CharField(max_length=12, unique=True, validators=[CODE])
    name = models.CharField(max_length=120)
    address = models.CharField(max_length=200, blank=True)
    contact = models.CharField("who takes parcels, with telephone", max_length=160, blank=True)
    history = HistoricalRecords()

    class Meta:
        verbose_name_plural = "agencies"
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Role(models.TextChoices):
    FIELD = "fieldtech", "Field tech"
    LAB = "labtech", "Lab"
    CURATOR = "curator", "Curator"
    COLLABORATOR = "collaborator", "Collaborator"
    AUDITOR = "auditor", "Auditor"
    ADMINISTRATOR = "administrator", "Administrator"


class Person(models.Model):
    """Somebody who acts. The ledger holds `code`, never the name."""

    code = models.CharField(max_length=12, unique=True, validators=[CODE])
    name = models.CharField(max_length=120)
    agency = models.ForeignKey(Agency, models.PROTECT, related_name="people")
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="people")
    role = models.CharField(max_length=16, choices=Role)
    veterinarian = models.BooleanField("veterinarian of the programme", default=False)
    user = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="person"
    )
    history = HistoricalRecords()

    class Meta:
        verbose_name_plural = "people"
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=models.Q(role__in=Role.values), name="person_has_a_known_role")
        ]

    def __str__(self) -> str:
        return self.name
