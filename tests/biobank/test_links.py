"""One-time links: making, opening, the code, the answer of grade B, and what closes a link."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.contrib.auth.hashers import check_password
from django.core.cache import cache
from django.utils import timezone

from biobank.handoffs import actions, links
from biobank.models import Agency, HandoffLink, Person
from custody import queries as ledger
from custody.core import evidence
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders
from tests.biobank import linked


@pytest.fixture
def tubes(people) -> list[str]:
    cache.clear()
    return linked.drawn_tubes(people)


@pytest.fixture
def given(people, tubes) -> str:
    return linked.give(people, tubes)


@pytest.fixture
def made(people, given) -> links.Made:
    return linked.make(people, given)


def refused(do, *args, **kwargs) -> str:
    with pytest.raises(Refused) as no:
        do(*args, **kwargs)
    return no.value.code


def live(made: links.Made, **later: int) -> HandoffLink:
    return links.live(made.link.pk, timezone.now() + timedelta(**later))


def test_secret_and_code_are_told_once_and_kept_as_hashes(made):
    row = HandoffLink.objects.get()
    assert len(made.secret) == 22 and made.code.isdigit() and len(made.code) == 6  # 22 x 6 bits hold 128
    assert made.secret not in str(vars(row)) and made.code not in row.code_hash
    assert links.find(made.secret) == row and check_password(made.code, row.code_hash)


def test_two_links_have_nothing_in_common(people, given, made):
    other = linked.make(people, given)
    assert other.secret != made.secret and other.link.token_hash != made.link.token_hash


def test_a_new_link_revokes_the_one_before(people, given, made):
    new = linked.make(people, given)
    states = [links.state(row, timezone.now()) for row in links.of_handoff(given)]
    assert states == ["made", "revoked"]
    assert refused(live, made) == "link_closed" and live(new) == new.link


@pytest.mark.parametrize(("days", "code"), [(0, "link_days"), (31, "link_days"), (-1, "link_days")])
def test_a_link_is_good_for_1_to_30_days(people, given, days, code):
    assert refused(linked.make, people, given, days) == code
    assert not HandoffLink.objects.exists()


@pytest.mark.parametrize("days", [1, 7, 30])
def test_it_ends_after_its_days(people, given, days):
    made = linked.make(people, given, days)
    assert live(made, days=days, seconds=-1) == made.link
    assert refused(live, made, days=days, seconds=1) == "link_closed"


@pytest.mark.parametrize("role", ["labtech", "curator", "collaborator", "auditor"])
def test_only_the_agency_that_gave_makes_or_revokes_links(people, given, made, role):
    assert refused(linked.make, people, given, role=role) == "not_yours"
    assert refused(links.revoke, people.actor(role), given, timezone.now()) == "not_yours"
    assert live(made) == made.link


def test_there_is_no_link_for_what_was_never_offered(people, tubes):
    assert refused(linked.make, people, new_id()) == "handoff_unknown"


def test_there_is_no_link_for_what_was_answered(people, tubes, given):
    actions.receive(people.actor("labtech"), new_id(), given, dict.fromkeys(tubes, "ok"), counted=6)
    assert refused(linked.make, people, given) == "handoff_answered_once"


# --- the code -------------------------------------------------------------------------------------


def wrong(made: links.Made) -> str:
    return f"{(int(made.code) + 1) % 10**6:06d}"


def test_the_right_code_opens_and_counts_no_try(made):
    links.check_code(made.link.pk, made.code, timezone.now())
    assert HandoffLink.objects.get().tries == 0


def test_after_five_wrong_codes_not_even_the_right_one_opens(made):
    now = timezone.now()
    for n in range(links.MOST_TRIES):
        assert (
            refused(links.check_code, made.link.pk, wrong(made), now + n * links.PAUSE) == "link_code_wrong"
        )
    later = now + timedelta(hours=1)
    assert refused(links.check_code, made.link.pk, made.code, later) == "link_closed"
    assert links.state(HandoffLink.objects.get(), later) == "locked"
    assert refused(live, made) == "link_closed"


def test_four_wrong_codes_do_not_lock(made):
    now = timezone.now()
    for n in range(4):
        refused(links.check_code, made.link.pk, wrong(made), now + n * links.PAUSE)
    links.check_code(made.link.pk, made.code, now + 4 * links.PAUSE)


def test_after_a_wrong_code_there_is_a_pause_that_counts_no_try(made):
    now = timezone.now()
    refused(links.check_code, made.link.pk, wrong(made), now)
    soon = now + links.PAUSE - timedelta(milliseconds=1)
    for code in (wrong(made), made.code):
        assert refused(links.check_code, made.link.pk, code, soon) == "link_wait"
    assert HandoffLink.objects.get().tries == 1
    links.check_code(made.link.pk, made.code, now + links.PAUSE)


# --- the answer -----------------------------------------------------------------------------------


def answer(made: links.Made, said: links.Answer, key: str = ""):
    return links.answer(live(made), key or new_id(), said, timezone.now())


def test_an_answer_by_link_passes_custody_and_proves_no_person(people, tubes, given, made):
    done = answer(made, linked.found(dict.fromkeys(tubes, "ok")))
    said = ledger.event(done.id)
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}
    assert (said.header["by"], said.header["org"], said.header["ref"]) == ("BYLINK-TFL", "TFL", given)
    assert (said.header["data"]["grade"], said.header["data"]["name"]) == ("B", "Kari Nordal")
    assert (said.login, said.via) == (links.LOGIN, links.VIA)
    assert "person not proven" in evidence.of(said.header).words
    assert links.state(HandoffLink.objects.get(), timezone.now()) == "used"


def test_what_is_not_scanned_is_missing_and_stays_with_the_giver(people, tubes, given, made):
    answer(made, linked.found(dict.fromkeys(tubes[1:], "ok") | {tubes[0]: "missing"}))
    lost = ledger.state(tubes[0])
    assert (lost.custodian, lost.disputes, lost.pending_ref) == ("SSS", 1, given)


def test_a_link_answers_once_also_when_a_tube_is_still_open(people, tubes, made):
    link = live(made)
    answer(made, linked.found(dict.fromkeys(tubes[1:], "ok")))
    size = ledger.size()
    late = linked.found({tubes[0]: "ok"})
    assert refused(links.answer, link, new_id(), late, timezone.now()) == "link_closed"
    assert ledger.size() == size  # the browser that was a moment later wrote nothing


def test_a_refused_answer_leaves_the_link_as_it_was(tubes, made):
    size = ledger.size()
    assert (
        refused(answer, made, linked.found(dict.fromkeys(tubes, "ok"), counted=5)) == "count_does_not_agree"
    )
    assert (ledger.size(), live(made)) == (size, made.link)


@pytest.mark.parametrize("name", ["", " ", "K", "K" * 81, "Kari\u202eladroN", "Kari\x07Nordal"])
def test_a_name_is_a_name(tubes, made, name):
    said = linked.found(dict.fromkeys(tubes, "ok"), name=name)
    assert refused(answer, made, said) == "name_malformed" and live(made)


@pytest.mark.parametrize("kind", ["withdrawn", "refused"])
def test_a_link_of_a_handoff_that_was_sent_back_is_closed(people, tubes, given, made, kind):
    link, role = live(made), {"withdrawn": "fieldtech", "refused": "labtech"}[kind]
    actions.send_back(people.actor(role), new_id(), given, kind, "Boat turned back")
    assert refused(live, made) == "link_closed"
    said = linked.found(dict.fromkeys(tubes, "ok"))
    assert refused(links.answer, link, new_id(), said, timezone.now()) == "link_closed"


def test_a_link_of_a_handoff_that_was_answered_by_login_is_closed(people, tubes, given, made):
    link = live(made)
    actions.receive(people.actor("labtech"), new_id(), given, dict.fromkeys(tubes, "ok"), counted=6)
    with pytest.raises(Refused) as no:
        links.answer(link, new_id(), linked.found(dict.fromkeys(tubes, "ok")), timezone.now())
    assert no.value.code == "link_closed" and "P2" not in no.value.sentence  # not who answered


def test_the_addressee_of_a_link_answers_nothing_else(people, tubes):
    first = linked.give(people, tubes[:3])
    other = linked.give(people, tubes[3:])
    made = linked.make(people, first)
    said = linked.found(dict.fromkeys([*tubes[:3], tubes[3]], "ok"))
    assert refused(answer, made, said) in {"tube_in_two_handoffs", "tube_not_on_handoff"}
    assert len(ledger.find(pending_ref=other)) == 3


# --- somebody without a login ---------------------------------------------------------------------


def test_the_person_of_a_link_has_no_login_and_is_made_once(people, given, made):
    linked.make(people, given)
    person = Person.objects.get(code="BYLINK-TFL")
    assert (person.user, person.role, person.agency) == (None, "collaborator", people.tfl)
    assert person.history.first().history_change_reason == links.GIVEN


def test_agencies_whose_codes_begin_alike_are_not_one_person(people):
    actor = people.actor("fieldtech")
    alike = [Agency.objects.create(code=f"NORTHLIGHT{n}", name=f"North {n}") for n in range(12)]
    made = [links.outsider(agency, actor) for agency in alike]
    assert len({one.code for one in made}) == 12 and all(len(one.code) <= 12 for one in made)
    assert [one.agency for one in made] == alike
    assert links.outsider(alike[5], actor) == made[5]


def test_a_long_name_of_an_agency_fits(people):
    agency = Agency.objects.create(code="LONG", name="L" * 120)
    person = links.outsider(agency, people.actor("fieldtech"))
    assert len(person.name) <= 120 and person.name.endswith(", without login")


# --- how often one address may miss ---------------------------------------------------------------


def test_an_address_that_misses_ten_times_waits_a_minute(db):
    cache.clear()
    with time_machine.travel(builders.moment(12), tick=False) as clock:
        for _ in range(links.MISSES):
            assert not links.too_many("192.0.2.1")
            links.missed("192.0.2.1")
        assert links.too_many("192.0.2.1") and not links.too_many("192.0.2.2")
        clock.shift(links.WITHIN_S + 1)
        assert not links.too_many("192.0.2.1")
