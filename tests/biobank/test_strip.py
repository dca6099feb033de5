"""Answers on signed paper (grade C), and a carrier's word (grade D): actions and pages."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from biobank.acting import ms
from biobank.handoffs import actions, queries, strip, tracking
from biobank.handoffs.strip_forms import zones
from biobank.models import HandoffPaper, Person
from custody import queries as ledger
from custody.core import evidence
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders
from tests.biobank import linked

JPEG = b"\xff\xd8\xff\xe0 a photo of a strip"
REYKJAVIK = "Atlantic/Reykjavik"  # UTC all the year, while the programme's zone is two hours ahead
SIGNED = datetime(2026, 5, 3, 9, 15, tzinfo=ZoneInfo(REYKJAVIK))


@pytest.fixture
def tubes(people) -> list[str]:
    return linked.drawn_tubes(people)


@pytest.fixture
def given(people, tubes) -> str:
    return linked.give(people, tubes)


@pytest.fixture
def photo(people, given) -> HandoffPaper:
    return strip.keep(people.actor("fieldtech"), given, [("strip.jpg", JPEG)])[0]


def said(**more) -> strip.Strip:
    start = {"name": "Kari Nordal", "at": SIGNED, "zone": REYKJAVIK, "counted": 6, "seal_intact": True}
    return strip.Strip(**(start | more))


def enter(people, given, photo, *, role="fieldtech", key="", **more):
    return strip.enter(people.actor(role), key or new_id(), given, photo, said(**more))


def refused(do, *args, **kwargs) -> str:
    with pytest.raises(Refused) as no:
        do(*args, **kwargs)
    return no.value.code


# --- the photo ------------------------------------------------------------------------------------


def test_a_photo_is_kept_byte_for_byte_and_once(people, given, photo):
    again = strip.keep(people.actor("fieldtech"), given, [("other name.jpg", JPEG)])
    kept = HandoffPaper.objects.get()
    assert again == [photo] == [kept]
    assert (bytes(kept.content), kept.kind, kept.size) == (JPEG, "image/jpeg", len(JPEG))
    assert kept.short == hashlib.sha256(JPEG).hexdigest()[:16]


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (b"\x89PNG\r\n\x1a\n..", "image/png"),
        (b"RIFF....WEBPVP8 ", "image/webp"),
        (b"%PDF-1.7", "application/pdf"),
    ],
)
def test_what_a_file_is_follows_from_how_it_begins(people, given, content, kind):
    assert strip.keep(people.actor("fieldtech"), given, [("strip.jpg", content)])[0].kind == kind


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", "photo_empty"), (b"<svg onload=x>", "photo_kind_unknown"), (b"GIF89a", "photo_kind_unknown")],
)
def test_what_is_no_photo_is_not_kept(people, given, content, code):
    assert (
        refused(strip.keep, people.actor("fieldtech"), given, [("a.jpg", JPEG), ("b.jpg", content)]) == code
    )
    assert not HandoffPaper.objects.exists()


def test_a_photo_that_is_too_large_is_not_kept(people, given, settings):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 10
    assert refused(strip.keep, people.actor("fieldtech"), given, [("a.jpg", JPEG)]) == "photo_too_large"


def test_of_one_handoff_ten_photos_are_kept(people, given):
    many = [(f"{n}.jpg", JPEG + bytes([n])) for n in range(strip.MOST_PAPERS + 1)]
    assert refused(strip.keep, people.actor("fieldtech"), given, many) == "too_many_photos"
    assert len(strip.keep(people.actor("fieldtech"), given, many[:-1])) == strip.MOST_PAPERS


# --- what stands on it ----------------------------------------------------------------------------


def test_the_event_says_who_signed_who_typed_when_and_from_which_photo(people, tubes, given, photo):
    done = enter(people, given, photo)
    event = ledger.event(done.id)
    header = event.header
    assert (header["by"], header["org"], header["rec_by"]) == ("BYLINK-TFL", "TFL", "P1")
    assert (header["at"], header["tz"], header["off"]) == (ms(SIGNED), REYKJAVIK, 0)
    assert header["rec_at"] > header["at"]
    assert (event.login, event.via) == ("fieldtech", "paper")
    data = header["data"]
    assert (data["grade"], data["name"], data["paper"]) == ("C", "Kari Nordal", photo.short)
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}
    assert evidence.of(header).letter == "C" and photo.short in evidence.of(header).words
    assert queries.handoff(given, 0).word == "accepted"


def test_what_the_strip_names_is_missing_or_damaged_and_the_rest_has_come(people, tubes, given, photo):
    enter(people, given, photo, counted=5, missing=[tubes[0]], damaged=[tubes[1]])
    assert queries.handoff(given, 0).results == {
        tubes[0]: "missing", tubes[1]: "damaged", **dict.fromkeys(tubes[2:], "ok")}  # fmt: skip
    assert ledger.state(tubes[0]).custodian == "SSS"


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (lambda t: {"counted": 5}, "strip_does_not_add_up"),
        (lambda t: {"counted": 6, "missing": t[:1]}, "strip_does_not_add_up"),
        (lambda t: {"counted": 5, "missing": t[:1], "damaged": t[:1]}, "strip_says_both"),
        (lambda t: {"counted": 5, "missing": ["K7R2M103X"]}, "tube_not_on_handoff"),
        (lambda t: {"name": "K"}, "name_malformed"),
        (lambda t: {"at": linked.GIVEN - timedelta(minutes=1)}, "time_before_parent"),
        (lambda t: {"role": "labtech"}, "not_yours"),
        (lambda t: {"role": "collaborator"}, "not_yours"),
        (lambda t: {"role": "auditor"}, "not_yours"),
    ],
)
def test_a_strip_that_cannot_be_is_refused_and_changes_nothing(people, tubes, given, photo, more, code):
    size = ledger.size()
    assert refused(enter, people, given, photo, **more(tubes)) == code
    assert ledger.size() == size


def test_a_curator_may_type_it_too(people, given, photo):
    assert ledger.event(enter(people, given, photo, role="curator").id).header["rec_by"] == "P3"


def test_the_photo_of_another_handoff_proves_nothing_here(people, tubes):
    one, other = linked.give(people, tubes[:3]), linked.give(people, tubes[3:])
    photo = strip.keep(people.actor("fieldtech"), other, [("strip.jpg", JPEG)])[0]
    assert refused(enter, people, one, photo, counted=3) == "photo_required"


def test_a_strip_is_typed_once(people, given, photo):
    key = new_id()
    first = enter(people, given, photo, key=key)
    size = ledger.size()
    assert enter(people, given, photo, key=key).id == first.id and ledger.size() == size
    assert refused(enter, people, given, photo) == "handoff_answered_once"


def test_a_strip_of_a_withdrawn_handoff_changes_nothing(people, given, photo):
    actions.send_back(people.actor("fieldtech"), new_id(), given, "withdrawn", "Boat turned back")
    assert refused(enter, people, given, photo) == "handoff_answered_once"


def test_zones_are_those_of_places(people):
    codes = [code for code, _ in zones()]
    assert codes[0] == "UTC" and {REYKJAVIK, "Europe/Oslo"} <= set(codes)
    assert not any(code.startswith("Etc/") for code in codes)


# --- pages ----------------------------------------------------------------------------------------


def page_of(given: str, name: str = "strip") -> str:
    return f"/handoffs/{given}/{name}/"


def typed(photo, **more):
    start = {
        "key": new_id(), "counted": "6", "seal_intact": "yes", "seal": "", "missing": "", "damaged": "",
        "centi_c": "4,1", "name": "Kari Nordal", "zone": REYKJAVIK, "at": "2026-05-03T09:15", "note": "",
        "paper": photo.short,
    }  # fmt: skip
    return start | more


def test_the_photo_is_kept_at_once_and_what_was_typed_stays(sign_in, given):
    file = SimpleUploadedFile("strip.jpg", JPEG)
    answer = sign_in("fieldtech").post(page_of(given), {"add": "yes", "files": file, "name": "Kari N"})
    assert answer.status_code == 200 and 'value="Kari N"' in answer.content.decode()
    assert HandoffPaper.objects.get().short in answer.content.decode()
    assert not ledger.events(kind="received")


def test_the_local_time_is_read_in_the_zone_of_the_receiver(sign_in, given, photo):
    assert sign_in("fieldtech").post(page_of(given), typed(photo)).status_code == 302
    header = ledger.events(kind="received")[0].header
    assert header["at"] == ms(datetime(2026, 5, 3, 9, 15, tzinfo=UTC)) and header["tz"] == REYKJAVIK
    assert header["data"]["centi_c"] == 410


def test_a_photo_that_comes_with_the_strip_is_the_one_that_is_named(sign_in, given):
    file = SimpleUploadedFile("strip.pdf", b"%PDF-1.7 strip")
    empty = type("None", (), {"short": ""})
    answer = sign_in("fieldtech").post(page_of(given), typed(empty, files=file))
    assert answer.status_code == 302
    assert ledger.events(kind="received")[0].header["data"]["paper"] == HandoffPaper.objects.get().short


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"paper": "0" * 16}, "Add a photo of the signed paper first"),
        ({"paper": ""}, "Add a photo of the signed paper first"),
        ({"zone": "Mars/Olympus"}, "invalid_choice"),
        ({"at": "2999-01-01T00:00"}, "time_in_future"),
        ({"at": ""}, "required"),
        ({"counted": "six"}, "invalid"),
        ({"counted": "4"}, "strip_does_not_add_up"),
        ({"note": "a\u202eb"}, "text_malformed"),
    ],
)
def test_what_is_wrong_on_the_page_is_said_and_writes_nothing(sign_in, given, photo, more, words):
    answer = sign_in("fieldtech").post(page_of(given), typed(photo, **more))
    assert answer.status_code == 422 and words in answer.content.decode()
    assert not ledger.events(kind="received")


def test_what_is_no_photo_is_said_on_the_page(sign_in, given):
    file = SimpleUploadedFile("strip.jpg", b"<script>x</script>")
    answer = sign_in("fieldtech").post(page_of(given), {"add": "yes", "files": file})
    assert answer.status_code == 422 and "photo_kind_unknown" in answer.content.decode()


@pytest.mark.parametrize(
    ("role", "status"),
    [("fieldtech", 200), ("curator", 200), ("labtech", 403), ("collaborator", 403), ("auditor", 403)],
)
@pytest.mark.parametrize("name", ["strip", "tracked"])
def test_the_givers_side_and_curators_write_down_what_others_say(sign_in, given, role, status, name):
    assert sign_in(role).get(page_of(given, name)).status_code == status


def test_the_photo_is_served_to_look_at_and_never_to_run(sign_in, given, photo):
    page = f"/handoffs/{given}/paper/{photo.short}/"
    answer = sign_in("labtech").get(page)
    assert answer.content == JPEG and answer["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer["Content-Security-Policy"]
    assert sign_in("collaborator").get(page).status_code == 403
    assert sign_in("labtech").get(f"/handoffs/{new_id()}/paper/{photo.short}/").status_code == 404
    assert sign_in("labtech").get(f"/handoffs/{given}/paper/{photo.short[:3]}/").status_code == 404


# --- a carrier's word -----------------------------------------------------------------------------


def test_a_carriers_word_moves_nothing(people, tubes, given):
    before = ledger.states(tubes)
    done = tracking.say(people.actor("fieldtech"), new_id(), given, "Delivered, gate 2", linked.GIVEN)
    assert ledger.states(tubes) == before
    one = queries.handoff(given, 0)
    assert (one.word, one.answers, one.open) == ("offered", (), 6)
    assert evidence.of(ledger.event(done.id).header).letter == "D"
    assert [told.said.id for told in tracking.words(given)] == [done.id]


def test_it_stays_overdue_and_can_still_be_answered(people, tubes):
    given = linked.give(people, tubes, due=builders.moment(12))
    tracking.say(people.actor("fieldtech"), new_id(), given, "Delivered, gate 2")
    assert queries.handoff(given, ms(builders.moment(13))).word == "overdue"
    actions.receive(people.actor("labtech"), new_id(), given, dict.fromkeys(tubes, "ok"), counted=6)
    assert queries.handoff(given, 0).word == "accepted"


@pytest.mark.parametrize(
    ("text", "at", "role", "code"),
    [
        (" ", None, "fieldtech", "carrier_said_nothing"),
        ("x" * 301, None, "fieldtech", "carrier_said_nothing"),
        ("a\u202eb", None, "fieldtech", "carrier_said_nothing"),
        ("Out", linked.GIVEN - timedelta(minutes=1), "fieldtech", "time_before_parent"),
        ("Out", None, "labtech", "not_yours"),
        ("Out", None, "collaborator", "not_yours"),
    ],
)
def test_a_word_that_cannot_be_is_refused(people, given, text, at, role, code):
    assert refused(tracking.say, people.actor(role), new_id(), given, text, at) == code
    assert not tracking.words(given)


def test_there_is_no_word_about_what_was_never_offered(people, tubes):
    assert refused(tracking.say, people.actor("fieldtech"), new_id(), new_id(), "Out") == "handoff_unknown"


def test_the_page_keeps_the_word_once_and_shows_it(sign_in, given):
    client, page = sign_in("fieldtech"), page_of(given, "tracked")
    form = {"key": new_id(), "said": "Waybill 77-1:\n delivered", "at": "2026-05-03T11:00"}
    assert [client.post(page, form).status_code for _ in range(2)] == [302, 302]
    assert len(ledger.events(kind="tracked")) == 1
    text = client.get(page).content.decode()
    assert "Waybill 77-1: delivered" in text and "Grade D" in text


def test_a_word_that_was_taken_back_is_not_shown(people, given):
    from biobank.amend.actions import void

    done = tracking.say(people.actor("fieldtech"), new_id(), given, "Delivered")
    void(people.actor("fieldtech"), new_id(), done.id, "Another parcel")
    assert tracking.words(given) == []


def test_the_person_of_a_paper_is_the_one_of_a_link(people, given, photo):
    made = linked.make(people, given)
    enter(people, given, photo)
    assert Person.objects.filter(code__startswith="BYLINK-").count() == 1
    assert made.link.to.code == "TFL"
