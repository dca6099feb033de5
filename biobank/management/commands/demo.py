"""Build and play the demo, then serve it."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connections
from django.utils import timezone
from tqdm import tqdm

from biobank.acting import ms
from biobank.checks import judging
from biobank.demo import cold, days, instruments, parcels, report, world
from biobank.models import Person, Programme
from custody import checkpoints
from custody import queries as ledger


class Command(BaseCommand):
    help = "Play the invented harbour seal survey through the real actions and serve the site."
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="end when the demo is built")
        parser.add_argument("--fresh", action="store_true", help="throw the last demo away and start over")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, no_serve: bool, fresh: bool, port: int, **options: Any) -> None:
        if not settings.DEMO:
            raise CommandError("Run it as `manage.py demo`; it sets DEMO=1 and so keeps away from real data.")
        if fresh:
            forget()
        call_command("migrate", verbosity=0)
        if not Programme.objects.exists() and ledger.size() == 0:
            self.play()
        elif not Programme.objects.filter(code=world.CODE).exists() or Programme.objects.count() > 1:
            raise CommandError("This database holds something else than the demo. Nothing was changed.")
        self.tell()
        if not no_serve:
            self.serve(port)

    def play(self) -> None:
        made = world.make_world()
        now = timezone.now()
        todo = [
            *days.steps(made),
            ("temperatures", lambda: cold.chill(made, now)),
            ("loggers", lambda: instruments.vouch(made, now)),
            ("a parcel", lambda: parcels.plan(made)),
            ("verdicts", lambda: judging.everything(ms(timezone.now()))),
        ]
        for name, do in (bar := tqdm(todo, unit="step", desc="Playing the demo")):
            bar.set_postfix_str(name)
            do()

    def tell(self) -> None:
        people = {one.user.get_username(): one for one in Person.objects.select_related("user") if one.user}
        passwords = world.set_passwords(people)
        folder = Path(settings.DATA_DIR) / "papers"
        folder.mkdir(parents=True, exist_ok=True)
        for what, path in report.papers(folder):
            self.stdout.write(f"{what}: {path}")
        pairs = report.judged()
        self.stdout.write(f"\nWhat the rules say ({report.counts()}):")
        for line in [*report.table(pairs), "", *report.examples(pairs), ""]:
            self.stdout.write(line)
        self.stdout.write("Sign in as one of these (new passwords at every start):")
        for username, password in passwords.items():
            self.stdout.write(f"  {username:<13} {password}")

    def serve(self, port: int) -> None:
        import waitress
        from django.core.wsgi import get_wsgi_application

        self.stdout.write(f"\nServing http://127.0.0.1:{port}/ until you press Ctrl+C.")
        waitress.serve(get_wsgi_application(), host="127.0.0.1", port=port, threads=6)


def forget() -> None:
    """Remove the demo's own SQLite file; any other database is not ours to empty."""
    connection = connections["default"]
    name = str(connection.settings_dict["NAME"])
    if connection.vendor != "sqlite" or Path(name) != Path(settings.DATA_DIR) / "demo.sqlite3":
        raise CommandError("--fresh works on the demo's own SQLite file only. Empty this database yourself.")
    connection.close()
    for path in (name, f"{name}-wal", f"{name}-shm"):
        Path(path).unlink(missing_ok=True)
    checkpoints.forget_key()  # another log needs another key: one key never signs two histories
