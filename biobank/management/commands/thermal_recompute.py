"""`thermal_recompute`: work out the thermal history of tubes and keep it, or say which kept ones no longer
hold."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Sequence
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone
from tqdm import tqdm

from biobank.acting import ms
from biobank.temperature import recompute
from biobank.templatetags.words import tube_code
from custody import queries as ledger

SHOWN = 20


class Command(BaseCommand):
    help = (
        "Work out what temperatures tubes went through and keep it. Nothing is written where nothing changed."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("codes", nargs="*", metavar="CODE", help="tubes, as on the label")
        parser.add_argument("--all", action="store_true", help="every tube that holds or held something")
        parser.add_argument(
            "--check", action="store_true",
            help="write nothing: compare fingerprints, say what no longer holds, exit 1 if anything",
        )  # fmt: skip

    def handle(self, *args: Any, **said: Any) -> None:
        codes = self._codes(said["codes"], said["all"])
        with tqdm(total=len(codes), unit="tube", disable=None, file=sys.stderr) as bar:
            if said["check"]:
                self._check(codes, bar)
            else:
                done = recompute.work_out(codes, ms(timezone.now()), bar.update)
                self.stdout.write(
                    f"Worked out {done.new}, as kept {done.same}, never filled or yet to begin {done.none}."
                )

    def _codes(self, said: Sequence[str], everybody: bool) -> list[str]:
        if bool(said) == everybody:
            raise CommandError("Name the tubes, or say --all.")
        if everybody:
            return recompute.everybody()
        wanted = [code.replace("-", "").upper() for code in said]
        if lacking := sorted(set(wanted) - set(ledger.states(wanted))):
            raise CommandError(f"There is no tube {', '.join(lacking)} here.")
        return wanted

    def _check(self, codes: Sequence[str], bar: tqdm) -> None:
        why: dict[str, str] = {}
        for part in recompute.together(codes):
            why |= {code: said for code, said in recompute.fresh(part).items() if said != recompute.NO_LIFE}
            bar.update(len(part))
        wrong = {code: said for code, said in why.items() if said}
        self.stdout.write(f"Holds {len(why) - len(wrong)}, no longer holds {len(wrong)}.")
        for said, n in Counter(wrong.values()).most_common():
            some = [tube_code(code) for code, one in wrong.items() if one == said]
            more = f" and {n - SHOWN} more" if n > SHOWN else ""
            self.stdout.write(f"{n}: {said}: {', '.join(some[:SHOWN])}{more}")
        if wrong:
            raise SystemExit(1)
