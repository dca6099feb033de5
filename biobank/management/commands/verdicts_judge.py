"""`verdicts_judge`: work out the verdicts of tubes and keep them for lists, or say which kept ones no longer
hold. Meant for every night."""

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
from biobank.checks import judging
from biobank.models.verdicts import WORDS
from biobank.temperature.recompute import together
from biobank.templatetags.words import tube_code
from custody import queries as ledger

SHOWN = 20


class Command(BaseCommand):
    help = "Work out the verdicts of tubes and keep them for lists; without codes of the whole collection."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("codes", nargs="*", metavar="CODE", help="tubes, as on the label")
        parser.add_argument(
            "--check", action="store_true", help="write nothing: say what no longer holds, exit 1 if anything"
        )

    def handle(self, *args: Any, **said: Any) -> None:
        codes, now = self._codes(said["codes"]), ms(timezone.now())
        with tqdm(total=len(codes), unit="tube", disable=None, file=sys.stderr) as bar:
            if said["check"]:
                return self._check(codes, now, bar)
            words = (
                judging.judge(codes, now, bar.update)
                if said["codes"]
                else judging.everything(now, bar.update)
            )
        told = ", ".join(f"{words[word]} {text}" for word, text in WORDS)
        self.stdout.write(f"Judged {len(codes)} tubes: {told}.")

    def _codes(self, said: Sequence[str]) -> list[str]:
        if not said:
            return judging.everybody()
        wanted = [code.replace("-", "").upper() for code in said]
        if lacking := sorted(set(wanted) - set(ledger.states(wanted))):
            raise CommandError(f"There is no tube {', '.join(lacking)} here.")
        return wanted

    def _check(self, codes: Sequence[str], now_ms: int, bar: tqdm) -> None:
        why: dict[str, str] = {}
        for part in together(codes):
            why |= judging.fresh(part, now_ms)
            bar.update(len(part))
        wrong = {code: said for code, said in why.items() if said}
        self.stdout.write(f"Holds {len(why) - len(wrong)}, no longer holds {len(wrong)}.")
        for said, n in Counter(wrong.values()).most_common():
            some = [tube_code(code) for code, one in wrong.items() if one == said]
            more = f" and {n - SHOWN} more" if n > SHOWN else ""
            self.stdout.write(f"{n}: {said}: {', '.join(some[:SHOWN])}{more}")
        if wrong:
            raise SystemExit(1)
