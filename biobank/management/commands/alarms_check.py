"""One round of watching, for cron: every minute, or every five.

Promises: says nothing when nothing is new, so that cron sends no mail of its own; whatever could not be
judged or sent is said on standard error and the exit code is 1.
"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from biobank.alarms import mails, rounds


class Command(BaseCommand):
    help = "Look at the newest readings, open and settle alarms, and send what is due by mail."

    def handle(self, *args: Any, **said: Any) -> None:
        now = timezone.now()
        done = rounds.watch(now)
        sent = mails.send_due(now)
        for alarm in done.opened:
            self.stdout.write(f"{alarm.unit.code}: {alarm.get_kind_display()}")
        wrong = [
            *done.troubles,
            *(f"mail to {one.email or 'nobody'} failed: {one.error}" for one in sent if one.error),
        ]
        if said["verbosity"] > 1:
            self.stdout.write(f"{done.watched} watched, {len(done.opened)} new, {len(sent)} messages")
        if wrong:
            raise CommandError("; ".join(wrong))
