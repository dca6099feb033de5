"""What is agreed about discarding tubes, and how long they may be out of the cold.

Promises: who discarded what stands in the ledger alone. Here stand words of others that the ledger only
refers to: an owner's rule, an owner's consent, a limit with its source, an answer about a thaw.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from .people import Agency, Person, Programme

ASKS = [
    ("others", "before others discard what is not empty"),
    ("always", "before every discard, its own too"),
    ("never", "never: the holder decides"),
]
BY_WAY_OF = [
    ("letter", "letter"),
    ("mail", "mail"),
    ("phone", "phone"),
    ("meeting", "in person"),
]
BANDS = [
    ("frozen", "−18 to −35 °C"),
    ("deep", "−60 to −85 °C"),
    ("nitrogen", "below −135 °C"),
]  # the classes of core/places.py in which something is frozen


class ConsentRule(models.Model):
    """Whose the tubes of a plan are, and when the owner is asked before one is discarded.

    plan    code of the plan, all its versions; empty: every plan of the programme without a rule of its own
    owner   empty: the agency that drew the tube
    source  the agreement or letter that says so
    """

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="consent_rules")
    plan = models.CharField(max_length=20, blank=True)
    owner = models.ForeignKey(Agency, models.PROTECT, null=True, blank=True, related_name="consent_rules")
    asks = models.CharField(max_length=8, choices=ASKS)
    source = models.CharField(max_length=200)
    history = HistoricalRecords()

    class Meta:
        ordering = ["plan"]
        constraints = [
            models.UniqueConstraint(fields=["programme", "plan"], name="one_consent_rule_a_plan"),
            models.CheckConstraint(
                condition=Q(asks__in=[name for name, _ in ASKS]), name="consent_rule_asks_is_known_word"
            ),
            models.CheckConstraint(condition=~Q(source=""), name="consent_rule_has_a_source"),
        ]

    def __str__(self) -> str:
        return f"{self.plan or 'every plan'}: {self.get_asks_display()}"


class Consent(models.Model):
    """An owner agrees that these tubes are discarded. It counts from its date until it is withdrawn.

    given_by   the person who agreed, in words: no login is needed to agree
    reference  where the letter, mail or note of the call is found
    box        the box that was named instead of tubes; the tubes are those that were in it then
    """

    key = models.UUIDField(unique=True)
    agency = models.ForeignKey(Agency, models.PROTECT, related_name="consents")
    given_by = models.CharField(max_length=120)
    given_on = models.DateField()
    how = models.CharField(max_length=8, choices=BY_WAY_OF)
    reference = models.CharField(max_length=120)
    note = models.CharField(max_length=400, blank=True)
    box = models.CharField(max_length=20, blank=True)
    noted_at = models.DateTimeField()
    noted_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-noted_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(how__in=[name for name, _ in BY_WAY_OF]), name="consent_how_is_known_word"
            ),
            models.CheckConstraint(
                condition=~Q(given_by="") & ~Q(reference=""), name="consent_says_who_and_where"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def code(self) -> str:
        """What the ledger calls it."""
        return f"consent-{self.pk}"


class ConsentTube(models.Model):
    """One tube that a consent is about."""

    consent = models.ForeignKey(Consent, models.CASCADE, related_name="tubes")
    tube = models.CharField(max_length=9, db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["consent", "tube"], name="a_tube_once_in_a_consent")]

    def __str__(self) -> str:
        return self.tube


class ExposureLimit(models.Model):
    """How long what is stored at this class may be out of it before a thaw is proposed."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="exposure_limits")
    band = models.CharField("class", max_length=8, choices=BANDS)
    minutes = models.PositiveSmallIntegerField()
    source = models.CharField(max_length=200)
    history = HistoricalRecords()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["programme", "band"], name="one_exposure_limit_a_class"),
            models.CheckConstraint(
                condition=Q(band__in=[name for name, _ in BANDS]), name="exposure_limit_class_is_known"
            ),
            models.CheckConstraint(
                condition=Q(minutes__gte=1, minutes__lte=1440), name="exposure_limit_is_minutes"
            ),
            models.CheckConstraint(condition=~Q(source=""), name="exposure_limit_has_a_source"),
        ]

    def __str__(self) -> str:
        return f"{self.get_band_display()}: {self.minutes} min"


class ThawAnswer(models.Model):
    """What was answered when something came back too late. `key`: the `thawed` event, when one was counted.

    returned  the event that brought it back; why  the reason when no thaw was counted
    """

    key = models.UUIDField(unique=True)
    returned = models.UUIDField(unique=True)
    counted = models.BooleanField()
    why = models.CharField(max_length=200)
    at = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(why=""), name="thaw_answer_says_why")]

    def __str__(self) -> str:
        return f"{'thaw counted' if self.counted else 'no thaw'} after {self.returned}"
