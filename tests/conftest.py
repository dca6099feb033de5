"""Fixtures that every room's tests may ask for; the builders are in people.py."""

from __future__ import annotations

import uuid
from collections.abc import Callable

import pytest
from django.test import Client

from tests import people as builders


@pytest.fixture(autouse=True)
def key_of_this_test(settings, tmp_path_factory) -> None:
    """A checkpoint key of its own: each test's ledger is another one, and a key signs one history only."""
    folder = tmp_path_factory.getbasetemp() / f"keys-{uuid.uuid4().hex}"
    settings.CHECKPOINT_KEY_FILE = folder / "ledger"  # made when the test needs it


@pytest.fixture
def people(db) -> builders.People:
    """Programme, agencies, people with logins, field day, seal and plan."""
    return builders.make_people()


@pytest.fixture
def store(people: builders.People) -> builders.People:
    """The same with Northlight's freezer, shelf, rack and 9 x 9 box in the ledger."""
    builders.make_store(people)
    return people


@pytest.fixture
def sign_in(people: builders.People) -> Callable[[str], Client]:
    """`sign_in("labtech")` gives a browser in which that role is signed in."""

    def signed(role: str) -> Client:
        client = Client()
        client.force_login(people.user(role))
        return client

    return signed
