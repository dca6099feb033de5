"""The account of a field day and its sign-off, by plain forms."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import codes
from biobank.days.actions import write_off
from biobank.field.actions import Filled, Missed, bind, draw
from biobank.labels.actions import print_sets, reprint
from biobank.models import TubeSet
from custody import queries as ledger
from custody.core.event import new_id
from tests.people import BOUND, DRAWN, bound_set, drawn_set, printed_set

ACTS = ["day_left_over", "day_missed", "day_return", "day_close", "day_reopen"]


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def page(name, people):
    return reverse(name, args=[people.day.pk])


def half_drawn(people):
    """Number 2 short, 3 and 4 not collected, the others not said."""
    used = bound_set(people, animal=people.animal)
    draw(people.actor("fieldtech"), new_id(), used, [Filled(tube(used, 1)), Filled(tube(used, 2), ul=4000)],
         [Missed(tube(used, n), "flow stopped") for n in (3, 4)], at=DRAWN)  # fmt: skip
    return used


def test_the_account_shows_every_number_under_one_word(people, sign_in):
    half_drawn(people)
    printed_set(people)
    shown = text(sign_in("auditor").get(page("day_account", people)))
    for words in [
        "30 printed",
        "2 filled",
        "2 not collected",
        "0 void",
        "26 unaccounted",
        "1 of 3 animals expected",
    ]:
        assert words in shown
    assert "set_unbound" in shown and "Sign the day off" not in shown


def test_an_evening_from_the_pages(people, sign_in):
    """Spares back, labels without a parent and left over, two tubes that nobody filled, then the sign-off."""
    browser, used, spare = sign_in("fieldtech"), half_drawn(people), printed_set(people)
    early = browser.post(page("day_close", people), {"key": new_id(), "note": "late"})
    assert early.status_code == 422 and "number_unaccounted" in text(early)
    assert codes.show(tube(used, 5)) in text(early)
    key = new_id()
    for _ in range(2):
        assert browser.post(page("day_return", people), {"key": key}).url == page("day_account", people)
    for which in ("no_parent", "not_made"):
        assert (
            browser.post(page("day_left_over", people), {"key": new_id(), "which": which}).status_code == 302
        )
    assert ledger.history(tube(used, 105))[-1].data["reason"] == "parent not collected"
    assert ledger.history(tube(used, 101))[-1].data["reason"] == "not made"
    said = {"key": new_id(), "tubes": [tube(used, 5)], "why": "other", "note": "rolled overboard"}
    assert browser.post(page("day_missed", people), said).status_code == 302
    said = {"key": new_id(), "everything": "on", "why": "flow stopped", "note": ""}
    for _ in range(2):
        assert browser.post(page("day_missed", people), said).status_code == 302
    assert ledger.state(tube(used, 6)).status == "not_collected"
    left = text(browser.get(page("day_account", people)))
    assert "1 number is unaccounted for" in left  # 109, for an aliquot of 5
    assert (
        browser.post(page("day_left_over", people), {"key": new_id(), "which": "no_parent"}).status_code
        == 302
    )
    said = {"key": new_id(), "note": ""}
    for _ in range(2):
        assert browser.post(page("day_close", people), said).status_code == 302
    shown = text(browser.get(page("day", people)))
    assert "Signed off by Field tech" in shown and "Nothing was changed after the sign-off" in shown
    assert TubeSet.objects.get(pk=spare.pk).day is None
    assert "15 spare returned" in text(browser.get(page("day_account", people)))


def closed(people, browser):
    used = drawn_set(people)
    write_off(people.actor("fieldtech"), new_id(), people.day, lambda it: it.open, "frozen whole")
    assert browser.post(page("day_close", people), {"key": new_id(), "note": ""}).status_code == 302
    return TubeSet.objects.get(pk=used.pk)


def test_a_change_after_the_sign_off_is_shown_on_the_days_page(people, sign_in):
    browser = sign_in("fieldtech")
    used = closed(people, browser)
    reprint(people.actor("labtech"), new_id(), used, "label <b>fell</b> off", [tube(used, 2)])
    answer = browser.get(page("day", people))
    assert "Changed after sign-off" in text(answer) and "Label printed: " + codes.show(tube(used, 2)) in text(
        answer
    )
    assert "<b>fell</b>" not in answer.content.decode()


def test_a_closed_day_is_opened_again_with_a_reason(people, sign_in):
    used = closed(people, sign_in("fieldtech"))
    answer = sign_in("curator").post(page("day_reopen", people), {"key": new_id(), "reason": " "})
    assert answer.status_code == 422
    for name in ["day_left_over", "day_missed", "day_return"]:
        said = {"key": new_id(), "which": "not_made", "everything": "on", "why": "flow stopped"}
        answer = sign_in("fieldtech").post(page(name, people), said)
        assert answer.status_code == 422 and "day_closed" in text(answer), name
    answer = sign_in("curator").post(
        page("day_reopen", people), {"key": new_id(), "reason": "a sheet turned up"}
    )
    assert answer.status_code == 302
    assert TubeSet.objects.get(pk=used.pk).state == "bound"
    shown = text(sign_in("auditor").get(page("day", people)))
    assert "opened again: a sheet turned up" in shown and "This field day is open" in shown


@pytest.mark.parametrize(
    "said, code",
    [
        ({"tubes": [], "why": "flow stopped"}, "nothing_said"),
        ({"everything": "on", "why": ""}, "required"),
        ({"everything": "on", "why": "other", "note": " "}, "reason_required"),
        ({"tubes": ["K7Q"], "why": "flow stopped"}, "invalid_choice"),
        ({"tubes": [codes.make("XAAAA", 1)], "why": "flow stopped"}, "nothing_said"),
    ],
)
def test_numbers_are_not_written_off_by_mistake(people, sign_in, said, code):
    half_drawn(people)
    size = ledger.size()
    answer = sign_in("fieldtech").post(page("day_missed", people), {"key": new_id(), **said})
    assert (answer.status_code, ledger.size()) == (422, size)
    assert code in text(answer)


@pytest.mark.parametrize("role, sees, accounts, closes", [
    ("fieldtech", 200, 200, 200),  # the lead of this day
    ("labtech", 200, 200, 403),
    ("curator", 200, 200, 200),
    ("auditor", 200, 403, 403),
    ("collaborator", 403, 403, 403),
])  # fmt: skip
def test_who_may_see_account_and_sign_off(people, sign_in, role, sees, accounts, closes):
    half_drawn(people)
    browser = sign_in(role)
    assert browser.get(page("day_account", people)).status_code == sees
    assert {browser.get(page(name, people)).status_code for name in ACTS[:3]} == {accounts}
    assert {browser.get(page(name, people)).status_code for name in ACTS[3:]} == {closes}


def test_another_fieldtech_than_the_lead_does_not_sign_off(people, sign_in):
    people.day.lead = people.person("curator")
    people.day.save()
    browser = sign_in("fieldtech")
    assert browser.post(page("day_close", people), {"key": new_id()}).status_code == 403
    shown = text(browser.get(page("day_account", people)))
    assert "Its lead (Curator), a curator or an administrator signs the day off" in shown


def test_a_day_that_is_not_there_is_404(people, sign_in):
    for name in ["day_account", *ACTS]:
        assert sign_in("curator").get(reverse(name, args=[99])).status_code == 404


@pytest.mark.parametrize("name", ["day", "day_account"])
def test_a_page_asks_as_often_for_twelve_sets_as_for_three(people, sign_in, name):
    def asked():
        with CaptureQueriesContext(connection) as said:
            assert browser.get(page(name, people)).status_code == 200
        return len(said)

    browser, actor = sign_in("fieldtech"), people.actor("fieldtech")
    drawn_set(people)
    printed_set(people)
    bound_set(people)
    few = asked()
    for n, one in enumerate(print_sets(actor, new_id(), people.plan, people.day, 9, at=BOUND)):
        if n % 2:
            bind(actor, new_id(), one, at=BOUND)
    assert asked() == few
