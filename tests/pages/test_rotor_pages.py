"""Rotors are changed and taken out of use by forms, each time with a reason that stays."""

from __future__ import annotations

import html

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.board.actions import add_rotor, bring_back_rotor, change_rotor, retire_rotor
from biobank.models import Rotor
from custody.core.refusal import Refused

pytestmark = pytest.mark.django_db
SAID = {"name": "Swing-out A", "places": 8, "radius_mm": 150, "max_rpm": 4000}


@pytest.fixture
def rotor(people) -> Rotor:
    return add_rotor(people.actor("labtech"), **SAID)


@pytest.fixture
def lab(sign_in):
    return sign_in("labtech")


def text(page) -> str:
    return html.unescape(page.content.decode())


def test_a_change_is_kept_with_who_and_why_and_the_values_before(people, rotor, lab):
    address = reverse("rotor", args=[rotor.pk])
    assert 'value="150"' in text(lab.get(address))
    assert lab.post(address, SAID | {"radius_mm": 153, "reason": "measured anew"}).url == address
    rotor.refresh_from_db()
    assert (rotor.radius_mm, rotor.places) == (153, 8)
    newest = rotor.history.first()
    assert (newest.history_user, newest.history_change_reason) == (people.user("labtech"), "measured anew")
    page = text(lab.get(address))
    assert "radius 150 mm, now 153 mm" in page and "measured anew" in page and "by Lab" in page
    assert page.index("measured anew") < page.index("added")


@pytest.mark.parametrize(
    "more, code",
    [
        ({"reason": ""}, ""),
        ({"reason": "x"}, "nothing_changed"),
        ({"reason": "x", "places": 7}, "places_odd"),
        ({"reason": "x", "name": "Other"}, "name_taken"),
        ({"reason": "x", "radius_mm": 0}, ""),
        ({"reason": "x", "max_rpm": "fast"}, ""),
    ],
)
def test_what_cannot_be_changes_nothing(people, rotor, lab, more, code):
    add_rotor(people.actor("labtech"), **SAID | {"name": "Other"})
    answer = lab.post(reverse("rotor", args=[rotor.pk]), SAID | more)
    assert answer.status_code == 422 and code in text(answer)
    assert rotor.history.count() == 1
    rotor.refresh_from_db()
    assert {name: getattr(rotor, name) for name in SAID} == SAID


def test_a_rotor_out_of_use_is_offered_nowhere_and_comes_back(people, rotor, lab):
    address = reverse("rotor_retire", args=[rotor.pk])
    assert lab.post(address, {"reason": ""}).status_code == 422
    assert lab.post(address, {"reason": "scratched"}).url == reverse("rotors")
    assert "Out of use" in text(lab.get(reverse("rotors")))
    assert "Swing-out A" not in text(lab.get(reverse("spin")))
    assert "scratched" in text(lab.get(reverse("rotor", args=[rotor.pk])))
    retire_rotor(people.actor("labtech"), rotor.pk, "once more")  # done already: nothing is added
    assert rotor.history.count() == 2
    lab.post(address, {"reason": "repaired by the maker"})
    assert "Swing-out A" in text(lab.get(reverse("spin")))
    assert "in use again" in text(lab.get(reverse("rotor", args=[rotor.pk])))


def test_a_rotor_belongs_to_its_agency(people, rotor, sign_in):
    curator = sign_in("curator")
    for name in ("rotor", "rotor_retire"):
        assert curator.get(reverse(name, args=[rotor.pk])).status_code == 404
        assert curator.post(reverse(name, args=[rotor.pk]), SAID | {"reason": "x"}).status_code == 404
        for role in ("fieldtech", "collaborator", "auditor"):
            assert sign_in(role).get(reverse(name, args=[rotor.pk])).status_code == 403, role
    for act in (retire_rotor, bring_back_rotor):
        with pytest.raises(Refused) as no:
            act(people.actor("curator"), rotor.pk, "x")
        assert no.value.code == "rotor_unknown"
    with pytest.raises(Refused) as no:
        change_rotor(people.actor("labtech"), rotor.pk, " ", **SAID | {"places": 10})
    assert no.value.code == "reason_required"


def test_the_pages_ask_as_often_after_thirty_changes(people, rotor, lab, django_assert_num_queries):
    addresses = [reverse("rotors"), reverse("rotor", args=[rotor.pk])]
    counted = []
    for address in addresses:
        with CaptureQueriesContext(connection) as asked:
            lab.get(address)
        counted.append(len(asked))
    for n in range(30):
        change_rotor(people.actor("labtech"), rotor.pk, "again", **SAID | {"radius_mm": 100 + n})
        add_rotor(people.actor("labtech"), **SAID | {"name": f"R{n}"})
    for address, many in zip(addresses, counted, strict=True):
        with django_assert_num_queries(many):
            lab.get(address)
