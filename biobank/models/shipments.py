"""A shipment that is being prepared: what goes, on which legs, kept cold by what, and what was checked.

Promises: a plan for a parcel, not a custody record: the event `shipped` is that, and its id stands in
`handoff` from then on. Masses in grams, times in minutes, moments in UTC.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from .checks import Assay
from .loggers import Logger
from .people import Agency, Person, Programme
from .store import Unit

MODES = [("hand", "carried by hand"), ("road", "road"), ("boat", "boat"), ("rail", "rail"), ("air", "air")]
COOLANTS = [
    ("none", "nothing, ambient"),
    ("gel", "gel packs"),
    ("wet_ice", "wet ice"),
    ("dry_ice", "dry ice"),
    ("dry_shipper", "dry shipper, nitrogen vapour"),
    ("powered", "a powered freezer or fridge"),
]
DRY_ICE = [("pellets", "pellets or pieces"), ("blocks", "blocks")]
HAZARDS = [
    ("category_b", "biological substance, category B (UN3373)"),
    ("exempt", "exempt animal specimen"),
    ("none", "neither: not subject to either"),
]
TERMS = [
    ("service", "for analysis, ownership stays"),
    ("loan", "a loan, ownership stays, due back"),
    ("transfer", "a transfer, ownership passes"),
]


def _within(name: str, choices: list[tuple[str, str]], blank: bool = False) -> Q:
    words = [code for code, _ in choices]
    return Q(**{f"{name}__in": ["", *words] if blank else words})


class Shipment(models.Model):
    """One parcel or load from one agency to another; `handoff` is empty until it is sent."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="shipments")
    number = models.CharField(max_length=24, unique=True)
    giver = models.ForeignKey(Agency, models.PROTECT, related_name="+")
    receiver = models.ForeignKey(Agency, models.PROTECT, related_name="+")
    terms = models.CharField(max_length=8, choices=TERMS)
    due_back = models.DateField(null=True, blank=True)
    assay = models.ForeignKey(Assay, models.PROTECT, null=True, blank=True, related_name="+")
    hazard = models.CharField(max_length=10, choices=HAZARDS, blank=True)
    contact = models.CharField("responsible person, with telephone", max_length=160, blank=True)
    seal = models.CharField("seal numbers", max_length=120, blank=True)
    remarks = models.CharField(max_length=300, blank=True)
    made_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    made = models.DateTimeField()
    handoff = models.UUIDField(null=True, unique=True)
    dropped = models.CharField("why it is not sent", max_length=300, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(giver=F("receiver")), name="shipment_goes_to_another_agency"),
            models.CheckConstraint(
                condition=_within("terms", TERMS) & _within("hazard", HAZARDS, blank=True),
                name="shipment_says_known_words",
            ),
            models.CheckConstraint(
                condition=Q(handoff=None) | Q(dropped=""), name="what_was_sent_is_not_dropped"
            ),
        ]

    def __str__(self) -> str:
        return self.number


class ShipmentTube(models.Model):
    """A tube that shall go, in which box (empty: loose)."""

    shipment = models.ForeignKey(Shipment, models.CASCADE, related_name="tubes")
    tube = models.CharField(max_length=9, db_index=True)
    box = models.CharField(max_length=20, blank=True)

    class Meta:
        ordering = ["box", "tube"]
        constraints = [models.UniqueConstraint(fields=["shipment", "tube"], name="tube_once_a_shipment")]


class Leg(models.Model):
    """One stretch of the way: how, by whom, from when to when, and what keeps it cold.

    hold_min  how long the coolant holds, as its maker or a test of one's own says; empty: not known
    upright   False: it may lie on its side, which shortens what a dry shipper holds
    """

    shipment = models.ForeignKey(Shipment, models.CASCADE, related_name="legs")
    n = models.PositiveSmallIntegerField()
    mode = models.CharField(max_length=4, choices=MODES)
    carrier = models.CharField(max_length=80, blank=True)
    waybill = models.CharField(max_length=60, blank=True)
    leaves = models.DateTimeField()
    arrives = models.DateTimeField()
    coolant = models.CharField(max_length=11, choices=COOLANTS)
    coolant_g = models.PositiveIntegerField("coolant, g", null=True, blank=True)
    ice_form = models.CharField("form of the dry ice", max_length=7, choices=DRY_ICE, blank=True)
    hold_min = models.PositiveIntegerField("holds for, min", null=True, blank=True)
    hold_source = models.CharField("who says so", max_length=160, blank=True)
    upright = models.BooleanField("stays upright", default=True)
    unit = models.ForeignKey(Unit, models.PROTECT, null=True, blank=True, related_name="+")
    logger = models.ForeignKey(Logger, models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["shipment", "n"]
        constraints = [
            models.UniqueConstraint(fields=["shipment", "n"], name="leg_number_once"),
            models.CheckConstraint(condition=Q(arrives__gt=F("leaves")), name="leg_arrives_after_it_left"),
            models.CheckConstraint(
                condition=_within("mode", MODES)
                & _within("coolant", COOLANTS)
                & _within("ice_form", DRY_ICE, blank=True),
                name="leg_says_known_words",
            ),
            models.CheckConstraint(
                condition=Q(hold_min=None) | ~Q(hold_source=""), name="a_hold_time_says_who_says_so"
            ),
        ]


class PackingCheck(models.Model):
    """A point of the packing list that somebody looked at, or said does not apply and why."""

    shipment = models.ForeignKey(Shipment, models.CASCADE, related_name="checks")
    point = models.CharField(max_length=40)
    applies = models.BooleanField(default=True)
    note = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["point"]
        constraints = [
            models.UniqueConstraint(fields=["shipment", "point"], name="packing_point_once"),
            models.CheckConstraint(condition=Q(applies=True) | ~Q(note=""), name="left_out_says_why"),
        ]


class OpenHours(models.Model):
    """When an agency takes parcels, on its weekday (0 Monday to 6 Sunday), in the programme's zone."""

    agency = models.ForeignKey(Agency, models.CASCADE, related_name="hours")
    weekday = models.PositiveSmallIntegerField()
    opens = models.TimeField()
    closes = models.TimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["agency", "weekday", "opens"]
        constraints = [
            models.UniqueConstraint(fields=["agency", "weekday", "opens"], name="open_hours_once"),
            models.CheckConstraint(
                condition=Q(weekday__lte=6) & Q(closes__gt=F("opens")), name="open_hours_are_a_stretch"
            ),
        ]


class ClosedDay(models.Model):
    """A day on which an agency takes nothing, whatever the weekday."""

    agency = models.ForeignKey(Agency, models.CASCADE, related_name="closed_days")
    day = models.DateField()
    why = models.CharField(max_length=80, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["agency", "day"]
        constraints = [models.UniqueConstraint(fields=["agency", "day"], name="closed_day_once")]
