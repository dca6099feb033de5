"""What happens in the demo: two field days with seven captures of six seals, and what goes wrong.

Each step is one call of a real action at the time at which it is said to have happened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from biobank.bench import actions as bench
from biobank.days.actions import close, write_off
from biobank.days.queries import account
from biobank.demo.world import World, key
from biobank.disposal.actions import discard, note_consent
from biobank.field import actions as field
from biobank.field.actions import Filled, Missed
from biobank.field.vitals import measure, take
from biobank.handoffs import actions as handoffs
from biobank.labels.actions import print_sets, reprint
from biobank.models import FieldDay, TubeSet
from biobank.sets.actions import Taker, issue, pack, scan_into_bag
from biobank.store import actions as store
from custody import queries as ledger

Step = tuple[str, Callable[[], Any]]
SPACING = 50  # minutes from one capture to the next


@dataclass
class Capture:
    """One capture of the scenario: which animal, when, and what is odd about it.

    short      number of a planned tube -> microlitres that came instead; missed: never filled, with reason
    spin_after minutes from the needle to the spin; grade: haemolysis by eye
    box        where Northlight puts the aliquots
    """

    name: str
    days_ago: int
    nth: int
    animal: int
    short: dict[int, int]
    missed: dict[int, str]
    spin_after: int = 44
    grade: int | None = 0
    grams: int = 62_000
    box: str = "NLB-B002"
    reprint: int | None = None
    tube_set: TubeSet | None = None

    def code(self, number: int) -> str:
        assert self.tube_set is not None
        return next(code for code in self.codes() if int(code[5:8]) == number)

    def codes(self) -> list[str]:
        assert self.tube_set is not None
        return list(self.tube_set.tubes.order_by("code").values_list("code", flat=True))


NO_URINE = {8: "animal released early"}
CAPTURES = [
    Capture("c1", 9, 0, 0, {}, NO_URINE),
    Capture("c2", 9, 1, 1, {4: 2500}, {1: "flow stopped"} | NO_URINE, box="NLB-B001", reprint=2),
    Capture("c3", 9, 2, 2, {}, NO_URINE, spin_after=262, box="NLB-B003"),
    Capture("c4", 9, 3, 3, {}, {}, grade=3, box="NLB-B001"),
    Capture("c5", 1, 0, 4, {}, NO_URINE),
    Capture("c6", 1, 1, 5, {2: 6000}, NO_URINE, grade=None, box="NLB-B003"),
    Capture("c7", 1, 2, 0, {}, NO_URINE),  # the seal of the first capture again
]


def steps(world: World) -> Iterator[Step]:
    """The whole scenario, in order of time, as (what it is, do it)."""
    yield "print tube sets", lambda: print_all(world)
    for days_ago in (9, 1):
        caught = [one for one in CAPTURES if one.days_ago == days_ago]
        for one in caught:
            yield f"capture {one.name}", lambda one=one: beach(world, one)
            yield f"bench {one.name}", lambda one=one: lab(world, one)
        yield "to the biobank", lambda caught=caught: to_biobank(world, caught)
    yield "sign off the first day", lambda: sign_off(world)
    yield "next field day", lambda: next_day(world)


def start(world: World, one: Capture) -> Callable[[float], datetime]:
    return lambda minutes: world.at(one.days_ago, "08:05", one.nth * SPACING + minutes)


def print_all(world: World) -> None:
    """Eight sets, printed the day before each outing."""
    tech = world.actor("fieldtech")
    for days_ago in (9, 1):
        day = field.open_day(tech, world.site, world.today - timedelta(days=days_ago), 4, lead=tech.person)
        caught = [one for one in CAPTURES if one.days_ago == days_ago]
        name = key(f"print {days_ago}")
        sets = print_sets(tech, name, world.plan, day, len(caught), at=world.at(days_ago + 1, "16:00"))
        for one, tube_set in zip(caught, sets, strict=True):
            one.tube_set = tube_set
            if one.reprint:
                code = one.code(one.reprint)
                at = world.at(days_ago + 1, "17:10")
                reprint(
                    tech, key(f"reprint {one.name}"), tube_set, "Label smeared by sea water", [code], at=at
                )
            bag(world, one)


def bag(world: World, one: Capture) -> None:
    """Every tube is scanned into its bag, and the bag goes out with the field tech."""
    tech, tube_set = world.actor("fieldtech"), TubeSet.objects.get(pk=one.tube_set.pk)  # type: ignore[union-attr]
    scan_into_bag(tech, tube_set, [code for code in one.codes() if int(code[5:8]) < 100])
    pack(tech, key(f"bag {one.name}"), tube_set, sheet=True, at=world.at(one.days_ago + 1, "18:00", one.nth))
    tube_set.refresh_from_db()
    taker = Taker(tech.person.agency, tech.person)
    issue(tech, key(f"issue {one.name}"), tube_set, taker, at=world.at(one.days_ago, "07:10", one.nth))


def beach(world: World, one: Capture) -> None:
    """Net, needle, tubes, release; then everything into the cooler and over to the field laboratory."""
    tech, at = world.actor("fieldtech"), start(world, one)
    tube_set = TubeSet.objects.get(pk=one.tube_set.pk)  # type: ignore[union-attr]
    animal = world.animals[one.animal]
    clock = {"net_closed": at(0), "out_of_water": at(6)}
    workup = field.bind(tech, key(f"bind {one.name}"), tube_set, animal=animal, clock=clock, at=at(7))
    measure(
        tech, workup, {"mass_g": one.grams, "mass_estimated": False, "length_mm": 1_340 + 20 * one.animal}, {}
    )
    tube_set.refresh_from_db()
    numbers = [number for number in range(1, 9) if number not in one.missed]
    filled = [Filled(one.code(n), at(10 + n), one.short.get(n)) for n in numbers]
    missed = [Missed(one.code(n), reason) for n, reason in one.missed.items()]
    field.draw(tech, key(f"draw {one.name}"), tube_set, filled, missed, at=at(22))
    take(tech, key(f"vitals {one.name}"), workup, {"temp": 3_740, "heart": 112, "breaths": 14}, at=at(15))
    field.set_clock(tech, workup, {"released": at(25)})
    drawn = [one.code(n) for n in numbers]
    store.put_away(tech, key(f"cooler {one.name}"), drawn, "SSS-C1", at=at(26))
    given = handoffs.hand_off(
        tech, key(f"give {one.name}"), drawn, "TFL", how="view", centi_c=430, at=at(30), note="By boat"
    )  # fmt: skip
    results = {code: "ok" for code in drawn}
    handoffs.receive(
        world.actor("labtech"), key(f"take {one.name}"), given.id, results, counted=len(drawn), centi_c=460,
        at=at(38),
    )  # fmt: skip


def lab(world: World, one: Capture) -> None:
    """Spin, grade, aliquot, freeze."""
    tech, at = world.actor("labtech"), start(world, one)
    spun = at(12 + one.spin_after)
    here = {state.tube for state in ledger.find(custodian="TFL", tube__in=one.codes())}
    serum = [one.code(n) for n in (2, 3) if one.code(n) in here]
    plasma = [one.code(n) for n in (1, 4) if one.code(n) in here]
    bench.spin(tech, key(f"serum spin {one.name}"), serum, minutes=10, g=1500, centi_c=2000, at=spun)
    bench.spin(
        tech, key(f"plasma spin {one.name}"), plasma, minutes=10, g=1900, centi_c=2000, at=spun + minutes(12)
    )
    if one.grade is not None:
        bench.grade(
            tech,
            key(f"grade {one.name}"),
            serum + plasma,
            haemolysis=one.grade,
            lipaemia=0,
            icterus=0,
            at=spun + minutes(23),
        )
    if one.name == "c7":
        return  # the last seal of yesterday still waits to be aliquoted
    made = aliquots(world, one, here, spun + minutes(26))
    whole = [one.code(n) for n in (6, 7) if one.code(n) in here]
    for n, part in enumerate([made[:6], made[6:], whole]):
        store.put_away(
            tech,
            key(f"freeze {one.name} {n}"),
            part,
            f"TFL-B{1 if one.days_ago > 1 else 2}",
            at=spun + minutes(44 + n),
        )
    method = "biohazard waste, autoclaved"
    at_last = spun + minutes(50)
    gone = spent(one, here)
    note_consent(
        tech, key(f"consent {one.name}"), agency=world.people["fieldtech"].agency, given_by="Runa Vike",
        given_on=at_last.date(), how="letter", reference=f"Demo: letter about {one.name}", tubes=gone,
    )  # fmt: skip
    discard(
        tech, key(f"spent {one.name}"), gone, "used up", method, at=at_last,
        note="divided into aliquots; the rest is not kept", witness=lambda _: world.people["curator"],
    )  # fmt: skip


def spent(one: Capture, here: set[str]) -> list[str]:
    """Blood that was divided, and urine: nothing of it is kept."""
    return [one.code(n) for n in (1, 2, 3, 4, 5, 8) if one.code(n) in here]


def minutes(n: float) -> timedelta:
    return timedelta(minutes=n)


def aliquots(world: World, one: Capture, here: set[str], at: datetime) -> list[str]:
    """Every printed aliquot that its parent has enough for: serum and plasma are about half of the blood."""
    assert one.tube_set is not None
    made: list[str] = []
    labels = list(one.tube_set.tubes.exclude(parent_hint="").order_by("code"))
    for n, parent in enumerate(sorted({label.parent_hint for label in labels} & here)):
        state = ledger.state(parent)
        room = (
            int((state.volume_ul or 0) * (1 if state.matrix == "BLD" and parent == one.code(5) else 0.5))
            if state
            else 0
        )
        mine = [label for label in labels if label.parent_hint == parent]
        chosen = [
            (label.code, min(1000, room - 1000 * k)) for k, label in enumerate(mine) if room - 1000 * k >= 300
        ]
        if chosen:
            bench.aliquot(
                world.actor("labtech"),
                key(f"aliquot {one.name} {parent}"),
                parent,
                chosen,
                at=at + minutes(2 * n),
            )
            made += [code for code, _ in chosen]
    return made


def to_biobank(world: World, caught: list[Capture]) -> None:
    """On dry ice to Northlight in the evening. On the first day one tube does not arrive."""
    lab_, curator, first = world.actor("labtech"), world.actor("curator"), caught[0].days_ago
    box = "TFL-B1" if first > 1 else "TFL-B2"
    frozen = [state.tube for state in ledger.find(unit=box)]
    gone = one_serum(caught[0]) if first > 1 else None
    store.move(lab_, key(f"pack {first}"), frozen, "SHP-1", at=world.at(first, "17:30"))
    given = handoffs.hand_off(
        lab_, key(f"ship {first}"), frozen, "NLB", how="sealed", seal=f"TFL-{4410 + first}", centi_c=-7650,
        due=world.at(first, "22:00"), at=world.at(first, "18:00"),
    )  # fmt: skip
    results = {code: "missing" if code == gone else "ok" for code in frozen}
    handoffs.receive(
        curator, key(f"arrive {first}"), given.id, results, counted=len(frozen) - (1 if gone else 0),
        seal_intact=True, centi_c=-7590, at=world.at(first, "19:20"),
        note="One tube of the list is not in the shipper" if gone else "",
    )  # fmt: skip
    for one in caught:
        mine = [code for code in frozen if code[:5] == one.code(1)[:5] and code != gone]
        if mine:
            store.put_away(
                curator, key(f"store {one.name}"), mine, one.box, at=world.at(first, "19:40", one.nth)
            )


def sign_off(world: World) -> None:
    """The evening of the first day: labels of what was never drawn are written off, then it is signed off."""
    tech = world.actor("fieldtech")
    day = FieldDay.objects.get(site=world.site, date=world.today - timedelta(days=9))
    at = world.at(9, "21:00")
    write_off(tech, key("no parent"), day, lambda it: it.without_parent, "parent not collected", at=at)
    if account(day).open:
        write_off(tech, key("not made"), day, lambda it: it.open, "not made", at=at + minutes(4))
    close(tech, key("sign off"), day, "The late spin of the third seal is known.", at=at + minutes(9))


def one_serum(one: Capture) -> str:
    return one.code(104)


def next_day(world: World) -> None:
    """Tomorrow's outing: one set printed, waiting for a seal."""
    tech = world.actor("fieldtech")
    day: FieldDay = field.open_day(tech, world.site, world.today + timedelta(days=1), 4, lead=tech.person)
    print_sets(tech, key("print next"), world.plan, day, 1, at=world.at(1, "20:30"))
