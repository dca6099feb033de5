"""What tests/bench/handoff.py measures. DATABASE_URL names an empty database, DATA_DIR a folder."""

from __future__ import annotations

import json
import os
import statistics
import time
from collections.abc import Callable
from typing import Any

TUBES, ROUNDS, SAMPLE = 300, 7, 30
FEW, MANY = 50, 1_000


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", run_syncdb=True, verbosity=0)
    print(json.dumps(measured()))


def measured() -> dict[str, float]:
    from django.test import Client

    people, codes = world()
    client = Client(SERVER_NAME="localhost")
    client.force_login(people.user("fieldtech"))
    gave, took, refs = there_and_back(people, codes)
    single = statistics.median(
        timed(lambda one=one: back(people, give(people, [one]))) for one in codes[:SAMPLE]
    )
    few = listed(people, client, codes[0], FEW)
    many = listed(people, client, codes[0], MANY)
    page = statistics.median(timed(lambda: client.get(f"/handoffs/{refs[-1]}/")) for _ in range(ROUNDS))
    return {
        "tubes": TUBES, "give_ms_p50": gave, "receive_ms_p50": took,
        "one_by_one": round(single * TUBES / gave, 1), "list_ms_few": few, "list_ms_many": many,
        "list_ratio": round(many / few, 2), "page_ms_p50": round(page, 1),
    }  # fmt: skip


def world() -> tuple[Any, list[str]]:
    """The seal survey with 300 tubes that the field team holds."""
    from custody.core.event import Act, new_id
    from custody.record import record
    from tests import people as builders

    people = builders.make_people()
    codes = [f"T{n:08d}" for n in range(TUBES)]
    at = round(builders.DRAWN.timestamp() * 1000)
    said = {"by": "P1", "org": "SSS", "rec_at": at}
    new = [{"t": code, "role": "new", "matrix": "SER"} for code in codes]
    drawn = [{"t": code, "role": "subj", "ul": 1000} for code in codes]
    acts = [Act("label_printed", at, id=new_id(), lines=new, **said),
            Act("drawn", at, id=new_id(), lines=drawn, **said)]  # fmt: skip
    record(acts, login="fieldtech")
    return people, codes


def give(people: Any, codes: list[str]) -> str:
    from biobank.handoffs.actions import hand_off
    from custody.core.event import new_id

    return str(hand_off(people.actor("fieldtech"), new_id(), codes, "TFL", how="hand").id)


def take(people: Any, ref: str, codes: list[str]) -> None:
    from biobank.handoffs.actions import receive
    from custody.core.event import new_id

    results = dict.fromkeys(codes, "ok")
    receive(people.actor("labtech"), new_id(), ref, results, counted=len(codes))


def back(people: Any, ref: str) -> None:
    from biobank.handoffs.actions import send_back
    from custody.core.event import new_id

    send_back(people.actor("fieldtech"), new_id(), ref, "withdrawn", "bench")


def there_and_back(people: Any, codes: list[str]) -> tuple[float, float, list[str]]:
    """Median ms of a handoff and of its receipt; tubes are given back in between, which is not counted."""
    from biobank.handoffs import actions
    from custody.core.event import new_id

    gave, took, refs = [], [], []
    for _ in range(ROUNDS):
        gave.append(timed(lambda: refs.append(give(people, codes))))
        took.append(timed(lambda: take(people, refs[-1], codes)))
        home = actions.hand_off(people.actor("labtech"), new_id(), codes, "SSS", how="hand")
        results = dict.fromkeys(codes, "ok")
        actions.receive(people.actor("fieldtech"), new_id(), home.id, results, counted=len(codes))
    return round(statistics.median(gave), 1), round(statistics.median(took), 1), refs


def listed(people: Any, client: Any, code: str, wanted: int) -> float:
    """Median ms of the list once so many handoffs were made, each of one tube and withdrawn."""
    from custody import queries as ledger

    while len(ledger.sendings()) < wanted:
        for _ in range(wanted - len(ledger.sendings())):
            back(people, give(people, [code]))
    client.get("/handoffs/")
    return round(statistics.median(timed(lambda: client.get("/handoffs/")) for _ in range(ROUNDS)), 1)


def timed(do: Callable[[], Any]) -> float:
    """Milliseconds."""
    begun = time.perf_counter()
    do()
    return (time.perf_counter() - begun) * 1000


if __name__ == "__main__":
    main()
