"""Who and what the demo has before anything happens: agencies, people, plan, freezers, rules."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth import get_user_model
from django.utils import timezone

from biobank.acting import Actor, saving
from biobank.blood.actions import set_limit
from biobank.checks.actions import install_starter
from biobank.core.blood import Rule as BloodRule
from biobank.models import (
    Agency,
    Animal,
    Identifier,
    Person,
    PlannedTube,
    Programme,
    Role,
    SamplePlan,
    Site,
)
from biobank.permits.actions import save_permit
from biobank.plans.actions import install
from biobank.store.actions import add_unit
from custody.core.event import derived_id

SEED = "0198c0de-5ea1-7000-8000-000000000020"
TZ = "Europe/Oslo"
CODE = "SKARVIK"  # of the programme; by it the demo knows its own database
WHY = "demo"
SPECIES = "harbour seal (Phoca vitulina)"

# user name, person code, name, agency, role
PEOPLE = [
    ("fieldtech", "P01", "Runa Vike", "SSS", Role.FIELD),
    ("labtech", "P02", "Ole Tarnli", "TFL", Role.LAB),
    ("curator", "P03", "Signe Nordby", "NLB", Role.CURATOR),
    ("collaborator", "P04", "Ada Fjellro", "NLB", Role.COLLABORATOR),
    ("auditor", "P05", "Ivar Holme", "NLB", Role.AUDITOR),
    ("veterinarian", "P06", "Tor Hauge", "SSS", Role.FIELD),
    ("administrator", "P07", "Liv Bergset", "NLB", Role.ADMINISTRATOR),
]
AGENCIES = [("SSS", "Skarvik Seal Survey"), ("TFL", "Tarn Field Laboratory"), ("NLB", "Northlight Biobank")]

# number, label, matrix, additive, cap, container, µL, (aliquots, matrix, µL), priority
PLAN = [
    (1, "Citrate 2.7", "BLD", "C32", "light-blue", "PET tube", 2700, (1, "PL1", 1000), 4),
    (2, "Serum 10", "BLD", "NONE", "red", "PET tube", 10000, (4, "SER", 1000), 2),
    (3, "Gel 5", "BLD", "SST", "gold", "PET tube", 5000, (2, "SER", 1000), 1),
    (4, "Heparin 6", "BLD", "HEPL", "green", "PET tube", 6000, (2, "PL1", 1000), 5),
    (5, "EDTA 4", "BLD", "EDTK", "lavender", "PET tube", 4000, (1, "BLD", 1000), 3),
    (6, "Nasal swab", "SWB", "NONE", "", "swab tube", None, (0, "", None), 6),
    (7, "Skin", "TIS", "NONE", "", "cryovial", None, (0, "", None), 7),
    (8, "Urine", "URN", "NONE", "yellow", "PP tube", 8000, (0, "", None), 8),
]
# number: handling, purpose (common practice, no source)
HANDLING = {
    1: ("invert 4 times", "clotting"),
    2: ("stand 30 to 60 min", "hormones, serology"),
    3: ("invert 5 times, stand 30 min", "chemistry"),
    4: ("invert 8 times", "plasma chemistry"),
    5: ("invert 8 times, keep cool", "blood count, RNA"),
    6: ("virus medium", "viruses"),
    7: ("on ice", "genetics"),
    8: ("free catch only", "urinalysis"),
}

# code, kind, name, agency, parent, rows, cols, nominal, alarm above
UNITS = [
    ("SSS-C1", "cooler", "Blue cooler", "SSS", "", None, None, 400, 1000),
    ("TFL-F1", "freezer", "Field freezer", "TFL", "", None, None, -8000, -6500),
    ("TFL-B1", "box", "Field box 1", "TFL", "TFL-F1", 9, 9, None, None),
    ("TFL-B2", "box", "Field box 2", "TFL", "TFL-F1", 9, 9, None, None),
    ("SHP-1", "shipper", "Dry-ice shipper", "TFL", "", None, None, -7800, -6000),
    ("NLB-ROOM", "room", "Freezer room", "NLB", "", None, None, None, None),
    ("NLB-F1", "freezer", "Freezer 1", "NLB", "NLB-ROOM", None, None, -8000, -6500),
    ("NLB-F1-S1", "shelf", "Shelf 1", "NLB", "NLB-F1", None, None, None, None),
    ("NLB-F1-R1", "rack", "Rack 1", "NLB", "NLB-F1-S1", None, None, None, None),
    ("NLB-B001", "box", "Box 001", "NLB", "NLB-F1-R1", 9, 9, None, None),
    ("NLB-F2", "freezer", "Freezer 2", "NLB", "NLB-ROOM", None, None, -8000, -6500),
    ("NLB-F2-R1", "rack", "Rack 1", "NLB", "NLB-F2", None, None, None, None),
    ("NLB-B002", "box", "Box 002", "NLB", "NLB-F2-R1", 9, 9, None, None),
    ("NLB-F3", "freezer", "Freezer 3 (no logger)", "NLB", "NLB-ROOM", None, None, -8000, None),
    ("NLB-B003", "box", "Box 003", "NLB", "NLB-F3", 9, 9, None, None),
]  # fmt: skip

# code, sex, chip, tag
ANIMALS = [
    ("SB-01", "F", "999000000000101", "SB101"),
    ("SB-02", "M", "999000000000102", "SB102"),
    ("SB-03", "F", "999000000000103", "SB103"),
    ("SB-04", "M", "999000000000104", "SB104"),
    ("SB-05", "F", "999000000000105", "SB105"),
    ("SB-06", "U", "999000000000106", "SB106"),
]


def key(name: str) -> str:
    """The id of the demo's act with this name: the same every time."""
    return derived_id(SEED, name)


class DemoActor(Actor):
    """Somebody of the demo, who types two minutes after the act; it is all played at once today."""

    def typed(self, when: datetime, now: datetime) -> datetime:
        return min(now, when + timedelta(minutes=2))


@dataclass
class World:
    """Everything the scenario needs at hand. `today` is the local date on which the demo was made."""

    today: date
    programme: Programme
    site: Site
    plan: SamplePlan
    people: dict[str, Person] = field(default_factory=dict)
    passwords: dict[str, str] = field(default_factory=dict)
    animals: list[Animal] = field(default_factory=list)

    def actor(self, role: str) -> Actor:
        return DemoActor(self.people[role], role)

    def at(self, days_ago: int, clock: str, minutes: float = 0) -> datetime:
        """A local time so many days ago, plus minutes."""
        start = datetime.combine(
            self.today - timedelta(days=days_ago), time.fromisoformat(clock), ZoneInfo(TZ)
        )
        return start + timedelta(minutes=minutes)


def make_world() -> World:
    """Reference data, each row with its history's who and why."""
    programme = Programme.objects.create(code=CODE, name="Skarvik Bay harbour seals", tz=TZ)
    agencies = {
        code: Agency.objects.create(code=code, name=name, address=f"{name}, Quay 1, Skarvik (invented)")
        for code, name in AGENCIES
    }
    site = Site.objects.create(programme=programme, code="SKV", name="Skarvik Bay")
    world = World(timezone.now().astimezone(ZoneInfo(TZ)).date(), programme, site, make_plan(programme))
    for username, code, name, agency, role in PEOPLE:
        user = get_user_model().objects.create_user(username)
        world.people[username] = Person.objects.create(
            code=code,
            name=name,
            agency=agencies[agency],
            programme=programme,
            role=role,
            user=user,
            veterinarian=username == "veterinarian",
        )
    world.animals = [make_animal(world, *one) for one in ANIMALS]
    make_units(world, agencies)
    install_starter(world.people["curator"].user, WHY)
    install(programme, world.people["curator"].user, "SEAL-FULL")
    limit_blood(world)
    make_permits(world, agencies)
    return world


def make_plan(programme: Programme) -> SamplePlan:
    plan = SamplePlan.objects.create(programme=programme, code="SEAL", version=1, name="Harbour seal health")
    for order, one in enumerate(PLAN, 1):
        number, label, matrix, additive, cap, container, ul, (n, made, made_ul), rank = one
        handling, purpose = HANDLING[number]
        planned = PlannedTube.objects.create(
            plan=plan, number=number, label=label, matrix=matrix, additive=additive, cap=cap,
            container=container, volume_ul=ul, handling=handling, order_of_draw=order,
            target_centi=-8000, priority=rank, purpose=purpose,
        )  # fmt: skip
        if n:
            planned.made.create(count=n, matrix=made, ul=made_ul, target_centi=-8000, purpose=purpose)
    return plan


def make_animal(world: World, code: str, sex: str, chip: str, tag: str) -> Animal:
    animal = Animal(programme=world.programme, code=code, species=SPECIES, sex=sex)
    since = world.today - timedelta(days=9)
    names = [
        Identifier(animal=animal, kind=kind, text=text, since=since)
        for kind, text in [("chip", chip), ("tag", tag)]
    ]
    with saving(world.people["fieldtech"].user, WHY, animal, *names):
        animal.save()
        for name in names:
            name.save()
    return animal


def limit_blood(world: World) -> None:
    """What the survey's veterinarian set for it; invented, and no advice for anybody else's animals."""
    source = "Demo: the veterinarian of the survey, one per cent of body mass in 14 days"
    since = world.today - timedelta(days=30)
    set_limit(world.actor("veterinarian"), key("blood limit"), BloodRule(10, None, None, 14), since, source)


def make_permits(world: World, agencies: dict[str, Agency]) -> None:
    """Invented papers: the survey may take samples of twelve seals, all three may hold and send them, and
    two may receive; one of them ends soon."""
    start = date(world.today.year - 1, 1, 1)
    soon = world.today + timedelta(days=25)
    rows: list[tuple[str, str, dict[str, Any]]] = [
        ("take", "SSS", {"quantity": 12, "counted": "animals"}), ("hold", "SSS", {}), ("hold", "TFL", {}),
        ("hold", "NLB", {}), ("receive", "TFL", {}), ("receive", "NLB", {}), ("send", "NLB", {}),
        ("send", "TFL", {"recipients": [agencies["NLB"]]}),
        ("send", "SSS", {"quantity": 400, "counted": "tubes", "recipients": [agencies["TFL"]]}
                        | {"valid_until": soon}),
    ]  # fmt: skip
    for allows, agency, more in rows:
        said = {
            "sort": "permit", "number": f"SKV-{allows[0].upper()}-{agency}", "allows": allows,
            "agency": agencies[agency], "issued_by": "Skarvik fisheries office (invented)",
            "species": SPECIES, "parts": "", "quantity": None, "counted": "", "people": [],
            "recipients": [], "valid_from": start, "valid_until": date(start.year + 3, 12, 31),
            "conditions": "", "note": "",
        } | more  # fmt: skip
        save_permit(world.programme, None, said, world.people["curator"].user, WHY)


def make_units(world: World, agencies: dict[str, Agency]) -> None:
    """The storage tree as it was set up two weeks ago: one event for each unit."""
    for n, (code, kind, name, agency, parent, rows, cols, nominal, alarm) in enumerate(UNITS):
        add_unit(
            world.actor("curator"), key(f"unit {code}"), code=code, kind=kind, name=name, reason=WHY,
            parent=parent, rows=rows, cols=cols, nominal_centi=nominal, alarm_above_centi=alarm,
            agency=agencies[agency],
            at=world.at(14, "09:00", n),
        )  # fmt: skip


def set_passwords(people: dict[str, Person]) -> dict[str, str]:
    """New passwords at every start, shown once and kept nowhere."""
    words: dict[str, str] = {}
    for username, person in people.items():
        words[username] = secrets.token_urlsafe(9)
        assert person.user is not None
        person.user.set_password(words[username])
        person.user.save(update_fields=["password"])
    return words
