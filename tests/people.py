"""The people, the seal and the plan that tests share: the invented Skarvik Bay harbour seal survey.

Promises: plain builder functions, each of which says what it makes; nothing here is real. Fixtures built
from them are in conftest.py. What happened to tubes goes through the same actions as the pages.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.contrib.auth import get_user_model

from biobank.acting import Actor, perform
from biobank.models import (
    Agency,
    Animal,
    FieldDay,
    Identifier,
    Person,
    PlannedTube,
    Programme,
    Role,
    SamplePlan,
    Site,
    TubeSet,
    Unit,
    Workup,
)
from custody.core.event import new_id

PASSWORD = "skarvik-bay-seals"
ZONE = ZoneInfo("Europe/Oslo")
DAY = date(2026, 5, 3)


def moment(hour: int, minute: int = 0, day: date = DAY) -> datetime:
    """A time on the field day as people in Skarvik Bay say it."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)


PRINTED, BOUND, DRAWN = moment(8, day=DAY - timedelta(days=2)), moment(9, 0), moment(9, 20)


@dataclass
class People:
    """Everybody and everything below. `actor("fieldtech")` acts, `user("labtech")` signs in."""

    programme: Programme
    sss: Agency  # Skarvik Seal Survey, the field team
    tfl: Agency  # Tarn Field Laboratory
    nlb: Agency  # Northlight Biobank
    site: Site
    day: FieldDay
    animal: Animal
    plan: SamplePlan
    persons: dict[str, Person] = field(default_factory=dict)
    units: dict[str, Unit] = field(default_factory=dict)

    def person(self, role: str) -> Person:
        return self.persons[role]

    def user(self, role: str):
        return self.persons[role].user

    def actor(self, role: str) -> Actor:
        return Actor(self.persons[role], self.persons[role].user.get_username())

    @property
    def box(self) -> Unit:
        return self.units["NLB-B001"]


def make_people() -> People:
    """Programme, agencies, site, five people, one field day, one seal, one plan. No ledger events."""
    programme = Programme.objects.create(code="SKARVIK", name="Skarvik Bay harbour seals", tz="Europe/Oslo")
    sss, tfl, nlb = (
        Agency.objects.create(code=code, name=name)
        for code, name in [
            ("SSS", "Skarvik Seal Survey"),
            ("TFL", "Tarn Field Laboratory"),
            ("NLB", "Northlight Biobank"),
        ]
    )
    site = Site.objects.create(programme=programme, code="SKV", name="Skarvik Bay")
    roles = [
        (Role.FIELD, sss),
        (Role.LAB, tfl),
        (Role.CURATOR, nlb),
        (Role.COLLABORATOR, nlb),
        (Role.AUDITOR, nlb),
    ]
    persons = {
        role.value: make_person(programme, agency, role, f"P{n}") for n, (role, agency) in enumerate(roles, 1)
    }
    day = FieldDay.objects.create(site=site, date=DAY, expected_animals=3, lead=persons["fieldtech"])
    return People(programme, sss, tfl, nlb, site, day, make_animal(programme), make_plan(programme), persons)


def make_person(programme: Programme, agency: Agency, role: Role, code: str, username: str = "") -> Person:
    """Somebody with a login; the user name is the role unless another is given."""
    user = get_user_model().objects.create_user(username or role.value, password=PASSWORD)
    return Person.objects.create(
        code=code, name=role.label, agency=agency, programme=programme, role=role, user=user
    )


def make_animal(programme: Programme, code: str = "A-0001", chip: str = "999000000000001") -> Animal:
    """A harbour seal with a chip and a flipper tag."""
    animal = Animal.objects.create(programme=programme, code=code, species="Phoca vitulina", sex="F")
    since = DAY - timedelta(days=365)
    Identifier.objects.create(animal=animal, kind="chip", text=chip, since=since)
    Identifier.objects.create(animal=animal, kind="tag", text=f"T{code[-3:]}", since=since)
    return animal


# number, label, matrix, additive, cap, container, µL, order, (aliquots, matrix, µL), target, priority
TUBES = [
    (1, "Citrate 2.7", "BLD", "C32", "light-blue", "PET tube", 2700, 1, (0, "", None), None, 5),
    (2, "Red 10", "BLD", "NONE", "red", "PET tube", 10000, 2, (4, "SER", 1000), -8000, 3),
    (3, "Gel 5", "BLD", "SST", "gold", "PET tube", 5000, 3, (2, "SER", 1000), -8000, 2),
    (4, "Heparin 6", "BLD", "HEPL", "green", "PET tube", 6000, 4, (2, "PL1", 1000), -8000, 4),
    (5, "EDTA 4", "BLD", "EDTK", "lavender", "PET tube", 4000, 5, (1, "BLD", 1000), -8000, 1),
    (6, "Nasal swab", "SWB", "NONE", "", "swab tube", None, 9, (0, "", None), -8000, 6),
]


def make_plan(programme: Programme, code: str = "SEAL", version: int = 1) -> SamplePlan:
    """Six primaries (numbers 1-6), nine printed aliquots: 15 tubes a set."""
    plan = SamplePlan.objects.create(
        programme=programme, code=code, version=version, name="Harbour seal health"
    )
    for number, label, matrix, additive, cap, container, ul, order, (n, made, made_ul), target, rank in TUBES:
        planned = PlannedTube.objects.create(
            plan=plan, number=number, label=label, matrix=matrix, additive=additive, cap=cap,
            container=container, volume_ul=ul, order_of_draw=order, target_centi=target,
            priority=rank,
        )  # fmt: skip
        if n:
            planned.made.create(count=n, matrix=made, ul=made_ul, target_centi=target)
    return plan


# code, kind, name, parent, rows, cols, nominal, alarm above
STORE = [
    ("NLB-F1", "freezer", "Freezer 1", None, None, None, -8000, -6500),
    ("NLB-S1", "shelf", "Shelf 1", "NLB-F1", None, None, None, None),
    ("NLB-R1", "rack", "Rack 1", "NLB-S1", None, None, None, None),
    ("NLB-B001", "box", "Box 1", "NLB-R1", 9, 9, None, None),
]


def make_store(people: People, at: datetime = PRINTED) -> dict[str, Unit]:
    """Northlight's freezer, shelf, rack and 9 x 9 box; where each stands is said to the ledger at `at`."""
    for code, kind, name, parent, rows, cols, nominal, alarm in STORE:
        people.units[code] = Unit.objects.create(
            code=code, kind=kind, name=name, agency=people.nlb, rows=rows, cols=cols, naming="A1",
            nominal_centi=nominal, alarm_above_centi=alarm,
        )  # fmt: skip
        if parent:
            line = {"u": code, "role": "subj", "to": parent}
            perform(people.actor("curator"), "moved", key=new_id(), at=at, lines=[line])
    return people.units


def printed_set(people: People, at: datetime = PRINTED, key: str = "") -> TubeSet:
    """A set of 15 labels, printed two days before the field day."""
    from biobank.labels.actions import print_sets

    return print_sets(people.actor("fieldtech"), key or new_id(), people.plan, people.day, 1, at=at)[0]


def bound_set(people: People, at: datetime = BOUND, animal: Animal | None = None) -> TubeSet:
    """A printed set bound to a new workup of the field day."""
    from biobank.field.actions import bind

    tube_set = printed_set(people)
    bind(people.actor("fieldtech"), new_id(), tube_set, animal=animal, at=at)
    return TubeSet.objects.get(pk=tube_set.pk)


def drawn_set(people: People, at: datetime = DRAWN, animal: Animal | None = None) -> TubeSet:
    """A bound set with all six primaries drawn full at 09:20; the field team holds them."""
    from biobank.field.actions import Filled, draw

    tube_set = bound_set(people, animal=animal)
    primaries = tube_set.tubes.filter(parent_hint="")
    draw(people.actor("fieldtech"), new_id(), tube_set, [Filled(tube.code, at) for tube in primaries])
    return tube_set


def workup_of(tube_set: TubeSet) -> Workup:
    assert tube_set.workup is not None
    return tube_set.workup
