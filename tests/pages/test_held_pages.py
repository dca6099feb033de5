"""Pages of files that wait, of readings in conflict, and of loggers' passwords."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import LoggerDraft, LoggerToken, ReadingBlock, ReadingConflict
from biobank.temperature import actions, blocks, filing
from biobank.temperature.watching import NO_LOGGER
from tests.biobank.logged import MINUTE, PLAIN, rows_from, table, take_in, utc


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


@pytest.fixture
def held(store):
    rows = table(rows_from("2026-05-03 09:00", 12))
    return filing.hold(store.actor("labtech"), None, PLAIN, "loose.csv", rows, via="folder", wrong=NO_LOGGER)


@pytest.fixture
def disputed(store, logger):
    take_in(store, logger, rows_from("2026-05-03 09:00", 12, value=lambda k: -80))
    take_in(store, logger, rows_from("2026-05-03 09:10", 3, value=lambda k: -70))
    return list(ReadingConflict.objects.all())


def measured(logger):
    a, b = utc("2026-05-03 09:00"), utc("2026-05-03 09:55")
    return float(blocks.load(logger.pk, a, b).series().measured(a, b)[0]) / MINUTE


# --- held files -----------------------------------------------------------------------------------


def test_a_held_file_is_claimed_looked_at_and_stored(held, logger, sign_in):
    client = sign_in("labtech")
    assert "Say which logger this file is from" in client.get(reverse("held_files")).content.decode()
    seen = client.post(reverse("held_file", args=[held.pk]), {"logger": "T-01", "saved": ""}, follow=True)
    text = seen.content.decode()
    assert "Store 12 new readings" in text and ReadingBlock.objects.count() == 0
    assert "loose.csv" not in client.get(reverse("held_files")).content.decode()


def test_a_file_that_is_not_needed_leaves_the_list_and_stays(held, sign_in):
    client = sign_in("labtech")
    answer = client.post(reverse("held_give_up", args=[held.pk]), {"reason": "A test of the gateway"})
    assert answer.status_code == 302
    assert client.get(reverse("held_file", args=[held.pk])).status_code == 404
    kept = LoggerDraft.objects.get()
    assert kept.aside.startswith("A test of the gateway (") and bytes(kept.content)


def test_a_file_with_another_serial_number_is_held_and_never_stored(store, logger, sign_in):
    from dataclasses import replace

    profile = replace(PLAIN, header_rows=2, serial_words="Serial *")
    content = b"Serial: SN2\n" + table(rows_from("2026-05-03 09:00", 12))
    draft = actions.draft(store.actor("labtech"), logger, profile, "wrong.csv", content)
    assert draft.aside_code == "serial_differs"
    text = sign_in("labtech").get(reverse("held_file", args=[draft.pk])).content.decode()
    assert "SN2" in text and "SN1" in text
    actions.draft(store.actor("labtech"), logger, PLAIN, "next.csv", table(rows_from("2026-05-03 09:00", 2)))
    assert LoggerDraft.objects.filter(pk=draft.pk).exists()  # the next upload does not throw it away


def test_who_may_not_see_held_files(held, sign_in):
    for role in ("fieldtech", "collaborator", "auditor"):
        assert sign_in(role).get(reverse("held_files")).status_code == 403


# --- conflicts ------------------------------------------------------------------------------------


def test_an_open_conflict_is_no_data_and_a_settled_one_counts_as_settled(store, logger, disputed, sign_in):
    assert [one.choice for one in disputed] == [""] * 3
    assert (
        measured(logger) == 35
    )  # of 55: 09:05 to 09:25 is not known, neither to nor from a moment in dispute
    client = sign_in("curator")
    page = reverse("logger_conflicts", args=["T-01"])
    assert "not settled: no data" in client.get(page).content.decode()
    for choice, value in (("said", -7000), ("stored", -8000)):
        said = {"moments": [one.pk for one in disputed], "choice": choice, "reason": "Read on the display"}
        assert client.post(page, said).status_code == 302
        loaded = blocks.load(logger.pk, utc("2026-05-03 09:10"), utc("2026-05-03 09:21"))
        assert loaded.centi[loaded.times == utc("2026-05-03 09:15")].tolist() == [value]
        assert measured(logger) == 55
    one = ReadingConflict.objects.first()
    assert [row.choice for row in one.history.order_by("history_id")][-2:] == ["said", "stored"]
    assert one.history.first().history_change_reason == "Read on the display"


def test_neither_leaves_no_data_for_good(logger, disputed, sign_in):
    said = {"moments": [one.pk for one in disputed], "choice": "neither", "reason": "The probe was out"}
    sign_in("curator").post(reverse("logger_conflicts", args=["T-01"]), said)
    assert measured(logger) == 35


def test_a_conflict_is_settled_with_a_reason_by_a_curator_alone(logger, disputed, sign_in):
    page = reverse("logger_conflicts", args=["T-01"])
    said = {"moments": [disputed[0].pk], "choice": "said", "reason": "Read on the display"}
    assert sign_in("auditor").get(page).status_code == 200
    assert sign_in("labtech").post(page, said).status_code == 403
    answer = sign_in("curator").post(page, {**said, "reason": " "})
    assert answer.status_code == 422 and not ReadingConflict.objects.exclude(choice="").exists()


def test_all_open_ones_are_settled_at_once_and_a_refusal_keeps_what_was_marked(logger, disputed, sign_in):
    client, page = sign_in("curator"), reverse("logger_conflicts", args=["T-01"])
    one, two, three = disputed
    client.post(page, {"moments": [one.pk], "choice": "said", "reason": "Read on the display"})
    seen = client.post(page, {"moments": [two.pk], "choice": "stored", "reason": " "}).content.decode()
    assert f'value="{two.pk}" checked' in seen and f'value="{three.pk}" checked' not in seen
    nothing = client.post(page, {"choice": "stored", "reason": "The other was a test"})
    assert nothing.status_code == 422 and "nothing_chosen" in nothing.content.decode()
    client.post(page, {"every": "on", "choice": "stored", "reason": "The other was a test"})
    assert [row.choice for row in ReadingConflict.objects.order_by("at_ms")] == ["said", "stored", "stored"]


def test_lists_cost_the_same_queries_for_few_as_for_many(store, logger, sign_in):
    client, spent = sign_in("curator"), []
    take_in(store, logger, rows_from("2026-05-03 09:00", 80, value=lambda k: -80))
    for count in (3, 30):
        take_in(store, logger, rows_from("2026-05-03 09:00", count, value=lambda k: -70))
        for k in range(count):
            filing.hold(store.actor("labtech"), None, PLAIN, f"{k}.csv", b"x", via="folder", wrong=NO_LOGGER)
        for page in (reverse("conflicts"), reverse("logger_conflicts", args=["T-01"]), reverse("held_files")):
            with CaptureQueriesContext(connection) as asked:
                assert client.get(page).status_code == 200
            spent.append(len(asked))
    assert spent[:3] == spent[3:]


# --- passwords ------------------------------------------------------------------------------------


def test_a_password_is_shown_once_and_revoked_with_a_reason(logger, sign_in):
    client, page = sign_in("labtech"), reverse("logger_tokens", args=["T-01"])
    seen = client.post(page, {"name": "gateway", "reason": "New gateway"})
    secret = seen.context["secret"]
    assert secret in seen.content.decode() and secret not in client.get(page).content.decode()
    token = LoggerToken.objects.get()
    client.post(reverse("logger_token_revoke", args=["T-01", token.pk]), {"reason": "Lost"})
    token.refresh_from_db()
    assert token.revoked and token.revoked_by.user.username == "labtech"
    assert "revoked" in client.get(page).content.decode()
    assert sign_in("auditor").get(page).status_code == 403
