"""Pages on which people say what is known of a logger besides its readings. Times are those of Skarvik Bay
(Europe/Oslo, in May two hours before UTC)."""

from __future__ import annotations

import hashlib
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    Logger,
    LoggerPlacement,
    NominalTemperature,
    ReadingExclusion,
)
from biobank.temperature import placing
from biobank.temperature import record_actions as records
from biobank.temperature.record_actions import Paper
from biobank.temperature.record_forms import points_of
from biobank.temperature.record_queries import ahead_words
from tests.biobank.logged import HOUR, rows_from, take_in, utc

DAY = "2026-05-03"


@pytest.fixture
def logger(store):
    made = placing.add_logger(store.actor("curator"), "T-01", 300)
    take_in(store, made, rows_from(f"{DAY} 00:00", 288))
    return made


def local(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("Europe/Oslo")).timestamp() * 1000)


def refused(answer, code):
    text = answer.content.decode()
    assert answer.status_code == 422 and code in text, (answer.status_code, code)
    return text


def page(client, logger, **asked):
    answer = client.get(reverse("logger", args=[logger.code]), asked)
    assert answer.status_code == 200
    return answer.content.decode()


# --- clock ----------------------------------------------------------------------------------------

CLOCK = {"true": f"{DAY}T10:00:00", "shown": f"{DAY}T10:01:32", "zone": "Europe/Oslo", "method": "radio"}


def test_a_clock_is_checked_and_the_page_says_how_far_ahead_and_how_fast(store, logger, sign_in):
    client, address = sign_in("labtech"), reverse("logger_clock", args=["T-01"])
    early = {"true": "2026-04-03T10:00:00", "shown": "2026-04-03T10:00:02"}
    for said in (CLOCK | early, CLOCK, CLOCK):
        assert client.post(address, said).status_code == 302
    assert [row.ahead_ms for row in ClockCheck.objects.order_by("true_ms")] == [2000, 92_000]
    text = page(client, logger)
    assert (
        "1 min 32 s ahead" in text and "2 s ahead" in text and "gains 3.0 s a day" in text
    )  # 90 s in 30 days
    assert "3 May 2026 10:01:32" in text
    # the last reading of the picture, shown 01:55:00 of 4 May, is 92 s earlier in truth
    assert "4 May 2026 01:55:00" in text and "4 May 2026 01:53:28" in text


def test_the_logger_shows_times_of_its_own_zone(store, logger, sign_in):
    said = CLOCK | {"shown": f"{DAY}T08:01:32", "zone": "UTC"}
    assert sign_in("labtech").post(reverse("logger_clock", args=["T-01"]), said).status_code == 302
    assert ClockCheck.objects.get().ahead_ms == 92_000


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("time_malformed", {"shown": "ten"}), ("time_malformed", {"true": "ten"}),
        ("time_in_future", {"true": "2999-01-01T10:00:00"}), ("zone_unknown", {"zone": "Skarvik/Bay"}),
        ("clock_far", {"shown": "2026-05-05T10:00:00"}),
    ],
)  # fmt: skip
def test_a_clock_check_that_cannot_be_is_answered_with_its_code_and_kept_as_typed(
    store, logger, sign_in, code, changed
):
    text = refused(sign_in("labtech").post(reverse("logger_clock", args=["T-01"]), CLOCK | changed), code)
    assert not ClockCheck.objects.exists() and next(iter(changed.values())) in text
    assert ('name="sure"' in text) == (code == "clock_far")


def test_a_clock_a_day_off_is_confirmed(store, logger, sign_in):
    client, address = sign_in("labtech"), reverse("logger_clock", args=["T-01"])
    assert 'name="sure"' not in client.get(address).content.decode()
    said = CLOCK | {"shown": "2026-05-05T10:00:00", "sure": "on"}
    assert client.post(address, said).status_code == 302


def test_how_far_ahead_in_words():
    assert [ahead_words(ms) for ms in (0, 400, -1500, 60_000, -3_661_000)] == [
        "right", "0.4 s ahead", "1.5 s behind", "1 min ahead", "1 h 1 min 1 s behind"
    ]  # fmt: skip


# --- certificates ---------------------------------------------------------------------------------

CERTIFICATE = {
    "number": "TEL-114", "laboratory": "Tellvik Calibration", "issued": "2026-01-02",
    "valid_from": "2026-01-02", "valid_to": "2027-01-01", "points": "−80,0; +0,25; 0,2\n-20.0;-0.05;0.15\n",
}  # fmt: skip


def test_a_certificate_is_typed_with_its_document(store, logger, sign_in):
    client, document = sign_in("labtech"), b"%PDF-1.7 certificate"
    said = CERTIFICATE | {"document": SimpleUploadedFile("tel-114.pdf", document)}
    assert client.post(reverse("logger_certificate", args=["T-01"]), said).status_code == 302
    row = CalibrationCertificate.objects.get()
    assert row.points == [[-8000, 25, 20], [-2000, -5, 15]]
    assert row.document_sha256 == hashlib.sha256(document).hexdigest()
    text = page(client, logger)
    assert "+0.25 K" in text and "−0.05 K" in text and row.document_sha256[:16] in text
    assert "−79.8 °C" in text or "−79.75 °C" in text  # the first reading, −80 and 0.25 K
    kept = client.get(reverse("certificate_document", args=["T-01", row.pk]))
    assert kept.content == document and kept["Content-Type"] == "application/pdf"
    assert (
        sign_in("collaborator").get(reverse("certificate_document", args=["T-01", row.pk])).status_code == 403
    )


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("certificate_backwards", {"valid_to": "2026-01-01"}),
        ("certificate_in_future", {"issued": "2999-01-01"}),
        ("points_malformed", {"points": "-80; 0,25"}), ("points_malformed", {"points": "-80; warm; 0,2"}),
        ("points_malformed", {"points": "0; 0; 0\n1e3; 0; 0"}),
        ("points_not_rising", {"points": "0;0;0\n-80;0;0"}),
        ("uncertainty_negative", {"points": "0;0;-0,1"}), ("correction_large", {"points": "0;10,01;0"}),
        ("document_no_pdf", {"document": SimpleUploadedFile("a.pdf", b"PK")}),
    ],
)  # fmt: skip
def test_a_certificate_that_cannot_be_is_answered_with_its_code(store, logger, sign_in, code, changed):
    text = refused(
        sign_in("labtech").post(reverse("logger_certificate", args=["T-01"]), CERTIFICATE | changed), code
    )
    assert not CalibrationCertificate.objects.exists() and "TEL-114" in text
    assert ('name="sure"' in text) == (code == "correction_large")


def test_overlapping_certificates_are_refused_with_the_other_ones_number(store, logger, sign_in):
    client, address = sign_in("labtech"), reverse("logger_certificate", args=["T-01"])
    assert client.post(address, CERTIFICATE).status_code == 302
    assert "TEL-114" in refused(
        client.post(address, CERTIFICATE | {"number": "TEL-115"}), "certificate_overlaps"
    )


def test_points_are_hundredths_and_an_uncertainty_is_rounded_up():
    assert points_of("-80.005; 0.015; 0.0301\n\n 4,12;\t0; 0".replace(";\t", ";")) == [
        (-8000, 2, 4), (412, 0, 0)
    ]  # fmt: skip


# --- readings left out ----------------------------------------------------------------------------

OUT = {
    "start": f"{DAY}T10:00:00",
    "end": f"{DAY}T11:00:00",
    "clock": "true",
    "reason": "out",
    "note": "On the bench",
}


def test_readings_are_left_out_when_a_second_person_approves(store, logger, sign_in):
    lab, curator = sign_in("labtech"), sign_in("curator")
    assert lab.post(reverse("logger_exclusion", args=["T-01"]), OUT).status_code == 302
    row = ReadingExclusion.objects.get()
    assert (row.from_ms, row.to_ms) == (local(f"{DAY}T10:00"), local(f"{DAY}T11:00"))
    assert "the readings still count" in page(lab, logger)
    address = reverse("exclusion_approve", args=["T-01", row.pk])
    assert address not in page(lab, logger) and lab.post(address).status_code == 403
    assert address in page(curator, logger)
    for _ in range(2):
        assert curator.post(address).status_code == 302
    text = page(curator, logger)
    assert (
        "excluded, the probe was out: 3 May 2026 10:00 to 3 May 2026 11:00" in text and "12 readings" in text
    )


def test_who_leaves_readings_out_does_not_approve_it(store, logger, sign_in):
    curator = sign_in("curator")
    curator.post(reverse("logger_exclusion", args=["T-01"]), OUT)
    address = reverse("exclusion_approve", args=["T-01", ReadingExclusion.objects.get().pk])
    assert address not in page(curator, logger)
    refused(curator.post(address), "approve_own")
    assert ReadingExclusion.objects.get().approved is None


def test_times_of_a_true_clock_are_kept_by_the_loggers_own(store, logger, sign_in):
    records.check_clock(store.actor("labtech"), logger, utc(f"{DAY} 06:00"), utc(f"{DAY} 06:02"), "radio")
    for clock, later in (("true", 120_000), ("shown", 0)):
        sign_in("labtech").post(reverse("logger_exclusion", args=["T-01"]), OUT | {"clock": clock})
        assert ReadingExclusion.objects.latest("pk").from_ms == local(f"{DAY}T10:00") + later


@pytest.mark.parametrize(
    ("code", "changed"),
    [
        ("exclusion_backwards", {"end": f"{DAY}T09:00:00"}),
        ("exclusion_before_readings", {"start": "2026-05-01T10:00:00", "end": "2026-05-02T10:00:00"}),
        ("exclusion_long", {"start": "2026-04-01T10:00:00"}),
        ("time_in_future", {"end": "2999-01-01T00:00:00"}),
    ],
)  # fmt: skip
def test_an_exclusion_that_cannot_be_is_answered_with_its_code(store, logger, sign_in, code, changed):
    text = refused(sign_in("labtech").post(reverse("logger_exclusion", args=["T-01"]), OUT | changed), code)
    assert not ReadingExclusion.objects.exists() and "On the bench" in text


def test_what_was_said_is_withdrawn_with_a_reason_by_who_said_it_or_a_curator(store, logger, sign_in):
    lab = store.actor("labtech")
    row = records.exclude(
        store.actor("curator"), logger, utc(f"{DAY} 06:00"), utc(f"{DAY} 07:00"), "out", "x"
    )
    check = records.check_clock(lab, logger, utc(f"{DAY} 06:00"), utc(f"{DAY} 06:00"), "phone")
    theirs = reverse("record_withdraw", args=["T-01", "exclusion", row.pk])
    assert sign_in("labtech").post(theirs, {"why": "No"}).status_code == 403
    own = reverse("record_withdraw", args=["T-01", "clock", check.pk])
    refused(sign_in("labtech").post(own, {"why": ""}), "required")
    assert sign_in("labtech").post(own, {"why": "Other logger"}).status_code == 302
    refused(sign_in("labtech").post(own, {"why": "Other logger"}), "record_withdrawn")
    assert sign_in("curator").post(theirs, {"why": "Other day"}).status_code == 302
    text = page(sign_in("auditor"), logger)
    assert "Other logger" in text and "Other day" in text and "/withdraw/" not in text
    assert sign_in("curator").get(reverse("record_withdraw", args=["T-01", "file", 1])).status_code == 404


# --- the page -------------------------------------------------------------------------------------


def test_the_picture_shows_readings_as_they_count_or_as_they_were_read(store, logger, sign_in):
    said = (utc(f"{DAY} 00:00"), utc(f"{DAY} 06:00"), "radio")
    records.check_clock(store.actor("labtech"), logger, *said, sure=True)
    days = date(2026, 1, 1), date(2026, 1, 1), date(2026, 12, 31)
    records.add_certificate(store.actor("labtech"), logger, Paper("C", "Lab", *days, [(-8000, 500, 10)]))
    client = sign_in("auditor")
    asked = {"start": "2026-05-02", "end": "2026-05-03"}
    lows = [
        client.get(reverse("logger", args=["T-01"]), asked | more).context["trace"].low
        for more in ({}, {"raw": "1"})
    ]
    # −80 at first, at 02:00 by its clock, which was 6 h ahead; and 5 K too cold
    assert lows == [(-7500, local("2026-05-02T20:00")), (-8000, local("2026-05-03T02:00"))]
    counted, raw = page(client, logger, start="2026-05-03"), page(client, logger, start="2026-05-03", raw="1")
    assert "start=2026-05-03&amp;raw=1" in counted and "as they count" in counted
    assert "raw=1" not in raw and "as they were read" in raw


def many(store, logger, first, last):
    actor = store.actor("labtech")
    for n in range(first, last):
        at = utc(f"{DAY} 00:00") + n * HOUR // 4
        ClockCheck.objects.create(logger=logger, true_ms=at, shown_ms=at + n, method="radio", by=actor.person)
        ReadingExclusion.objects.create(
            logger=logger, from_ms=at, to_ms=at + 60_000, reason="out", note="x", by=actor.person
        )
        records.add_certificate(
            actor, logger,
            Paper(
                f"C-{n}", "Lab", date(2026, 1, 1), date(1990 + n, 1, 1), date(1990 + n, 12, 31), [(0, 0, 0)]
            ),
        )  # fmt: skip
        LoggerPlacement.objects.create(
            logger=logger, unit=store.units["NLB-F1"], from_ms=at, to_ms=at + 1000, governing=False
        )


def test_the_page_takes_the_same_queries_for_three_records_as_for_thirty(store, logger, sign_in):
    client, seen = sign_in("curator"), []
    for first, last in ((0, 3), (3, 30)):
        many(store, logger, first, last)
        with CaptureQueriesContext(connection) as asked:
            page(client, logger)
        seen.append(len(asked))
    assert seen[0] == seen[1] <= 45, seen


def test_who_may_not(store, logger, sign_in):
    for name in ("logger_clock", "logger_certificate", "logger_exclusion", "logger_edit", "logger_place"):
        for role in ("collaborator", "auditor", "fieldtech"):
            assert sign_in(role).get(reverse(name, args=["T-01"])).status_code == 403
        assert sign_in("labtech").get(reverse(name, args=["T-01"])).status_code == 200
    assert sign_in("auditor").post(reverse("unit_nominal", args=["NLB-F1"]), {}).status_code == 403


# --- placements, instrument, set points -----------------------------------------------------------

PLACE = {"unit": "nlb-f1", "start": f"{DAY}T08:00", "end": "", "medium": "air", "governing": "on",
         "probe": "top", "reason": "Start"}  # fmt: skip


def test_a_logger_is_added_placed_corrected_and_taken_out_by_plain_forms(store, sign_in):
    client = sign_in("curator")
    client.post(
        reverse("logger_new"), {"code": "T-09", "minutes": "10", "make": "", "model": "M", "between": "step"}
    )
    made = Logger.objects.get(code="T-09")
    assert (made.interval_s, made.model, made.between) == (600, "M", "step")
    for _ in range(2):
        assert client.post(reverse("logger_place", args=["T-09"]), PLACE).status_code == 302
    row = LoggerPlacement.objects.get()
    assert row.from_ms == local(f"{DAY}T08:00") and row.unit.code == "NLB-F1"
    refused(client.post(reverse("logger_place", args=["T-09"]), PLACE | {"unit": "ZZZ"}), "unit_unknown")
    said = PLACE | {"start": f"{DAY}T07:30", "medium": "buffered", "reason": "Read off the door list"}
    assert client.post(reverse("placement_correct", args=["T-09", row.pk]), said).status_code == 302
    row.refresh_from_db()
    assert (row.from_ms, row.medium) == (local(f"{DAY}T07:30"), "buffered")
    assert "Read off the door list" in page(client, made)
    out = reverse("logger_take_out", args=["T-09"])
    refused(client.post(out, {"end": f"{DAY}T07:00", "reason": "x"}), "placement_backwards")
    for _ in range(2):
        assert client.post(out, {"end": f"{DAY}T09:00", "reason": "Battery"}).status_code == 302
    edit = {"minutes": "5", "between": "linear", "retired": "on", "reason": "Broken"}
    assert client.post(reverse("logger_edit", args=["T-09"]), edit).status_code == 302
    made.refresh_from_db()
    assert made.retired and made.interval_s == 300 and "Retired" in page(client, made)


def test_a_box_may_be_typed_as_the_place(store, logger, sign_in):
    assert sign_in("labtech").post(
        reverse("logger_place", args=["T-01"]), PLACE | {"unit": "NLB-B001"}
    ).status_code == 302  # fmt: skip
    assert LoggerPlacement.objects.get().unit.kind == "box"


def test_two_loggers_that_differ_are_marked_and_another_one_governs(store, logger, sign_in):
    actor, freezer = store.actor("curator"), store.units["NLB-F1"]
    other = placing.add_logger(actor, "T-02", 300)
    placing.place(actor, logger, freezer, utc(f"{DAY} 00:00"))
    placing.place(actor, other, freezer, utc(f"{DAY} 00:00"), governing=False)
    client = sign_in("labtech")
    assert "nothing could be compared" in page(client, logger)
    take_in(store, other, rows_from(f"{DAY} 00:00", 288, value=lambda k: -70))
    text = page(client, logger)
    assert "two loggers differ" in text and "288 of 288" in text and "1.00 K" in text
    assert text.split("at most ")[1].startswith("10.00 K")
    address = reverse("unit_governing", args=["NLB-F1"])
    assert address in text
    said = {"logger": "T-02", "at": f"{DAY}T12:00", "reason": "It is buffered"}
    assert client.post(address, said).status_code == 302
    assert LoggerPlacement.objects.get(to_ms=None, governing=True).logger == other


def test_set_points_of_a_unit_over_time(store, sign_in):
    client, address = sign_in("labtech"), reverse("unit_nominal", args=["NLB-F1"])
    said = {"start": f"{DAY}T08:00:00", "end": "", "nominal": "−80,0", "tolerance": "5", "basis": "Display"}
    for _ in range(2):
        assert client.post(address, said).status_code == 302
    row = NominalTemperature.objects.get()
    assert (row.nominal_centi, row.tolerance_centi, row.from_ms) == (-8000, 500, local(f"{DAY}T08:00"))
    later = said | {"start": f"{DAY}T07:00:00", "nominal": "-70"}
    refused(client.post(address, later), "nominal_overlaps")
    end = reverse("nominal_end", args=["NLB-F1", row.pk])
    refused(client.post(end, {"end": f"{DAY}T07:00:00", "why": "Off"}), "nominal_backwards")
    assert client.post(end, {"end": f"{DAY}T09:00:00", "why": "Off"}).status_code == 302
    assert client.post(reverse("nominal_withdraw", args=["NLB-F1", row.pk]), {"why": "No"}).status_code == 302
    text = client.get(address).content.decode()
    assert "−80.0 °C" in text and "5.00 K" in text and "withdrawn" in text and "Display" in text
    assert sign_in("auditor").get(address).status_code == 200


def test_what_waits_for_a_second_person_stands_on_the_list_of_loggers(store, logger, sign_in):
    row = records.exclude(
        store.actor("labtech"), logger, utc(f"{DAY} 06:00"), utc(f"{DAY} 07:00"), "out", "On the bench"
    )
    address = reverse("loggers")
    assert "On the bench" in sign_in("curator").get(address).content.decode()
    records.approve(store.actor("curator"), row)
    assert "On the bench" not in sign_in("curator").get(address).content.decode()
