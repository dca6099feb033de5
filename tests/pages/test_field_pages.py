"""Pages of field days, sets, workups and animals: who sees them, what they say, what they refuse."""

from __future__ import annotations

import re

import pypdfium2
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.core import codes
from biobank.field.actions import Missed, draw
from biobank.labels.actions import print_sets, reprint
from biobank.models import FieldDay, Programme, TubeSet, Workup
from custody import queries as ledger
from custody.core.event import new_id
from tests.people import DRAWN, PRINTED, bound_set, drawn_set, moment, printed_set

WRITES = ["set_new", "day_new", "draw_one"]


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def typed(when):
    return when.strftime("%Y-%m-%dT%H:%M")


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def pages(people, tube_set):
    yield from (reverse("days"), reverse("day", args=[people.day.pk]), reverse("sets"))
    yield from (reverse("set", args=[tube_set.code]), reverse("workup", args=[tube_set.workup.code]))
    yield reverse("animal", args=[people.animal.code])


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "auditor"])
def test_everybody_of_the_programme_reads_the_pages(people, sign_in, role):
    tube_set = drawn_set(people, animal=people.animal)
    for address in pages(people, tube_set):
        assert sign_in(role).get(address).status_code == 200, address


def test_a_collaborator_reads_none_of_them(people, sign_in):
    tube_set = drawn_set(people, animal=people.animal)
    for address in [*pages(people, tube_set), *map(reverse, WRITES)]:
        assert sign_in("collaborator").get(address).status_code == 403, address


def test_a_stranger_is_asked_to_sign_in(people, client):
    for address in pages(people, drawn_set(people)):
        assert client.get(address).status_code == 302


@pytest.mark.parametrize(
    "role, rights", [("fieldtech", {"print", "draw"}), ("labtech", {"print"}), ("auditor", set())]
)
def test_who_may_not_write_is_turned_away_and_shown_no_button(people, sign_in, role, rights):
    tube_set = bound_set(people)
    browser = sign_in(role)
    for name, wanted in [("set_draw", 302), ("set_bind", 200)]:
        answer = browser.get(reverse(name, args=[tube_set.code]))
        assert answer.status_code == (wanted if "draw" in rights else 403)
    for name in ["set_void", "set_reprint"]:
        wanted = 422 if "print" in rights else 403
        assert browser.post(reverse(name, args=[tube_set.code])).status_code == wanted
    page = browser.get(reverse("set", args=[tube_set.code])).content.decode()
    assert (reverse("set_draw", args=[tube_set.code]) in page) == ("draw" in rights)
    assert (reverse("set_void", args=[tube_set.code]) in page) == ("print" in rights)


def test_what_is_not_there_is_404(people, sign_in):
    browser = sign_in("fieldtech")
    for name, arg in [
        ("set", "XXXXX"),
        ("workup", "W-0"),
        ("animal", "A-0"),
        ("day", 99),
        ("set_draw", "XXXXX"),
    ]:
        assert browser.get(reverse(name, args=[arg])).status_code == 404


def test_a_set_is_printed_from_the_page_once(people, sign_in):
    browser, key = sign_in("fieldtech"), new_id()
    said = {"key": key, f"sets_{people.plan.pk}": 1, "day": people.day.pk, "at": typed(PRINTED)}
    answers = [browser.post(reverse("set_new"), said) for _ in range(2)]
    made = TubeSet.objects.get()
    assert [answer.url for answer in answers] == [reverse("set", args=[made.code])] * 2
    assert ledger.size() == 1
    page = text(browser.get(answers[0].url))
    assert f"{made.code}-001-{tube(made, 1)[-1]}" in page and "Red 10" in page


def test_several_sets_are_offered_on_one_paper(people, sign_in):
    browser = sign_in("labtech")
    said = {"key": new_id(), f"sets_{people.plan.pk}": 2, f"spares_{people.plan.pk}": 1, "day": "", "at": ""}
    page = browser.post(reverse("set_new"), said, follow=True).content.decode()
    assert TubeSet.objects.filter(day=None).count() == 3
    for made in TubeSet.objects.all():
        assert f'name="set" value="{made.code}"' in page


def test_a_wrong_number_of_sets_is_refused_with_its_code(people, sign_in):
    said = {"key": new_id(), f"sets_{people.plan.pk}": 61, "day": people.day.pk, "at": ""}
    answer = sign_in("fieldtech").post(reverse("set_new"), said)
    assert (answer.status_code, ledger.size(), TubeSet.objects.count()) == (422, 0, 0)
    assert "count_out_of_range" in text(answer)
    assert f'value="{said["key"]}"' in answer.content.decode()  # the same form again, not a new one


def test_a_set_is_bound_from_the_page_and_its_draw_page_is_the_workup(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    draw_page = reverse("set_draw", args=[tube_set.code])
    assert browser.get(draw_page).url == reverse("set_bind", args=[tube_set.code])
    clock = {"net_closed": typed(moment(8, 50)), "out_of_water": typed(moment(9))}
    said = {"key": new_id(), "workup": "", "animal": people.animal.pk, "at": typed(moment(9, 5)), **clock}
    answer = browser.post(reverse("set_bind", args=[tube_set.code]), said)
    workup = Workup.objects.get()
    assert (workup.animal, workup.net_closed) == (people.animal, moment(8, 50))
    assert browser.get(answer.url).url == reverse("workup", args=[workup.code])


def test_one_tube_is_scanned_and_its_workup_opens(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), bound_set(people)
    form, size = {"key": new_id(), "code": codes.show(tube(tube_set, 5)).lower()}, ledger.size()
    for _ in range(2):
        answer = browser.post(reverse("draw_one"), form)
        assert answer.url == reverse("workup", args=[tube_set.workup.code])
    assert (ledger.size(), ledger.state(tube(tube_set, 5)).volume_ul) == (size + 1, 4000)


def test_a_bag_that_is_scanned_first_opens_its_workup_or_is_bound(people, sign_in):
    browser, bound, loose = sign_in("fieldtech"), bound_set(people), printed_set(people)
    size = ledger.size()
    answers = [
        browser.post(reverse("draw_one"), {"key": new_id(), "code": codes.set_label(one.code)})
        for one in (bound, loose)
    ]
    assert [one.url for one in answers] == [
        reverse("workup", args=[bound.workup.code]),
        reverse("set_bind", args=[loose.code]),
    ]
    assert ledger.size() == size


@pytest.mark.parametrize(
    "said, code",
    [
        ("K7Q", "code_malformed"),
        ("XAAAA-001-0", "code_check_digit"),
        (codes.make("XAAAA", 1), "tube_unknown"),
        (codes.set_label("XAAAA"), "set_unknown"),
        ("999000000000001", "chip_without_workup"),
        ("", "required"),
    ],
)
def test_a_scan_that_cannot_be_is_refused_with_its_code(people, sign_in, said, code):
    answer = sign_in("fieldtech").post(reverse("draw_one"), {"key": new_id(), "code": said})
    assert answer.status_code == 422 and code in text(answer)
    assert ledger.size() == 0


def test_a_void_tube_is_not_drawn(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    address = reverse("set_void", args=[tube_set.code])
    assert browser.post(address, {"key": new_id(), "reason": "torn bag"}).status_code == 302
    answer = browser.post(reverse("draw_one"), {"key": new_id(), "code": tube(tube_set, 1)})
    assert answer.status_code == 422 and "set_is_void" in text(answer)
    answer = browser.post(reverse("set_reprint", args=[tube_set.code]), {"key": new_id(), "reason": "torn"})
    assert answer.status_code == 422 and "set_is_void" in text(answer)


def test_a_set_in_use_is_not_made_void(people, sign_in):
    answer = sign_in("fieldtech").post(
        reverse("set_void", args=[drawn_set(people).code]), {"key": new_id(), "reason": "torn bag"}
    )
    assert answer.status_code == 422 and "set_has_drawn_tubes" in text(answer)


def test_a_reprint_is_said_and_then_offered_as_paper(people, sign_in):
    browser, tube_set = sign_in("labtech"), drawn_set(people)
    form = {"key": new_id(), "reason": "smeared", "tubes": [tube(tube_set, 2)]}
    answer = browser.post(reverse("set_reprint", args=[tube_set.code]), form)
    page = browser.get(answer.url).content.decode()
    assert f'name="tube" value="{tube(tube_set, 2)}"' in page
    address = reverse("set_labels", args=[tube_set.code])
    paper = browser.get(address, {"tube": tube(tube_set, 2)})
    assert paper["Content-Type"] == "application/pdf" and paper.content.startswith(b"%PDF-")
    assert ledger.state(tube(tube_set, 2)).copies == 1
    size = ledger.size()
    browser.get(address)
    assert ledger.size() == size  # drawing the paper changes nothing


def words_of(answer):
    """The text of a PDF, read by PDFium."""
    paper = pypdfium2.PdfDocument(answer.content)
    return "\n".join(page.get_textpage().get_text_range() for page in paper)


@pytest.mark.parametrize(
    "asked, numbers",
    [
        ({}, [1, 2, 3, 4, 5, 6, *range(101, 110)]),
        ({"which": "primaries"}, [1, 2, 3, 4, 5, 6]),
        ({"which": "aliquots"}, range(101, 110)),
    ],
)
def test_the_paper_shows_every_tube_asked_for_once(people, sign_in, asked, numbers):
    tube_set = bound_set(people)
    address = reverse("set_labels", args=[tube_set.code])
    answer = sign_in("fieldtech").get(address, {"stock": "letter-5x17", "start": "2", **asked})
    said = words_of(answer)
    assert re.findall(rf"{tube_set.code}-(\d\d\d)-", said) == [f"{n:03d}" for n in numbers]
    assert tube_set.workup.code[:8] in said and not re.search(r"☣ C(OPY )?\d ", said)


def test_a_copy_says_on_the_label_that_it_is_one(people, sign_in):
    tube_set = printed_set(people)
    for n in (1, 2):
        fresh = TubeSet.objects.get(pk=tube_set.pk)
        reprint(people.actor("labtech"), new_id(), fresh, "smeared", [tube(tube_set, n)])
    answer = sign_in("labtech").get(reverse("set_labels", args=[tube_set.code]), {"stock": "wide50-203"})
    assert re.findall(r"\bC(\d+)\b", words_of(answer)) == ["1", "2"]


def test_several_sets_come_on_one_paper_in_the_order_made(people, sign_in):
    sets = print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 3, at=PRINTED)
    asked = {"set": [one.code for one in reversed(sets)], "stock": "letter-5x17", "which": "primaries"}
    said = words_of(sign_in("curator").get(reverse("labels_pdf"), asked))
    assert re.findall(r"([A-Z0-9]{5})-001-", said) == [one.code for one in sets]


def test_paper_that_cannot_be_is_refused_on_the_page(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), printed_set(people)
    address = reverse("set_labels", args=[tube_set.code])
    for asked in ({"stock": "papyrus"}, {"start": "-1"}, {"start": "many"}, {"which": "some"}):
        assert browser.get(address, asked).status_code == 422
    assert browser.post(address).status_code == 405
    assert browser.get(reverse("labels_pdf")).status_code == 404
    assert sign_in("auditor").get(address).status_code == 403


def test_another_programmes_sets_and_tubes_are_not_there(people, sign_in):
    other = Programme.objects.create(code="OTHER", name="Another survey", tz="Europe/Oslo")
    tube_set = bound_set(people)
    person = people.person("fieldtech")
    person.programme = other
    person.save()
    browser = sign_in("fieldtech")
    for name in ["set", "set_draw", "set_bind", "set_labels"]:
        assert browser.get(reverse(name, args=[tube_set.code])).status_code == 404
    assert browser.get(reverse("workup", args=[tube_set.workup.code])).status_code == 404
    assert browser.get(reverse("day", args=[people.day.pk])).status_code == 404
    answer = browser.post(reverse("draw_one"), {"key": new_id(), "code": tube(tube_set, 1)})
    assert answer.status_code == 422 and "tube_unknown" in text(answer)


def test_a_workups_clock_is_set_and_its_history_shown(people, sign_in):
    browser, tube_set = sign_in("fieldtech"), bound_set(people)
    address = reverse("workup_clock", args=[tube_set.workup.code])
    form = {"key": new_id(), "net_closed": typed(moment(9)), "released": typed(moment(9, 50)), "reason": ""}
    assert browser.post(address, form).status_code == 302
    answer = browser.post(address, form | {"net_closed": typed(moment(9, 1))})
    assert answer.status_code == 422 and "reason_required" in text(answer)
    assert (
        browser.post(address, form | {"net_closed": typed(moment(9, 1)), "reason": "boat clock"}).status_code
        == 302
    )
    page = text(browser.get(reverse("workup_past", args=[tube_set.workup.code])))
    assert "boat clock" in page and "net closed: 3 May 2026 09:00 → 3 May 2026 09:01" in page


def test_an_animal_is_said_on_the_workups_page_and_its_recapture_seen(people, sign_in):
    browser, first, second = sign_in("fieldtech"), bound_set(people, animal=people.animal), bound_set(people)
    code = second.workup.code
    form = {"key": new_id(), "animal": people.animal.pk, "reason": ""}
    assert browser.post(reverse("workup_animal", args=[code]), form).status_code == 302
    assert first.workup.code in text(browser.get(reverse("workup", args=[code])))
    page = text(browser.get(reverse("animal", args=[people.animal.code])))
    assert "In hand 2 times" in page and "999000000000001" in page and code in page
    third = bound_set(people).workup.code
    form = {
        "key": new_id(),
        "species": "Phoca vitulina",
        "sex": "F",
        "kind": "chip",
        "text": "999000000000001",
    }
    answer = browser.post(reverse("workup_new_animal", args=[third]), form)
    assert answer.status_code == 422 and "identifier_taken" in text(answer)
    form |= {"text": "999000000000003"}
    assert browser.post(reverse("workup_new_animal", args=[third]), form).status_code == 302
    assert Workup.objects.get(code=third).animal.identifiers.get().text == "999000000000003"


def test_a_field_day_is_opened_from_the_page(people, sign_in):
    form = {"key": new_id(), "site": people.site.pk, "date": "2026-05-04", "expected": "2"}
    answer = sign_in("fieldtech").post(reverse("day_new"), form)
    made = FieldDay.objects.get(date="2026-05-04")
    assert (answer.url, made.expected_animals) == (reverse("day", args=[made.pk]), 2)


@pytest.mark.parametrize("name", ["sets", "days", "day"])
def test_a_list_asks_as_often_for_30_sets_as_for_3(people, sign_in, name):
    browser = sign_in("fieldtech")
    address = reverse(name, args=[people.day.pk] if name == "day" else [])

    def asked():
        with CaptureQueriesContext(
            connection,
        ) as found:
            assert browser.get(address).status_code == 200
        return len(found)

    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 1, at=PRINTED)
    some = [bound_set(people, animal=people.animal) for _ in range(2)]
    few = asked()
    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 25, at=PRINTED)
    some += [bound_set(people, animal=people.animal) for _ in range(2)]
    draw(
        people.actor("fieldtech"), new_id(), some[0], [], [Missed(tube(some[0], 1), "flow stopped")], at=DRAWN
    )
    assert TubeSet.objects.count() == 30
    assert asked() == few


def test_a_long_list_is_cut_into_pages(people, sign_in):
    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 51, at=PRINTED)
    browser = sign_in("fieldtech")
    first, second = (browser.get(reverse("sets"), {"page": n, "state": "printed"}) for n in (1, 2))
    assert "Page 1 of 2" in text(first)
    assert len(re.findall(r'class="code" href="/sets/', second.content.decode())) == 1
    assert not browser.get(reverse("sets"), {"state": "void"}).context["rows"]
