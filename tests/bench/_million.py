"""What tests/bench/million.py measures, in the database that DATABASE_URL names; an empty one is filled.

A box holds 80 tubes and one free slot; 25 boxes make a rack, 20 racks a freezer. The ledger under it is
whole: its hashes and its states hold.
"""

from __future__ import annotations

import json
import os
import random
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

IN_BOX, BOXES, RACKS = 80, 25, 20
HELD = 400  # tubes that are in hand, to be put away
ROUNDS, WARM = 60, 5
RACK_SIDE = 10
START = 1_780_000_000_000


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    from biobank.models import Unit

    call_command("migrate", run_syncdb=True, verbosity=0)
    if not Unit.objects.filter(code="BOX00000").exists():
        build(int(words[0]))
    print(json.dumps(measured(int(words[0]))))


# --- building -----------------------------------------------------------------------------------------------


def build(size: int) -> None:
    from django.db import transaction

    from custody import rebuild
    from tests import people as builders
    from tests.bench import _ledger

    people = builders.make_people()
    boxes = size // IN_BOX
    sets = [set_code(n) for n in range(boxes + HELD // IN_BOX)]
    with transaction.atomic():
        rows(people, boxes, sets)
    _ledger.store(happened(boxes, sets))
    rebuild.rebuild()
    _ledger.analyse()


def set_code(n: int) -> str:
    """Five characters, a letter first, another for every n below 15 × 29⁴."""
    from biobank.core.codes import ALPHABET, LETTERS

    found, base = "", len(ALPHABET)
    for _ in range(4):
        n, at = divmod(n, base)
        found = ALPHABET[at] + found
    return LETTERS[n] + found


def tubes_of(one: str) -> list[str]:
    from biobank.core.codes import make

    return [make(one, n + 1) for n in range(IN_BOX)]


def places(boxes: int) -> Iterator[tuple[str, str, str | None]]:
    """Kind, code and what it stands in."""
    racks = -(-boxes // BOXES)
    for n in range(-(-racks // RACKS)):
        yield "freezer", f"FRZ{n:02}", None
    for n in range(racks):
        yield "rack", f"RCK{n:03}", f"FRZ{n // RACKS:02}"
    for n in range(boxes):
        yield "box", f"BOX{n:05}", f"RCK{n // BOXES:03}"
    yield "box", "EMPTY", "RCK000"


def rows(people: Any, boxes: int, sets: list[str]) -> None:
    """What the biobank knows: units, sets, tubes. By the thousand, because there are a million."""
    from biobank.models import Tube, TubeSet, Unit

    Unit.objects.bulk_create((unit(people, *place) for place in places(boxes)), batch_size=500)
    TubeSet.objects.bulk_create((TubeSet(code=one, plan=people.plan) for one in sets), batch_size=500)
    keys = dict(TubeSet.objects.values_list("code", "pk"))
    for start in range(0, len(sets), 50):
        Tube.objects.bulk_create(
            (
                Tube(code=tube, tube_set_id=keys[one], label="Serum 1", matrix="SER", additive="SST")
                for one in sets[start : start + 50]
                for tube in tubes_of(one)
            ),
            batch_size=500,
        )


def unit(people: Any, kind: str, code: str, above: str | None) -> Any:
    from biobank.models import Unit

    made = Unit(code=code, kind=kind, name=f"{kind} {code}", agency=people.nlb)
    if above is None:
        made.nominal_centi = -8000
    if kind == "box":
        made.rows = made.cols = side(code)
    return made


def side(code: str) -> int:
    return RACK_SIDE if code == "EMPTY" else 9


def happened(boxes: int, sets: list[str]) -> Iterator[Any]:
    for kind, code, above in places(boxes):
        if kind != "box" or above is not None:
            yield act("moved", [{"u": code, "role": "subj", "to": above}], 0)
    for n, one in enumerate(sets):
        tubes = tubes_of(one)
        label = {"role": "new", "label": "Serum 1", "matrix": "SER", "additive": "SST"}
        yield act("label_printed", [{"t": tube} | label for tube in tubes], 1, {"set": one})
        yield act("drawn", [{"t": tube, "role": "subj", "ul": 1_000} for tube in tubes], 2)
        if n < boxes:
            unit = f"BOX{n:05}"
            lines = [
                {"t": tube, "role": "subj", "unit": unit, "row": at // 9 + 1, "col": at % 9 + 1}
                for at, tube in enumerate(tubes)
            ]
            yield act("put_away", lines, 60)


def act(kind: str, lines: list[dict[str, Any]], minute: int, data: dict[str, Any] | None = None) -> Any:
    from custody.core.event import Act, new_id

    at = START + minute * 60_000
    return Act(kind=kind, at_ms=at, by="P3", org="NLB", id=new_id(), data=data or {}, lines=lines)


# --- measuring ----------------------------------------------------------------------------------------------


def measured(size: int) -> dict[str, float]:
    from django.test import Client

    from biobank.acting import Actor
    from biobank.models import Person

    client, boxes = Client(SERVER_NAME="localhost"), size // IN_BOX
    person = Person.objects.get(code="P3")
    actor = Actor(person, person.user.get_username())
    client.force_login(person.user)
    chance = random.Random(7)
    held = in_hand()
    full = [f"BOX{n:05}" for n in chance.sample(range(boxes), min(boxes, ROUNDS + WARM))]
    return {
        "tubes": size,
        **put_away(actor, held[: len(full)], full),
        **rack(actor, held[-(RACK_SIDE**2) :]),
        **pages(client, chance, boxes),
    }


def in_hand() -> list[str]:
    from custody import queries as ledger

    return [one.tube for one in ledger.find(status="held", custodian="NLB")]


def put_away(actor: Any, held: list[str], boxes: list[str]) -> dict[str, float]:
    """One scan, from the action to the commit: a tube into the one free slot of a box. Taken out again."""
    from biobank.store import actions
    from custody.core.event import new_id

    times = []
    for tube, box in zip(held, boxes, strict=False):
        times.append(timed(lambda tube=tube, box=box: actions.put_away(actor, new_id(), [tube], box)))
        actions.pull(actor, new_id(), [tube], "measured")
    return spread("put_away_ms", times[min(WARM, len(times) - 2) :])


def rack(actor: Any, held: list[str]) -> dict[str, float]:
    """A file of a rack reader with a hundred vials: looked at, then put away as one event."""
    from biobank.store import actions
    from biobank.store import rack as reader
    from custody.core.event import new_id

    grid = [(row, col) for row in range(RACK_SIDE) for col in range(RACK_SIDE)]
    lines = [f"{'ABCDEFGHIJ'[row]}{col + 1},{tube}" for (row, col), tube in zip(grid, held, strict=True)]
    text, box = "\n".join(["position,code", *lines]).encode(), reader.box_for("EMPTY")
    times = []
    for _ in range(5):
        spots = reader.spots_in(text, box)
        times.append(
            timed(lambda: reader.look(actor, box, reader.spots_in(text, box)))
            + timed(lambda spots=spots: reader.put_rack(actor, new_id(), box, spots))
        )
        actions.pull(actor, new_id(), held, "measured")
    return {"rack_100_ms_p50": round(statistics.median(times), 2), "rack_100_ms_most": round(max(times), 2)}


def pages(client: Any, chance: random.Random, boxes: int) -> dict[str, float]:
    found = set_code(boxes // 2)
    tube = tubes_of(found)[3]
    asked = {
        "tree": lambda: "/store/",
        "freezer": lambda: "/store/FRZ00/",
        "rack_page": lambda: f"/store/RCK{chance.randrange(-(-boxes // BOXES)):03}/",
        "map": lambda: f"/store/BOX{chance.randrange(boxes):05}/",
        "find": lambda: f"/store/find/?code={tube}",
        "tube_page": lambda: f"/tubes/{tube}/",
        "room": lambda: "/store/room/",
        "where": lambda: f"/store/where/?tubes={in_hand()[0]}",
        "today": lambda: "/",
    }
    said: dict[str, float] = {}
    for name, address in asked.items():
        said |= page(client, name, address)
    return said


def page(client: Any, name: str, address: Callable[[], str]) -> dict[str, float]:
    from django.db import connection

    questions: list[str] = []
    with connection.execute_wrapper(lambda do, sql, *rest: (questions.append(sql), do(sql, *rest))[1]):
        answer = client.get(address())
    assert answer.status_code in {200, 302}, (name, answer.status_code)
    times = []
    for _ in range(ROUNDS // 3 + WARM):
        at = address()
        times.append(timed(lambda at=at: client.get(at)))
    return spread(f"{name}_ms", times[WARM:]) | {f"{name}_queries": len(questions)}


def timed(do: Callable[[], Any]) -> float:
    """Milliseconds."""
    begun = time.perf_counter()
    do()
    return (time.perf_counter() - begun) * 1000


def spread(name: str, values: list[float]) -> dict[str, float]:
    cuts = statistics.quantiles(values, n=100)
    return {f"{name}_p50": round(cuts[49], 2), f"{name}_p95": round(cuts[94], 2)}


if __name__ == "__main__":
    main(sys.argv[1:])
