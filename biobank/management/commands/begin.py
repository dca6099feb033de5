"""The first programme, agency and administrator of an empty site; everything else has pages."""

from __future__ import annotations

import secrets
from argparse import ArgumentParser
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth import get_user_model
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from biobank.acting import saving
from biobank.models import Agency, Person, Programme, Role

WHY = "the site begins"


class Command(BaseCommand):
    help = "Make the first programme, agency and administrator. Only on a site that has no programme yet."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("programme", help="its code, for example BAY")
        parser.add_argument("--name", required=True, help="its name")
        parser.add_argument("--zone", required=True, help="its time zone, for example Europe/Oslo")
        parser.add_argument("--agency", required=True, help="code of the administrator's agency")
        parser.add_argument("--agency-name", required=True)
        parser.add_argument("--person", default="P01", help="the administrator's code in the ledger")
        parser.add_argument("--person-name", required=True)
        parser.add_argument("--username", default="administrator")

    def handle(self, *args: Any, **said: Any) -> None:
        if Programme.objects.exists():
            raise CommandError("This site has a programme already. Use its pages.")
        try:
            ZoneInfo(said["zone"])
        except (ValueError, OSError, LookupError) as why:
            raise CommandError(f"{said['zone']!r} is no time zone (like Europe/Oslo).") from why
        try:
            password = begin(said)
        except ValidationError as why:
            raise CommandError(" ".join(why.messages)) from why
        self.stdout.write(f"User name {said['username']}, password {password}")
        self.stdout.write("It is shown once. Sign in and change it; then add people, agencies and sites.")


@transaction.atomic
def begin(said: dict[str, Any]) -> str:
    """Makes them and returns the password. ValidationError when a code or name is malformed."""
    password = secrets.token_urlsafe(12)
    user = get_user_model().objects.create_user(said["username"], password=password)
    programme = Programme(code=said["programme"], name=said["name"], tz=said["zone"])
    agency = Agency(code=said["agency"], name=said["agency_name"])
    person = Person(code=said["person"], name=said["person_name"], role=Role.ADMINISTRATOR, user=user)
    with saving(user, WHY, programme, agency, person):
        for row in (programme, agency):
            row.full_clean()
            row.save()
        person.programme, person.agency = programme, agency
        person.full_clean()
        person.save()
    return password
