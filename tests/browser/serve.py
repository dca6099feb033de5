"""A site of its own for browser tests: its own database file, filled by tests/people.py, on a free port.

Not pytest-django's live server: that one empties the tables after each test, and the ledger's
append-only triggers forbid emptying. Prints the port, then serves until it is ended.
Run as `python -m tests.browser.serve` with DATA_DIR naming an empty folder.
"""

from __future__ import annotations

import os
import sys
from datetime import timedelta

import django


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    fill()
    serve()


def fill() -> None:
    from django.core.management import call_command

    from tests import people as builders

    call_command("migrate", run_syncdb=True, verbosity=0)
    people = builders.make_people()
    builders.make_store(people)
    builders.drawn_set(people, animal=people.animal)
    beach(people)
    bench(people)


def bench(people) -> None:
    """A drawn set of another seal, its six tubes handed off to the laboratory this morning."""
    from django.utils import timezone

    from biobank.handoffs.actions import hand_off
    from biobank.models import PlannedTube
    from custody.core.event import new_id
    from tests import people as builders

    PlannedTube.objects.filter(plan=people.plan, number__in=[2, 3, 4]).update(spin_g=1500, spin_minutes=10)
    seal = builders.make_animal(people.programme, "A-0002", "999000000000002")
    tubes = [tube.code for tube in builders.drawn_set(people, animal=seal).tubes.filter(parent_hint="")]
    hand_off(
        people.actor("fieldtech"), new_id(), tubes, "TFL", how="hand", at=timezone.now() - timedelta(hours=1)
    )


def beach(people) -> None:
    """Two workups of today, one just begun, and a bag of the whole seal plan for it: 110 labels."""
    from django.utils import timezone

    from biobank.labels.actions import print_sets
    from biobank.models import FieldDay, Workup
    from biobank.plans.actions import install
    from custody.core.event import new_id
    from tests.people import ZONE

    now = timezone.now()
    day = FieldDay.objects.create(site=people.site, date=now.astimezone(ZONE).date())
    plan = install(people.programme, people.user("curator"), "SEAL-FULL")
    print_sets(people.actor("fieldtech"), new_id(), plan, day, 1, at=now - timedelta(hours=12))
    Workup.objects.create(code="BEACH-1", day=day)
    Workup.objects.create(code="BEACH-2", day=day, net_closed=now - timedelta(minutes=10))


def serve() -> None:
    from waitress.server import create_server

    from biobank.wsgi import application

    server = create_server(application, host="127.0.0.1", port=0, threads=4)
    print(server.effective_port, flush=True)
    server.run()


if __name__ == "__main__":
    sys.exit(main())
