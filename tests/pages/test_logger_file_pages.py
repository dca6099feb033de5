"""Pages of a logger's file by plain forms: taken in, asked about, read another way, stored; its profiles."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import LoggerDraft, LoggerImport, LoggerMapping, ReadingBlock
from biobank.temperature import actions, filing
from biobank.temperature.parse import Mapping
from custody.core.event import new_id
from tests.biobank.logged import PLAIN, rows_from, table

CELSIUS = "time,temp °C"


@pytest.fixture
def logger(store):
    return actions.add_logger(store.actor("curator"), "T-01", 300, "Freezer probe", "SN1")


def upload(client, content, name="may.csv", **said):
    given = {"logger": "T-01", "file": SimpleUploadedFile(name, content)} | said
    return client.post(reverse("logger_import"), given, follow=True)


def draft():
    return LoggerDraft.objects.get()


def answer(client, **said):
    return client.post(reverse("logger_draft_answers", args=[draft().pk]), said, follow=True)


def press(client, seen):
    key = str(seen.context["form"]["key"].value())
    return client.post(reverse("logger_draft", args=[draft().pk]), {"key": key}, follow=True)


def text_of(seen):
    return seen.content.decode()


def test_a_file_is_asked_about_looked_at_and_then_stored_once(store, logger, sign_in):
    client = sign_in("labtech")
    seen = upload(client, table(rows_from("2026-05-03 09:00", 20), CELSIUS))
    assert "What this file does not say" in text_of(seen) and "new readings" not in text_of(seen)
    assert draft().mapping_spec["ask"] == ["zone"]
    wrong = answer(client, zone="Skarvik/Bay")
    assert wrong.status_code == 422 and "zone_unknown" in text_of(wrong)
    seen = answer(client, zone="Europe/Oslo")
    assert "Store 20 new readings" in text_of(seen) and "<svg" in text_of(seen)
    assert "no serial number" in text_of(seen) and not ReadingBlock.objects.exists()
    address, key = reverse("logger_draft", args=[draft().pk]), str(seen.context["form"]["key"].value())
    for _ in range(2):
        assert client.post(address, {"key": key}, follow=True).status_code == 200
    source = LoggerImport.objects.get()
    assert source.rows == 20 and source.mapping_spec["zone"] == "Europe/Oslo"
    assert source.first_ms == round(datetime(2026, 5, 3, 7, tzinfo=UTC).timestamp() * 1000)


def test_the_zone_of_the_loggers_last_file_is_proposed_and_not_taken(store, logger, sign_in):
    client = sign_in("labtech")
    upload(client, table(rows_from("2026-05-03 09:00", 20), CELSIUS))
    press(client, answer(client, zone="+01:00"))
    seen = upload(client, table(rows_from("2026-05-04 09:00", 20), CELSIUS))
    assert 'value="+01:00"' in text_of(seen) and draft().mapping_spec["ask"] == ["zone"]


def test_days_and_unit_that_are_open_are_asked_with_what_each_would_mean(store, logger, sign_in):
    client = sign_in("labtech")
    rows = [(f"03/05/2026 09:{k:02}", 4) for k in range(0, 60, 5)]
    seen = upload(client, table(rows))
    assert "3 May 2026" in text_of(seen) and "5 Mar 2026" in text_of(seen) and "−15.6 °C" in text_of(seen)
    assert draft().mapping_spec["ask"] == ["dates", "unit", "zone"]
    missing = answer(client, zone="UTC", unit="C")
    assert missing.status_code == 422 and draft().mapping_spec["ask"] == ["dates", "unit", "zone"]
    pressed = client.post(reverse("logger_draft", args=[draft().pk]), {"key": new_id()})
    assert pressed.status_code == 422 and "rows_refused" in text_of(pressed)
    seen = answer(client, zone="UTC", unit="F", dates="%m/%d/%Y %H:%M")
    assert "5 Mar 2026" in text_of(seen) and "−15.56 °C" in text_of(seen) and "Store 12" in text_of(seen)


def test_the_column_is_asked_first_and_its_unit_then(store, logger, sign_in):
    client = sign_in("labtech")
    rows = [(t, f"{v},7.5") for t, v in rows_from("2026-05-03 09:00", 12)]
    upload(client, table(rows, "time,temp 1,temp 2"))
    answer(client, value="temp 2", zone="UTC")
    assert (draft().mapping_spec["ask"], draft().mapping_spec["value_column"]) == (["unit"], "temp 2")
    seen = answer(client, unit="C")
    assert "Store 12 new readings" in text_of(seen) and "7.5 °C" in text_of(seen)


def test_an_hour_that_occurs_twice_is_answered_on_the_page(store, logger, sign_in):
    change = datetime(2025, 10, 26, 1, tzinfo=UTC)
    at = [change + timedelta(minutes=10 * k) for k in range(-20, 20) if not -6 <= k < 0]
    rows = [(f"{m.astimezone(ZoneInfo('Europe/Oslo')):%Y-%m-%d %H:%M}", -80) for m in at]
    client = sign_in("labtech")
    upload(client, table(rows, CELSIUS))
    seen = answer(client, zone="Europe/Oslo")
    (asked,) = seen.context["look"].parsed.asked
    assert "which pass of the hour" in text_of(seen) and "time_ambiguous" in text_of(seen)
    seen = answer(client, **{f"pass_{asked.line}": "second"})
    assert "Store 34 new readings" in text_of(seen)
    press(client, seen)
    assert LoggerImport.objects.get().mapping_spec["passes"] == [[asked.line, "second"]]


def test_a_file_with_a_wrong_row_shows_the_row_and_has_no_button(store, logger, sign_in):
    client = sign_in("labtech")
    rows = [*rows_from("2026-05-03 09:00", 5), ("2026-05-03 10:00", "warm?!")]
    upload(client, table(rows, CELSIUS))
    draft_now = draft()
    filing.claim(
        store.actor("labtech"), draft_now, logger, Mapping.of(draft_now.mapping_spec | {"missing": []}), ""
    )
    seen = answer(client, zone="UTC")
    assert "value_not_number" in text_of(seen) and ">Store " not in text_of(seen)
    refused = client.post(reverse("logger_draft", args=[draft().pk]), {"key": new_id()})
    assert refused.status_code == 422 and "rows_refused" in text_of(refused)
    assert not LoggerImport.objects.exists()


def test_a_file_of_another_logger_is_kept_and_refused(store, logger, sign_in):
    client = sign_in("labtech")
    content = b"Serial number: SN-9\n" + table(rows_from("2026-05-03 09:00", 5), CELSIUS)
    upload(client, content)
    seen = answer(client, zone="UTC")
    assert "serial_differs" in text_of(seen) and "SN-9" in text_of(seen) and "SN1" in text_of(seen)
    assert ">Store " not in text_of(seen) and bytes(draft().content) == content


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"%PDF-1.7", "file_kind"),
        (b"hello\n", "file_kind"),
        (b"PK\x03\x04", "file_kind"),
        (b" ", "file_kind"),
    ],
)
def test_the_wrong_kind_of_file_is_answered_with_its_code(store, logger, sign_in, content, code):
    seen = upload(sign_in("labtech"), content)
    assert seen.status_code == 422 and code in text_of(seen) and not LoggerDraft.objects.exists()


def test_a_file_too_large_says_so(store, logger, sign_in, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    seen = upload(sign_in("labtech"), table(rows_from("2026-05-03 09:00", 200)))
    assert seen.status_code == 422 and "file_too_large" in text_of(seen)


def whole(spec, **changed):
    """Every field of the profile form, as a browser sends them."""
    lists = {name: "\n".join(word or "(empty)" for word in spec[name]) for name in ("missing", "errors")}
    fields = ["encoding", "delimiter", "decimal", "sheet", "header_rows", "header_words", "footer_words",
              "time_column", "time_format", "zone", "value_column", "unit", "serial_words",
              "serial_column"]  # fmt: skip
    said = {name: spec[name] for name in fields}
    return said | {"missing": lists["missing"], "errors_": lists["errors"]} | changed


def test_a_file_is_read_another_way(store, logger, sign_in):
    client = sign_in("labtech")
    rows = [*rows_from("2026-05-03 09:00", 5), ("2026-05-03 09:25", "-127"), ("2026-05-03 09:30", "")]
    upload(client, table(rows, CELSIUS))
    address = reverse("logger_draft_reading", args=[draft().pk])
    assert client.get(address).status_code == 200
    changed = whole(draft().mapping_spec, zone="UTC", errors_="-127", missing="(empty)", unit="C")
    for wrong, code in [({"zone": "x/y"}, "zone_unknown"), ({"value_column": "nope"}, "file_kind"),
                        ({"serial_words": "no star"}, "pattern_malformed")]:  # fmt: skip
        seen = client.post(address, changed | wrong)
        assert seen.status_code == 422 and code in text_of(seen)
    seen = client.post(address, changed, follow=True)
    assert seen.context["look"].parsed.errors == 1 and seen.context["look"].parsed.missing == 1
    assert "The sensor failed in 1 row" in text_of(seen) and "Store 6 new readings" in text_of(seen)


# --- profiles -------------------------------------------------------------------------------------


def test_how_a_file_was_read_is_saved_and_used_for_the_next(store, logger, sign_in):
    client = sign_in("labtech")
    upload(client, table(rows_from("2026-05-03 09:00", 20), CELSIUS))
    refused = client.post(reverse("logger_draft_save", args=[draft().pk]), {"name": "Too early"}, follow=True)
    assert refused.status_code == 200 and not LoggerMapping.objects.exists()  # the zone is not answered yet
    answer(client, zone="UTC")
    seen = client.post(reverse("logger_draft_save", args=[draft().pk]), {"name": "Plain"}, follow=True)
    assert "Saved as Plain" in text_of(seen) and draft().mapping_name == "Plain"
    press(client, seen)
    seen = upload(client, table(rows_from("2026-05-04 09:00", 20), CELSIUS), saved="Plain")
    assert "Store 20 new readings" in text_of(seen)  # nothing is asked


def test_the_next_version_says_who_when_why_and_what_changed(store, logger, sign_in):
    saved = filing.save_mapping(store.actor("curator"), "Plain", PLAIN)
    client = sign_in("labtech")
    edit = reverse("logger_profile_edit", args=[saved.pk])
    assert client.post(edit, whole(saved.spec, zone="+01:00")).status_code == 422  # no reason
    seen = client.post(edit, whole(saved.spec, zone="+01:00", reason="Set to winter time"), follow=True)
    text = text_of(seen)
    assert "UTC → +01:00" in text and "Set to winter time" in text and store.person("labtech").name in text
    saved.refresh_from_db()
    assert (saved.spec["version"], saved.spec["zone"], saved.history.count()) == (2, "+01:00", 2)
    client.post(edit, whole(saved.spec, reason="Nothing"))
    assert saved.history.count() == 2


def test_an_old_profile_with_fewer_fields_is_shown_and_used(store, logger, sign_in):
    old = {"time_column": "time", "value_column": "temp", "time_format": "%Y-%m-%d %H:%M", "zone": "UTC",
           "unit": "C", "delimiter": "comma", "decimal": ".", "header_rows": 1,
           "missing": ["---"]}  # fmt: skip
    saved = LoggerMapping.objects.create(name="Old", spec=old)
    client = sign_in("labtech")
    for name in ("logger_profile", "logger_profile_edit"):
        assert client.get(reverse(name, args=[saved.pk])).status_code == 200
    seen = upload(client, table(rows_from("2026-05-03 09:00", 20)), saved="Old")
    assert "Store 20 new readings" in text_of(seen)


def test_the_list_of_profiles_takes_the_same_queries_for_3_as_for_30(store, sign_in):
    client = sign_in("labtech")

    def asked():
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("logger_profiles")).status_code == 200
        return len(seen)

    def more(first, last):
        for n in range(first, last):
            LoggerMapping.objects.create(name=f"P{n}", spec=PLAIN.spec())

    more(0, 3)
    for_3 = asked()
    more(3, 30)
    assert asked() == for_3


def test_who_may_not(store, logger, sign_in):
    held = filing.draft(
        store.actor("curator"), logger, PLAIN, "a.csv", table(rows_from("2026-05-03 09:00", 3))
    )
    saved = filing.save_mapping(store.actor("curator"), "Plain", PLAIN)
    auditor = sign_in("auditor")
    assert auditor.get(reverse("logger_import")).status_code == 403
    assert auditor.get(reverse("logger_profile", args=[saved.pk])).status_code == 200
    assert auditor.get(reverse("logger_profile_edit", args=[saved.pk])).status_code == 403
    lab = sign_in("labtech")
    for name in ("logger_draft", "logger_draft_reading"):
        assert lab.get(reverse(name, args=[held.pk])).status_code == 404
    for name in ("logger_draft_answers", "logger_draft_save"):
        assert lab.post(reverse(name, args=[held.pk])).status_code == 404
    assert sign_in("collaborator").get(reverse("logger_profiles")).status_code == 403
