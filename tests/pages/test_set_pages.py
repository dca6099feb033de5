"""Pages of tube sets: printed from several plans, packed by scanning, issued, returned, bound to another."""

from __future__ import annotations

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import codes
from biobank.field.actions import open_day
from biobank.labels.actions import print_sets
from biobank.models import TubeSet, Workup
from custody import queries as ledger
from custody.core.event import new_id
from tests.people import BOUND, DAY, bound_set, drawn_set, make_plan, moment, printed_set


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def typed(when):
    return when.strftime("%Y-%m-%dT%H:%M")


def page(name, tube_set):
    return reverse(name, args=[tube_set.code])


def test_rows_of_plans_and_counts_make_sets_and_spares(people, sign_in):
    other, browser = make_plan(people.programme, code="PUP"), sign_in("fieldtech")
    make_plan(people.programme, code="SEAL", version=2)  # the older version is no longer offered
    shown = browser.get(reverse("set_new"), {"day": people.day.pk})
    assert shown.content.decode().count("Spare sets") == 2
    newest = people.programme.plans.get(code="SEAL", version=2)
    said = {"key": new_id(), "day": people.day.pk, f"sets_{newest.pk}": 2, f"spares_{other.pk}": 1}
    assert browser.post(reverse("set_new"), said).status_code == 302
    made = list(TubeSet.objects.order_by("pk"))
    assert [(one.plan, one.spare) for one in made] == [(other, True), (newest, False), (newest, False)]


def test_nothing_chosen_is_refused(people, sign_in):
    answer = sign_in("fieldtech").post(reverse("set_new"), {"key": new_id(), "day": ""})
    assert answer.status_code == 422 and "count_out_of_range" in text(answer)


def test_a_bag_is_packed_by_scanning_tube_by_tube(people, sign_in):
    browser, tube_set = sign_in("labtech"), printed_set(people)
    assert "6 still missing" in text(browser.get(page("set_pack", tube_set)))
    scan = page("set_pack_scan", tube_set)
    for n in range(1, 4):
        answer = browser.post(scan, {"code": codes.show(tube(tube_set, n)).lower(), "many": ""})
        assert answer.url == page("set_pack", tube_set)
    shown = browser.get(page("set_pack", tube_set))
    assert "3 of 6 in the bag" in text(shown) and codes.show(tube(tube_set, 4)) in text(shown)
    early = browser.post(page("set_pack", tube_set), {"key": new_id(), "sheet": "on", "at": ""})
    assert early.status_code == 422 and "bag_incomplete" in text(early)
    assert codes.show(tube(tube_set, 4)) in text(early)
    many = "\r\n".join(tube(tube_set, n) for n in range(4, 7))
    assert browser.post(scan, {"code": "", "many": many}).status_code == 302
    said = {"key": new_id(), "sheet": "", "at": ""}
    assert "sheet_missing" in text(browser.post(page("set_pack", tube_set), said))
    for _ in range(2):
        assert browser.post(page("set_pack", tube_set), said | {"sheet": "on"}).url == page("set", tube_set)
    assert fresh(tube_set).state == "packed"
    assert sum(one.kind == "packed" for one in ledger.history(tube(tube_set, 1))) == 1


@pytest.mark.parametrize(
    "scanned, code, words",
    [
        (lambda mine, other: tube(other, 2), "tube_of_another_set", "Red 10"),
        (lambda mine, other: tube(mine, 101), "tube_is_for_aliquots", "sheet of labels"),
        (lambda mine, other: codes.set_label(mine.code), "set_where_tube", "label of the bag"),
        (lambda mine, other: mine.code, "set_where_tube", "is a tube set"),
        (lambda mine, other: codes.make("XAAAA", 1), "tube_unknown", "No label"),
        (lambda mine, other: "9" * 400, "code_malformed", "is not a tube code"),
        (lambda mine, other: "", "nothing_said", "Scan a tube"),
    ],
)
def test_a_foreign_scan_is_refused_with_what_it_is(people, sign_in, scanned, code, words):
    mine, other = printed_set(people), printed_set(people)
    answer = sign_in("fieldtech").post(
        page("set_pack_scan", mine), {"code": scanned(mine, other), "many": ""}
    )
    assert answer.status_code == 422
    assert code in text(answer) and words in text(answer)
    assert "6 still missing" in text(answer)


def packed(people, sign_in):
    tube_set, browser = printed_set(people), sign_in("fieldtech")
    many = "\n".join(tube(tube_set, n) for n in range(1, 7))
    browser.post(page("set_pack_scan", tube_set), {"code": "", "many": many})
    browser.post(page("set_pack", tube_set), {"key": new_id(), "sheet": "on", "at": typed(BOUND)})
    return fresh(tube_set)


def test_a_bag_is_issued_and_comes_back(people, sign_in):
    tube_set, browser = packed(people, sign_in), sign_in("fieldtech")
    assert page("set_issue", tube_set) in browser.get(page("set", tube_set)).content.decode()
    said = {"key": new_id(), "to": f"p:{people.person('labtech').code}", "at": typed(BOUND)}
    assert browser.post(page("set_issue", tube_set), said).status_code == 302
    assert "Issued to Lab" in text(browser.get(page("set", tube_set)))
    assert "Issued to Lab" in text(browser.get(reverse("sets")))
    said = {"key": new_id(), "why": "no wind, no seals", "at": typed(BOUND)}
    assert browser.post(page("set_return", tube_set), said).status_code == 302
    assert (fresh(tube_set).state, fresh(tube_set).day, fresh(tube_set).out_org) == ("packed", None, None)
    answer = browser.post(page("set_issue", tube_set), {"key": new_id(), "to": "p:NOBODY"})
    assert answer.status_code == 422 and "invalid_choice" in text(answer)
    answer = browser.post(page("set_return", bound_set(people)), {"key": new_id()})
    assert answer.status_code == 422 and "set_in_use" in text(answer)


def test_the_label_of_a_bag_leads_to_its_set_or_to_its_binding(people, sign_in):
    tube_set, browser = printed_set(people), sign_in("fieldtech")
    label = codes.show(codes.set_label(tube_set.code))
    assert browser.get(reverse("set_scan")).status_code == 200
    for written in (label, tube_set.code.lower()):
        assert browser.post(reverse("set_scan"), {"code": written}).url == page("set", tube_set)
    known = Workup.objects.create(code="W-7", day=people.day)
    answer = browser.post(reverse("set_scan"), {"code": label, "workup": known.code})
    assert answer.url == page("set_bind", tube_set) + "?workup=W-7"
    assert f'<option value="{known.pk}" selected>' in browser.get(answer.url).content.decode()


@pytest.mark.parametrize(
    "scanned, code",
    [
        (lambda one: tube(one, 1), "tube_where_set"),
        (lambda one: codes.set_label("XAAAA"), "set_unknown"),
        (lambda one: "<b>x</b>", "set_malformed"),
        (lambda one: "‮" + one.code, "set_malformed"),  # a character that turns the direction of reading
    ],
)
def test_what_is_no_bag_is_refused(people, sign_in, scanned, code):
    answer = sign_in("fieldtech").post(reverse("set_scan"), {"code": scanned(printed_set(people))})
    assert answer.status_code == 422 and code in text(answer)
    assert "<b>x</b>" not in answer.content.decode()


def test_a_bag_scanned_where_a_tube_is_wanted_is_refused(people, sign_in):
    tube_set = bound_set(people)
    said = {"key": new_id(), "tube": codes.set_label(tube_set.code)}
    answer = sign_in("labtech").post(reverse("aliquot"), said)
    assert answer.status_code == 422 and "set_where_tube" in text(answer)


def test_the_second_who_binds_reads_who_was_first(people, sign_in):
    tube_set = bound_set(people)
    answer = sign_in("fieldtech").post(page("set_bind", tube_set), {"key": new_id(), "at": typed(BOUND)})
    assert answer.status_code == 422 and "set_already_bound" in text(answer)
    assert "Field tech (SSS) did so on 03 May 2026 09:00" in text(answer)


def test_another_days_set_is_bound_from_the_page_with_a_reason(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    later = open_day(people.actor("fieldtech"), people.site, DAY.replace(day=5))
    said = {"key": new_id(), "day": later.pk, "at": typed(moment(9, day=later.date))}
    answer = browser.post(page("set_bind", tube_set), said)
    assert answer.status_code == 422 and "set_of_another_day" in text(answer)
    assert browser.post(page("set_bind", tube_set), said | {"why": "ran out"}).status_code == 302
    assert fresh(tube_set).workup.day == later and fresh(tube_set).day == people.day


def test_a_set_is_bound_to_the_right_workup_after_all(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), drawn_set(people)
    right = Workup.objects.create(code="W-8", day=people.day)
    assert page("set_rebind", tube_set) in browser.get(page("set", tube_set)).content.decode()
    said = {"key": new_id(), "workup": right.pk, "why": "scribe's sheet"}
    for _ in range(2):
        assert browser.post(page("set_rebind", tube_set), said).status_code == 302
    assert fresh(tube_set).workup == right
    answer = browser.post(page("set_rebind", tube_set), said | {"key": new_id()})
    assert answer.status_code == 422


@pytest.mark.parametrize(
    "role, prints, draws",
    [("fieldtech", 200, 200), ("labtech", 200, 403), ("auditor", 403, 403), ("collaborator", 403, 403)],
)
def test_who_may_do_what_with_a_set(people, sign_in, role, prints, draws):
    tube_set, browser = bound_set(people), sign_in(role)
    for name in ["set_pack", "set_issue", "set_return"]:
        assert browser.get(page(name, tube_set)).status_code == prints, name
    assert browser.get(page("set_rebind", tube_set)).status_code == draws
    assert browser.get(reverse("set_scan")).status_code == (403 if role == "collaborator" else 200)
    wanted = 422 if prints == 200 else 403
    assert browser.post(page("set_pack_scan", tube_set), {"code": "x"}).status_code == wanted
    assert sign_in("fieldtech").get(reverse("set_pack", args=["XXXXX"])).status_code == 404


def test_packing_asks_as_often_with_thirty_tubes_as_with_three(people, sign_in):
    def asked():
        tube_set = print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 1)[0]
        with CaptureQueriesContext(connection) as said:
            browser.get(page("set_pack", tube_set))
        return len(said)

    browser = sign_in("fieldtech")
    few = asked()
    for n in range(7, 31):
        people.plan.tubes.create(number=n, label=f"Tube {n}", matrix="BLD", additive="EDTK", volume_ul=1000)
    assert asked() == few
