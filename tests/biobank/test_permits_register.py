"""The register: what is written down, used, ending, and kept with each paper."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

import pytest
from django.db import DatabaseError, connection, transaction
from django.http import Http404
from django.test.utils import CaptureQueriesContext

from biobank.acting import perform
from biobank.handoffs import actions as handoffs
from biobank.models import Agency, Animal, FieldDay, Permit, PermitFile, Person, Programme, Workup
from biobank.permits import actions, history, queries, standing, uses
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders
from tests.biobank.papers import DAY, PNG, SEAL, give, permit, primaries, said

TAKE = {"allows": "take", "number": "T-1", "quantity": 5, "counted": "animals"}


def used(people, one):
    found = queries.one(people.programme, one.pk, DAY).balance
    return (found.used.least, found.used.most)


@contextmanager
def refused(code: str) -> Iterator[None]:
    """`with refused("x"):` holds that this very code is raised."""
    with pytest.raises(Refused) as no:
        yield
    assert no.value.code == code


# --- written down ----------------------------------------------------------------------------------


def test_the_same_form_again_is_the_same_permit_and_writes_nothing(people):
    first = permit(people, people=[people.person("fieldtech")], recipients=[people.tfl])
    rows = Permit.history.count()
    again = permit(people, people=[people.person("fieldtech")], recipients=[people.tfl])
    assert again.pk == first.pk and Permit.history.count() == rows


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"issued_by": "Another office"}, "permit_taken"),
        ({"number": "S-2", "quantity": 4}, "quantity_needs_unit"),
        ({"number": "S-2", "counted": "tubes"}, "quantity_needs_unit"),
        ({"number": "S-2", "reason": "  "}, "reason_required"),
    ],
)
def test_what_is_not_written_down(people, more, code):
    permit(people)
    with refused(code):
        permit(people, **more)
    assert Permit.objects.count() == 1


def test_recipients_stand_where_something_is_sent(people):
    with refused("recipients_only_of_sending"):
        permit(people, allows="hold", recipients=[people.tfl])
    permit(people, allows="hold", sort="agreement", recipients=[people.tfl])
    permit(people, allows="export", recipients=[people.tfl])


def test_people_of_another_programme_are_not_named(people):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    stranger = Person.objects.create(
        code="X1", name="Stranger", agency=people.sss, programme=other, role="labtech"
    )
    with refused("not_of_the_programme"):
        permit(people, people=[stranger])


def test_a_change_says_who_why_and_what_and_names_people_and_recipients(people):
    one = permit(people, people=[people.person("fieldtech")], parts="BLD")
    more = {"people": [people.person("labtech")], "recipients": [people.tfl], "parts": "SER", "quantity": 3,
            "counted": "tubes", "valid_until": date(2027, 1, 31)}  # fmt: skip
    actions.save_permit(people.programme, one, said(people, **more), people.user("curator"), "renewed")
    newest, oldest = history.history_of(one)
    assert (newest.who, newest.why, oldest.why) == ("Curator", "renewed", "new")
    assert oldest.what == ["written down", "people: Field tech added"]
    assert set(newest.what) == {
        "parts: whole blood → serum", "quantity: nothing → 3", "counted: nothing → tubes",
        "to: 31 Dec 2026 → 31 Jan 2027", "people: Field tech taken out", "people: Lab added",
        "recipients: Tarn Field Laboratory added",
    }  # fmt: skip


def test_the_history_asks_no_more_of_a_permit_that_changed_often(people):
    one, counts = permit(people), []
    for round_ in range(2):
        for n in range(1 + 5 * round_):
            more = said(people, note=f"{round_} {n}", people=[people.person("labtech")] if n % 2 else [])
            actions.save_permit(people.programme, one, more, people.user("curator"), f"note {n}")
        with CaptureQueriesContext(connection) as seen:
            history.history_of(one)
        counts.append(len(seen))
    assert counts == [3, 3]


# --- files -----------------------------------------------------------------------------------------


def test_a_file_is_kept_byte_for_byte_and_once(people):
    one, actor = permit(people), people.actor("curator")
    (kept,) = actions.add_files(actor, one, [(r"C:\papers\permit 7.png", PNG)])
    assert bytes(PermitFile.objects.get().content) == PNG and kept.name == "permit 7.png"
    assert (kept.sha256, kept.kind) == (hashlib.sha256(PNG).hexdigest(), "image/png")
    assert actions.add_files(actor, one, [("again.pdf", PNG)])[0].pk == kept.pk
    actions.add_files(actor, permit(people, number="S-2"), [("the same paper.png", PNG)])
    assert PermitFile.objects.count() == 2


@pytest.mark.parametrize(
    ("files", "code"),
    [
        ([], "file_missing"),
        ([("permit.pdf", b"")], "photo_empty"),
        ([("permit.pdf", b"<html>%PDF-")], "photo_kind_unknown"),
        ([("permit.pdf", b"%PDF-1.7"), ("permit.exe", b"MZ")], "photo_kind_unknown"),
        ([("permit.pdf", b"%PDF-" + bytes(2000))], "file_too_large"),
        ([(f"{n}.pdf", b"%PDF-" + bytes([65 + n])) for n in range(21)], "too_many_files"),
    ],
)
def test_what_is_no_paper_is_not_kept_and_nothing_with_it(people, settings, files, code):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1000
    with refused(code):
        actions.add_files(people.actor("curator"), permit(people), files)
    assert not PermitFile.objects.exists()


def test_the_database_keeps_permits_and_changes_no_file(people):
    one = permit(people)
    actions.add_files(people.actor("curator"), one, [("a.png", PNG)])
    for broken in (
        lambda: PermitFile.objects.update(name="b"),
        lambda: PermitFile.objects.all().delete(),
        lambda: Permit.objects.filter(pk=permit(people, number="S-2").pk).delete(),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            broken()


# --- its time --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "code", "mark", "words"),
    [
        (91, "in_force", "done", "in force"),
        (90, "ending", "note", "expires in 90 days"),
        (31, "ending", "note", "expires in 31 days"),
        (30, "ending", "caution", "expires in 30 days"),
        (8, "ending", "caution", "expires in 8 days"),
        (7, "ending", "now", "expires in 7 days"),
        (1, "ending", "now", "expires tomorrow"),
        (0, "ending", "now", "expires today"),
        (-1, "over", "stop", "expired yesterday"),
        (-2, "over", "stop", "expired 2 days ago"),
    ],
)
def test_where_it_stands_at_each_border(people, left, code, mark, words):
    one = permit(people, valid_until=DAY + timedelta(days=left))
    found = standing.of(one, DAY)
    assert (found.code, found.mark, found.words, found.left) == (code, mark, words, left)
    assert [row.permit for row in queries.warned(people.programme, DAY)] == ([one] if left <= 90 else [])


def test_what_has_not_begun_is_no_warning(people):
    one = permit(people, valid_from=DAY + timedelta(days=1), valid_until=DAY + timedelta(days=5))
    found = standing.of(one, DAY)
    assert (found.code, found.words) == ("coming", "begins on 4 May 2026")
    assert queries.warned(people.programme, DAY) == []


@pytest.mark.parametrize(
    ("next_", "follows"),
    [
        ({}, True),
        ({"valid_from": DAY}, True),
        ({"valid_from": DAY + timedelta(days=1)}, False),
        ({"species": ""}, True),
        ({"species": "Phoca hispida"}, False),
        ({"parts": "BLD SER"}, True),
        ({"parts": "SER"}, False),
        ({"parts": ""}, True),
        ({"allows": "receive"}, False),
        ({"sort": "agreement"}, False),
        ({"valid_until": DAY - timedelta(days=1)}, False),
    ],
)
def test_an_expired_paper_is_no_warning_once_another_took_its_place_without_a_gap(people, next_, follows):
    old = permit(people, species=SEAL, parts="BLD", valid_until=DAY - timedelta(days=1))
    permit(people, **({"number": "S-2", "species": SEAL, "parts": "BLD"} | next_))
    rows = [row.permit for row in queries.warned(people.programme, DAY)]
    assert (old not in rows) == follows


# --- what is used ----------------------------------------------------------------------------------


def test_animals_that_were_worked_up_count_once_each(people):
    one = permit(people, **TAKE)
    assert used(people, one) == (0, 0)
    builders.drawn_set(people, animal=people.animal)
    builders.bound_set(people, animal=people.animal)
    assert used(people, one) == (1, 1)
    other = builders.make_animal(people.programme, "A-0002", "999000000000002")
    builders.bound_set(people, animal=other)
    assert used(people, one) == (2, 2)
    Animal.objects.filter(pk=other.pk).update(merged_into=people.animal)
    assert used(people, one) == (1, 1)
    builders.bound_set(people)
    assert used(people, one) == (1, 2), "the animal that nobody knows may be the same again"
    row = queries.one(people.programme, one.pk, DAY)
    assert row.used == "1 to 2 of 5 animals used, 3 to 4 left"
    assert [(day.day, day.uses) for day in row.days] == [(DAY, 4)]


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"valid_from": DAY}, (1, 1)),
        ({"valid_from": DAY + timedelta(days=1)}, (0, 0)),
        ({"valid_until": DAY}, (1, 1)),
        ({"valid_until": DAY - timedelta(days=1)}, (0, 0)),
        ({"species": "Phoca hispida"}, (0, 0)),
        ({"species": SEAL, "parts": "SER"}, (1, 1)),
        ({"sort": "agreement"}, (1, 1)),
        ({"counted": "tubes"}, (6, 6)),
        ({"counted": "tubes", "parts": "SWB"}, (1, 1)),
        ({"counted": "ul", "quantity": 50_000}, (27_700, None)),
        ({"counted": "ul", "quantity": 50_000, "parts": "BLD"}, (27_700, 27_700)),
    ],
)
def test_a_take_counts_in_its_days_for_its_species_in_its_unit(people, more, expected):
    builders.drawn_set(people, animal=people.animal)
    assert used(people, permit(people, **(TAKE | more))) == expected


def test_a_take_is_its_agencys_and_of_a_day_without_leader_that_of_who_acted(people):
    mine = permit(people, **TAKE)
    theirs = permit(people, **(TAKE | {"agency": people.tfl}))
    builders.drawn_set(people, animal=people.animal)
    FieldDay.objects.update(lead=None)
    assert (used(people, mine), used(people, theirs)) == ((1, 1), (0, 0))
    FieldDay.objects.update(lead=people.person("labtech"))
    assert (used(people, mine), used(people, theirs)) == ((0, 0), (1, 1))


def test_a_workup_of_which_nothing_tells_whose_it_was_may_count(people):
    one = permit(people, **TAKE)
    FieldDay.objects.update(lead=None)
    Workup.objects.create(code="W1", day=people.day, animal=people.animal)
    assert used(people, one) == (0, 0), "nothing says that an animal was in hand"
    Workup.objects.update(net_closed=builders.moment(9))
    assert used(people, one) == (0, 1)


def test_a_voided_draw_is_no_tube_taken(people):
    one = permit(people, **(TAKE | {"counted": "tubes"}))
    tube_set = builders.bound_set(people, animal=people.animal)
    key, lines = new_id(), [{"t": code, "role": "subj", "ul": 900} for code in primaries(tube_set)[:2]]
    perform(people.actor("fieldtech"), "drawn", key=key, at=builders.DRAWN, lines=lines)
    assert used(people, one) == (2, 2)
    data = {"of": key, "reason": "did_not_occur"}
    perform(people.actor("fieldtech"), "voided", key=new_id(), data=data)
    assert used(people, one) == (0, 0)


def answer(people, ref, results):
    count = sum(word != "missing" for word in results.values())
    handoffs.receive(people.actor("labtech"), new_id(), ref, results, counted=count, at=builders.moment(11))


@pytest.fixture
def parcel(people):
    """Six tubes on their way from Skarvik Seal Survey to Tarn Field Laboratory, with a paper of each."""
    tubes = primaries(builders.drawn_set(people, animal=people.animal))
    more = {"quantity": 10, "counted": "tubes"}
    papers = permit(people, **more), permit(people, allows="receive", agency=people.tfl, **more)
    return tubes, give(people, tubes, people.tfl), papers


def test_what_is_sent_counts_at_once_and_what_is_received_when_it_arrives(people, parcel):
    tubes, ref, papers = parcel
    assert [used(people, one) for one in papers] == [(6, 6), (0, 0)]
    answer(people, ref, dict.fromkeys(tubes, "ok") | {tubes[0]: "missing", tubes[1]: "damaged"})
    assert [used(people, one) for one in papers] == [(6, 6), (5, 5)]
    answer(people, ref, {tubes[0]: "warm"})
    assert used(people, papers[1]) == (6, 6)


@pytest.mark.parametrize(("kind", "role"), [("withdrawn", "fieldtech"), ("refused", "labtech")])
def test_what_came_to_nothing_is_not_used(people, parcel, kind, role):
    _, ref, papers = parcel
    handoffs.send_back(people.actor(role), new_id(), ref, kind, "rain")
    assert [used(people, one) for one in papers] == [(0, 0), (0, 0)]


def test_a_handoff_that_was_voided_is_not_used(people, parcel):
    _, ref, papers = parcel
    data = {"of": ref, "reason": "did_not_occur"}
    perform(people.actor("fieldtech"), "voided", key=new_id(), data=data)
    assert [used(people, one) for one in papers] == [(0, 0), (0, 0)]


def test_a_sending_counts_what_was_in_the_tubes_then(people, parcel):
    tubes, ref, _ = parcel
    one = permit(people, number="S-9", quantity=50_000, counted="ul", parts="BLD")
    assert used(people, one) == (27_700, 27_700)
    answer(people, ref, dict.fromkeys(tubes, "ok"))
    lines = [
        {"t": tubes[0], "role": "from", "ul": 1000},
        {"t": "K9R4P101X", "role": "to", "of": tubes[0], "ul": 1000, "matrix": "PL1"},
    ]
    perform(people.actor("labtech"), "aliquoted", key=new_id(), at=builders.moment(12), lines=lines)
    assert used(people, one) == (27_700, 27_700)


def test_what_is_held_is_what_is_there_now(people, parcel):
    tubes, ref, _ = parcel
    one = permit(people, allows="hold", quantity=3, counted="tubes", parts="BLD")
    row = queries.one(people.programme, one.pk, DAY)
    assert row.used == "5 of 3 tubes used, 2 too many" and not row.days
    answer(people, ref, dict.fromkeys(tubes, "ok"))
    assert used(people, one) == (0, 0)


def test_nothing_tells_which_transport_crosses_a_border(people, parcel):
    one = permit(people, allows="export", quantity=3, counted="tubes")
    row = queries.one(people.programme, one.pk, DAY)
    assert row.balance is None and row.untold and row.quantity == "3 tubes"


# --- many ------------------------------------------------------------------------------------------


def test_the_register_asks_no_more_for_more_papers_and_more_handoffs(people):
    counts = []
    for round_ in range(2):
        for n in range(1 + 4 * round_):
            more = {"number": f"{round_}-{n}", "quantity": 4}
            permit(people, counted="tubes", **more)
            permit(people, allows="receive", agency=people.tfl, counted="animals", **more)
            permit(people, allows="take", counted="animals", recipients=[], **more)
            give(people, primaries(builders.drawn_set(people)), people.tfl)
        with CaptureQueriesContext(connection) as seen:
            assert len(queries.register(people.programme, DAY)) == Permit.objects.count()
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_nothing_is_asked_of_the_ledger_for_papers_without_a_quantity(people):
    builders.drawn_set(people)
    found = [permit(people), permit(people, allows="take", number="T")]
    with CaptureQueriesContext(connection) as seen:
        assert uses.done(people.programme, found, DAY) == []
    assert len(seen) == 0


def test_a_paper_of_another_programme_is_not_there(people):
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    one = Permit.objects.create(
        programme=other, number="X", allows="hold", agency=Agency.objects.first(), issued_by="It",
        valid_from=DAY, valid_until=DAY,
    )  # fmt: skip
    with pytest.raises(Http404):
        queries.one(people.programme, one.pk, DAY)
    assert queries.register(people.programme, DAY) == queries.warned(people.programme, DAY) == []
