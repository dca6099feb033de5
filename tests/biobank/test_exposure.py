"""Who handled an animal's samples: everyone, transitively, and nobody else; by page and by paper."""

from __future__ import annotations

from datetime import timedelta

import pypdfium2
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import perform
from biobank.amend import actions as amend
from biobank.amend.actions import Fix
from biobank.bench import actions as bench
from biobank.exposure import queries
from biobank.handoffs import actions as handoffs
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import GEL, HEPARIN, MADE, RED, SPUN, STORED, aliquots, primary

pytestmark = pytest.mark.django_db
GIVEN, TAKEN = builders.moment(9, 40), builders.moment(9, 55)
LATER = builders.moment(15)


@pytest.fixture
def drawn(store):
    """Blood of A-0001, drawn by the field team, in Tarn's hands."""
    tube_set = builders.drawn_set(store, animal=store.animal)
    pass_on(store, [primary(tube_set, n) for n in (RED, GEL, HEPARIN)], "fieldtech", "labtech", GIVEN, TAKEN)
    return tube_set


def pass_on(people, tubes, giver, taker, given, taken):
    to = people.person(taker).agency.code
    offered = handoffs.hand_off(people.actor(giver), new_id(), tubes, to, how="hand", at=given).id
    results = dict.fromkeys(tubes, "ok")
    handoffs.receive(people.actor(taker), new_id(), offered, results, counted=len(tubes), at=taken)


def made(people, tube_set, n=RED, parts=2):
    labels = aliquots(tube_set, n)[:parts]
    bench.spin(people.actor("labtech"), new_id(), [primary(tube_set, n)], minutes=10, g=1500, at=SPUN)
    bench.aliquot(
        people.actor("labtech"), new_id(), primary(tube_set, n), [(one, 500) for one in labels], at=MADE
    )
    return labels


def who(trace):
    return {one.by for one in trace.people}


def test_everyone_from_the_needle_to_an_aliquot_of_an_aliquot(store, drawn):
    first, second = made(store, drawn)
    spare = aliquots(drawn, RED)[2]
    lines = [
        {"t": first, "role": "from", "ul": 100},
        {"t": spare, "role": "to", "of": first, "ul": 100, "matrix": "SER"},
    ]
    perform(store.actor("labtech"), "aliquoted", key=new_id(), at=STORED, lines=lines)
    pass_on(store, [spare], "labtech", "curator", LATER, LATER + timedelta(minutes=5))
    codes = {role: store.person(role).code for role in ("fieldtech", "labtech", "curator")}
    for asked in (primary(drawn, RED), first, second, spare):
        trace = queries.of_tube(asked)
        assert who(trace) == set(codes.values())
        assert {state.tube for state, _ in trace.tubes} == {primary(drawn, RED), first, second, spare}
    relations = {state.tube: word for state, word in queries.of_tube(first).tubes}
    assert relations == {
        primary(drawn, RED): "it was made from this",
        first: "the tube asked for",
        spare: "made from it",
        second: "of the same source",
    }


def test_times_acts_and_tubes_of_each_person(store, drawn):
    made(store, drawn)
    field, lab = queries.of_animal(store.animal).people
    assert (field.by, field.agency, field.first_ms, field.last_ms, field.tubes) == (
        "P1", "Skarvik Seal Survey", moment_ms(builders.DRAWN), moment_ms(GIVEN), 6,
    )  # fmt: skip
    assert dict(field.acts) == {"drawn": 1, "handed_off": 1}
    assert dict(lab.acts) == {"received": 1, "spun": 1, "aliquoted": 1}
    assert (lab.first_ms, lab.last_ms, lab.tubes) == (moment_ms(TAKEN), moment_ms(MADE), 5)


def moment_ms(at):
    return round(at.timestamp() * 1000)


def test_nobody_is_named_who_only_handled_another_tube(store, drawn):
    store_actions.thaw(store.actor("labtech"), new_id(), [primary(drawn, GEL)], at=MADE)
    pass_on(store, [primary(drawn, GEL)], "labtech", "curator", LATER, LATER + timedelta(minutes=5))
    assert "P3" not in who(queries.of_tube(primary(drawn, RED)))
    assert "P3" in who(queries.of_tube(primary(drawn, GEL)))
    assert "P3" in who(queries.of_animal(store.animal))


def test_who_printed_or_only_typed_or_missed_a_tube_did_not_handle_it(store, drawn):
    swab = primary(drawn, 6)
    offered = handoffs.hand_off(store.actor("fieldtech"), new_id(), [swab], "NLB", how="hand", at=MADE).id
    handoffs.receive(store.actor("curator"), new_id(), offered, {}, counted=0, at=STORED)
    assert who(queries.of_tube(swab)) == {"P1"}
    empty = aliquots(drawn, RED)[0]
    assert queries.of_tube(empty).people == []


def test_another_animal_is_another_trace(store, drawn):
    other = builders.make_animal(store.programme, "A-0002", "999000000000002")
    assert queries.of_animal(other).people == []
    tubes = {state.tube for state, _ in queries.of_animal(store.animal).tubes}
    assert tubes == {primary(drawn, n) for n in range(1, 7)}


def test_what_was_voided_does_not_count_and_what_was_corrected_counts_as_corrected(store, drawn):
    red, lab = primary(drawn, RED), store.actor("labtech")
    thaw = store_actions.thaw(lab, new_id(), [red], at=LATER)
    assert queries.of_tube(red).people[-1].last_ms == moment_ms(LATER)
    amend.correct(lab, new_id(), thaw, Fix(at=LATER + timedelta(hours=1)), "wrong hour")
    assert queries.of_tube(red).people[-1].last_ms == moment_ms(LATER + timedelta(hours=1))
    amend.void(lab, new_id(), thaw, "it was another seal's")
    assert queries.of_tube(red).people[-1].last_ms == moment_ms(TAKEN)


def test_one_row_an_event_however_many_tubes(store, drawn):
    acts = queries.of_animal(store.animal).acts
    assert [(one.kind, one.tubes) for one in acts] == [("drawn", 6), ("handed_off", 3), ("received", 3)]


def test_as_many_queries_for_thirty_tubes_as_for_three(store, sign_in):
    counts = []
    for sets in (1, 10):
        for _ in range(sets):
            tube_set = builders.drawn_set(store, animal=store.animal)
            for n in (RED, GEL):
                pass_on(store, [primary(tube_set, n)], "fieldtech", "labtech", GIVEN, TAKEN)
            made(store, tube_set, RED, 1)
        client = sign_in("auditor")
        client.get("/")
        with CaptureQueriesContext(connection) as asked:
            page = client.get(f"/exposure/animal/{store.animal.code}/")
        assert page.status_code == 200
        counts.append(len(asked))
    assert ledger.count(matrix="SER", status="held") == 11
    assert counts[0] == counts[1] <= 20, counts


@pytest.mark.parametrize(
    ("role", "status"), [("labtech", 200), ("auditor", 200), ("curator", 200), ("collaborator", 403)]
)
def test_who_may_see_a_trace(sign_in, store, drawn, role, status):
    red, client = primary(drawn, RED), sign_in(role)
    for address in (f"tube/{red}/", f"animal/{store.animal.code}/"):
        assert client.get(f"/exposure/{address}").status_code == status
        assert client.get(f"/exposure/{address}paper.pdf").status_code == status
    assert client.get("/exposure/tube/K7R2M1039/").status_code in {404, 403}
    assert client.get("/exposure/animal/A-9999/").status_code in {404, 403}


def test_page_and_paper_name_the_people_and_send_to_those_who_decide(sign_in, store, drawn):
    client, red = sign_in("labtech"), primary(drawn, RED)
    page = client.get(f"/exposure/tube/{red}/").content.decode()
    made_pdf = pypdfium2.PdfDocument(client.get(f"/exposure/tube/{red}/paper.pdf").content)
    text = " ".join(made_pdf[n].get_textpage().get_text_bounded() for n in range(len(made_pdf)))
    for said in (page, text.replace("\r\n", " ")):
        for word in (
            "Field tech",
            "Tarn Field Laboratory",
            "occupational health",
            "local rules",
            "infections",
        ):
            assert word in said, word
