"""What would change: a draft run on the whole collection, for a collection that is large.

Promises: the same pieces as the page, so that either goes on where the other stopped; writes nothing but the
trial. The trial is on the page of the draft, where it is read.
"""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from biobank.checks import trial
from biobank.checks.trial_queries import WORDED, steps_of
from biobank.models import Person, RuleSet, TrialChange
from custody.core.refusal import Refused


class Command(BaseCommand):
    help = "Run a draft of rules on every tube and say which verdicts would change."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("code", help="of the rule set, for example START")
        parser.add_argument("version", type=int)
        parser.add_argument("--anew", action="store_true", help="also when one is finished and current")
        parser.add_argument("--by", required=True, help="code of the person who asks, for example P03")

    def handle(self, *args: Any, **said: Any) -> None:
        draft = RuleSet.objects.filter(code=said["code"], version=said["version"]).first()
        by = Person.objects.filter(code=said["by"]).first()
        if draft is None or by is None:
            raise CommandError("There is no such rule set, or no such person.")
        try:
            one = trial.begin(draft, by, said["anew"])
            while not one.ended:
                one = trial.go_on(one)
                if said["verbosity"] > 1:
                    self.stdout.write(f"{one.done} of {one.total} tubes")
        except Refused as no:
            raise CommandError(f"{no.sentence} ({no.code})") from no
        for step in steps_of(TrialChange.objects.filter(trial=one)):
            self.stdout.write(f"{step.name}: {WORDED[step.before]} → {WORDED[step.now]}: {step.count}")
        self.stdout.write(f"{one.done} tubes looked at by {one.draft}")
