"""An empty site gets its first programme and administrator by one command, once."""

import io

import pytest
from django.contrib.auth import get_user_model
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from biobank.models import Agency, Person, Programme

SAID = {
    "name": "Skarvik Bay harbour seals", "zone": "Europe/Oslo", "agency": "SSS",
    "agency_name": "Skarvik Seal Survey", "person_name": "Liv Bergset",
}  # fmt: skip


def begin(**other) -> str:
    out = io.StringIO()
    call_command("begin", "SKARVIK", stdout=out, **(SAID | other))
    return out.getvalue()


def test_who_begins_can_sign_in_and_add_people(db):
    password = begin().split("password ")[1].split("\n")[0]
    client = Client()
    assert client.login(username="administrator", password=password)
    assert client.get(reverse("register")).status_code == 200
    assert Person.objects.get().history.first().history_change_reason == "the site begins"


def test_a_site_begins_once(db):
    begin()
    with pytest.raises(CommandError, match="has a programme already"):
        begin(username="another")
    assert Programme.objects.count() == 1


@pytest.mark.parametrize(
    ("field", "value"), [("zone", "Europe/Skarvik"), ("agency", "S S"), ("person", "way-too-long-a-code")]
)
def test_a_slip_makes_nothing(db, field, value):
    with pytest.raises(CommandError):
        begin(**{field: value})
    assert not Programme.objects.exists() and not Agency.objects.exists()
    assert not get_user_model().objects.exists()
