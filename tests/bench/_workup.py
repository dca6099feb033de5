"""What tests/bench/workup.py measures. DATABASE_URL names an empty database, DATA_DIR a folder."""

from __future__ import annotations

import json
import os
import statistics
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

ROUNDS, WARM = 60, 5
MOST_OPEN = 12  # tubes of the page that stay empty


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", run_syncdb=True, verbosity=0)
    print(json.dumps(measured()))


def measured() -> dict[str, float]:
    from django.test import Client

    people, sets = world()
    client = Client(SERVER_NAME="localhost")
    client.force_login(people.user("fieldtech"))
    draws = [drawn(people, one) for one in sets[0]]
    posts = [timed(lambda code=one: scanned(client, sets[1], code)) for one in sets[1][:-MOST_OPEN]]
    return {
        "tubes": 110,
        **spread("draw_ms", draws),
        **spread("scan_posted_ms", posts),
        **pages(client, people, sets[1]),
    }


def world() -> tuple[Any, list[list[str]]]:
    """The seal survey with a blood limit, and two bound sets of the seal plan: codes in order of draw."""
    from django.utils import timezone

    from biobank.blood.actions import set_limit
    from biobank.core.blood import Rule
    from biobank.field.actions import bind
    from biobank.labels.actions import print_sets
    from biobank.models import FieldDay, TubeSet, Workup
    from biobank.plans.actions import install
    from custody.core.event import new_id
    from tests import people as builders

    people, now = builders.make_people(), timezone.now()
    actor, vet = people.actor("fieldtech"), people.person("curator")
    vet.veterinarian = True
    vet.save()
    set_limit(people.actor("curator"), new_id(), Rule(mass_per_mille=10), now.date(), "judgement")
    day = FieldDay.objects.create(site=people.site, date=now.astimezone(builders.ZONE).date())
    plan = install(people.programme, people.user("curator"), "SEAL-FULL")
    sets = []
    for tube_set in print_sets(actor, new_id(), plan, day, 2, at=now - timedelta(hours=12)):
        clock = {"net_closed": now - timedelta(minutes=40), "out_of_water": now - timedelta(minutes=20)}
        bind(actor, new_id(), tube_set, animal=people.animal, clock=clock)
        Workup.objects.filter(tube_set=tube_set).update(mass_g=85_000)
        primaries = TubeSet.objects.get(pk=tube_set.pk).tubes.filter(parent_hint="")
        sets.append(list(primaries.order_by("planned__order_of_draw").values_list("code", flat=True)))
    return people, sets


def timed(do: Callable[[], Any]) -> float:
    """Milliseconds."""
    begun = time.perf_counter()
    do()
    return (time.perf_counter() - begun) * 1000


def drawn(people: Any, code: str) -> float:
    from biobank.field.actions import draw_one
    from custody.core.event import new_id

    return timed(lambda: draw_one(people.actor("fieldtech"), new_id(), code))


def address(codes: list[str]) -> str:
    from biobank.models import Workup

    workup = Workup.objects.get(tube_set__tubes__code=codes[0])
    return f"/workups/{workup.code}/"


def scanned(client: Any, codes: list[str], code: str) -> None:
    from custody.core.event import new_id

    answer = client.post(address(codes), {"key": new_id(), "scan": code})
    assert answer.status_code == 302, answer.content


def pages(client: Any, people: Any, codes: list[str]) -> dict[str, float]:
    """The page as it is asked for, and drawn from values at hand, in turns."""
    from django.db import connection
    from django.template.loader import render_to_string
    from django.test.utils import setup_test_environment, teardown_test_environment

    at = address(codes)
    setup_test_environment()  # only so that the page gives its values away
    asked: list[str] = []
    with connection.execute_wrapper(lambda do, sql, *rest: (asked.append(sql), do(sql, *rest))[1]):
        answer = client.get(at)
    teardown_test_environment()
    assert answer.status_code == 200
    values = {name: answer.context[name] for name in answer.context.keys()}  # noqa: SIM118

    def bare() -> None:
        with connection.execute_wrapper(no_question):
            render_to_string("field/workup.html", values)

    whole, drawn_only = [], []
    for turn in range(ROUNDS + WARM):
        mine, other = timed(lambda: client.get(at)), timed(bare)
        if turn >= WARM:
            whole.append(mine)
            drawn_only.append(other)
    ratio = statistics.median(whole) / statistics.median(drawn_only)
    said = spread("page_ms", whole) | spread("page_without_queries_ms", drawn_only)
    return said | {"page_queries": len(asked), "ratio": round(ratio, 2)}


def no_question(*_: Any) -> None:
    raise AssertionError("The page was to be drawn from values that are at hand.")


def spread(name: str, values: list[float]) -> dict[str, float]:
    cuts = statistics.quantiles(values, n=100)
    return {f"{name}_p50": round(cuts[49], 2), f"{name}_p95": round(cuts[94], 2)}


if __name__ == "__main__":
    main()
