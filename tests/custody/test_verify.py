"""Whatever is changed in the ledger's tables behind its back is named."""

import time

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from custody import triggers
from custody.models import Event
from custody.verify import verify


@pytest.fixture
def open_ledger(drawn, say):
    """Four events, and the triggers dropped, as the owner of a database can do."""
    say("spun", drawn, 5, data={"g": 1500, "minutes": 10})
    say("put_away", "T1", 9, unit="B1", row=1, col=1)
    with connection.cursor() as cursor:
        for name in triggers.names(connection.vendor):
            table = name.rsplit("_no_", 1)[0]
            on = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{on}")
    assert verify().wrong == []
    return drawn


def changed(text: str, place: int) -> str:
    """The text with one character replaced by its neighbour."""
    at = place % len(text)
    return text[:at] + chr(ord(text[at]) ^ 1) + text[at + 1 :]


EVENT_TEXTS = ["body", "login", "via", "kind", "by", "org", "device"]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(seq=st.integers(0, 3), column=st.sampled_from(EVENT_TEXTS), place=st.integers(0, 10_000))
def test_one_changed_character_of_any_event_is_found(open_ledger, seq, column, place):
    event = Event.objects.get(seq=seq)
    before = getattr(event, column)
    after = changed(before, place)
    if column == "kind":
        after = "thawed" if before != "thawed" else "spun"  # the database itself knows the kinds
    Event.objects.filter(seq=seq).update(**{column: after})
    assert any(f"event {seq} " in sentence for sentence in verify().wrong)
    Event.objects.filter(seq=seq).update(**{column: before})
    assert verify().wrong == []


def test_both_commands_end_with_an_error_on_a_changed_ledger(open_ledger, capsys):
    triggers.ensure()
    call_command("custody_verify")
    call_command("custody_rebuild", "--check")
    assert "4 events" in capsys.readouterr().out
    with connection.cursor() as cursor:
        for name in triggers.names(connection.vendor):
            on = f" ON {name.rsplit('_no_', 1)[0]}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{on}")
    body = Event.objects.get(seq=1).body
    Event.objects.filter(seq=1).update(body=changed(body, 40))
    for command in (["custody_verify"], ["custody_rebuild", "--check"]):
        with pytest.raises(CommandError):
            call_command(*command)


def test_the_root_is_that_of_the_leaves(drawn):
    from custody.core import tree

    leaves = [bytes(leaf) for leaf in Event.objects.order_by("seq").values_list("leaf", flat=True)]
    assert verify().root == tree.root(leaves).hex()


@pytest.mark.parametrize("number", [10**6, 10**13, 2**62])
def test_a_number_that_was_made_huge_is_named_before_long(open_ledger, number):
    """The check goes by the events that are there, not by the numbers that there could be."""
    Event.objects.filter(seq=3).update(seq=number)
    begun = time.monotonic()
    assert any("number 3 was expected" in one for one in verify().wrong)
    assert time.monotonic() - begun < 5
