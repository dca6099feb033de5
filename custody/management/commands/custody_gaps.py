"""Say where custody of a tube is not shown."""

from __future__ import annotations

import time
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from custody import queries
from custody.core.gaps import LIMITS, Limits


class Command(BaseCommand):
    help = "Every gap in the custody of a tube and of what it was made from. Exit code 1 when there are any."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("tube", help="the code on its label, hyphens or not")
        parser.add_argument("--unplaced-h", type=int, default=LIMITS.unplaced_h, help="hours held in no unit")
        parser.add_argument(
            "--transit-h", type=int, default=LIMITS.transit_h, help="hours on the way, no time agreed"
        )
        parser.add_argument("--late-min", type=int, default=LIMITS.late_min, help="minutes until typed")
        parser.add_argument(
            "--clock-s", type=int, default=LIMITS.clock_s, help="seconds of doubt about a change"
        )

    def handle(self, *args: Any, tube: str, **options: Any) -> None:
        code = tube.replace("-", "").replace(" ", "").upper()
        if queries.state(code) is None:
            raise CommandError(f"The ledger has not heard of a tube {tube}.", returncode=2)
        limits = Limits(*(options[name] for name in ("unplaced_h", "transit_h", "late_min", "clock_s")))
        found = queries.custody(code, time.time_ns() // 1_000_000, limits).gaps
        for gap in found:
            self.stdout.write(f"{gap.tube} {gap.code}: {gap.sentence}")
        if found:
            raise CommandError(f"Gaps in the custody of {code}: {len(found)}.")
        self.stdout.write(f"Custody of {code} without gaps.")
