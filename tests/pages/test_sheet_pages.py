"""Pages of field sheets, used as plain forms without script."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from biobank.core import codes
from biobank.models import FieldDay, Person, Programme, Role, SheetPhoto, TubeSet, Workup
from biobank.sheets import actions
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.test_sheets import jpeg, planned_set, tube
from tests.people import DRAWN, bound_set, drawn_set, make_person, moment, printed_set

pytestmark = pytest.mark.django_db
PRINTING = {"fieldtech", "labtech", "curator"}
ROLES = ["fieldtech", "labtech", "curator", "collaborator", "auditor"]


def key_on(page) -> str:
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def upload(name: str = "sheet.jpg", content: bytes = b"", kind: str = "image/jpeg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content or jpeg(), kind)


def enter_page(tube_set) -> str:
    return reverse("sheet_enter", args=[tube_set.code])


def typed(client, tube_set, **more) -> dict[str, str]:
    """A form as it is first shown, with these fields typed."""
    return {"key": key_on(client.get(enter_page(tube_set))), "date": "2026-05-03", "by": "P1"} | more


def kept(people, tube_set: TubeSet, content: bytes = b"") -> SheetPhoto:
    return actions.keep(people.actor("fieldtech"), tube_set, [("sheet.jpg", content or jpeg())])[0]


def drawn(code: str):
    return next(one for one in ledger.history(code) if one.kind == "drawn")


def code_of(page) -> list[str]:
    return re.findall(r'class="reason">([a-z_]+)<', page.content.decode())


# who may ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_who_may_print_type_and_look(people, sign_in, role):
    tube_set = bound_set(people)
    photo = kept(people, tube_set)
    client = sign_in(role)
    wanted = {
        reverse("set_sheet", args=[tube_set.code]): role in PRINTING,
        reverse("day_sheets", args=[people.day.pk]): role in PRINTING,
        enter_page(tube_set): role == "fieldtech",
        reverse("sheet_photo", args=[photo.short]): role != "collaborator",
    }
    assert {page: client.get(page).status_code for page in wanted} == {
        page: 200 if may else 403 for page, may in wanted.items()
    }
    assert client.post(enter_page(tube_set), {"key": new_id()}).status_code == (
        422 if role == "fieldtech" else 403
    )


def test_people_of_another_programme_find_nothing(people):
    tube_set = bound_set(people)
    photo = kept(people, tube_set)
    other = Programme.objects.create(code="OTHER", name="Elsewhere", tz="UTC")
    client = Client()
    client.force_login(make_person(other, people.sss, Role.FIELD, "X1", "stranger").user)
    for page in [
        reverse("set_sheet", args=[tube_set.code]), reverse("day_sheets", args=[people.day.pk]),
        enter_page(tube_set), reverse("sheet_photo", args=[photo.short]),
    ]:  # fmt: skip
        assert client.get(page).status_code == 404
    assert Client().get(reverse("sheet_photo", args=[photo.short])).status_code == 302


@pytest.mark.parametrize("name", ["0" * 16, "x", "%00", "7" * 70])
def test_a_photo_that_is_not_there_is_not_found(people, sign_in, name):
    kept(people, bound_set(people))
    assert sign_in("fieldtech").get(f"/sheets/photos/{name}/").status_code == 404


def test_the_beginning_of_a_hash_is_no_name(people, sign_in):
    photo = kept(people, bound_set(people))
    assert sign_in("fieldtech").get(f"/sheets/photos/{photo.short[:4]}/").status_code == 404


# paper --------------------------------------------------------------------------------------------


def test_sheets_come_as_pdf_on_either_paper(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    for page in [reverse("set_sheet", args=[tube_set.code]), reverse("day_sheets", args=[people.day.pk])]:
        for paper in ["a4", "letter"]:
            answer = client.get(page, {"paper": paper})
            assert answer["Content-Type"] == "application/pdf" and answer.content.startswith(b"%PDF-")
        wrong = client.get(page, {"paper": "a0"})
        assert wrong.status_code == 422 and b"<form" in wrong.content


def test_a_void_set_says_why_it_has_no_sheet(people, sign_in):
    tube_set = printed_set(people)
    TubeSet.objects.filter(pk=tube_set.pk).update(state="void")
    page = sign_in("fieldtech").get(reverse("set_sheet", args=[tube_set.code]))
    assert page.status_code == 422 and code_of(page) == ["set_is_void"]


def test_looking_at_paper_writes_nothing(people, sign_in):
    tube_set, client, size = bound_set(people), sign_in("fieldtech"), ledger.size()
    client.get(reverse("set_sheet", args=[tube_set.code]))
    client.get(reverse("day_sheets", args=[people.day.pk]))
    assert ledger.size() == size
    assert client.post(reverse("set_sheet", args=[tube_set.code])).status_code == 405


def test_set_and_day_offer_the_paper(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    page = client.get(reverse("set", args=[tube_set.code])).content.decode()
    assert reverse("set_sheet", args=[tube_set.code]) in page and enter_page(tube_set) in page
    assert (
        reverse("day_sheets", args=[people.day.pk]) in client.get(f"/days/{people.day.pk}/").content.decode()
    )


# photos -------------------------------------------------------------------------------------------


def test_a_photo_is_kept_at_once_and_what_was_typed_stays(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    five = tube(tube_set, 5)
    said = typed(client, tube_set, add="yes", files=upload(), **{f"t_{five}": "9:20", f"ml_{five}": "2,5"})
    page = client.post(enter_page(tube_set), said)
    shown = page.content.decode()
    photo = SheetPhoto.objects.get()
    assert page.status_code == 200 and reverse("sheet_photo", args=[photo.short]) in shown
    assert 'value="9:20"' in shown and 'value="2,5"' in shown and said["key"] in shown
    assert "refusal" not in shown and ledger.state(five).status == "labelled"
    assert re.search(rf'name="seen" value="{photo.short}"[^>]*checked', shown)


def test_a_photo_comes_back_byte_for_byte_and_can_only_be_looked_at(people, sign_in):
    tube_set = bound_set(people)
    photo = kept(people, tube_set, jpeg() + b"trailer of a telephone")
    answer = sign_in("auditor").get(reverse("sheet_photo", args=[photo.sha256]))
    assert answer.content == jpeg() + b"trailer of a telephone" and answer["Content-Type"] == "image/jpeg"
    assert answer["Content-Disposition"] == f'inline; filename="sheet-{tube_set.code}-{photo.short}.jpg"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Security-Policy"] == "sandbox; default-src 'none'"


def test_a_pdf_is_never_opened_inside_the_site(people, sign_in):
    tube_set = bound_set(people)
    (scan,) = actions.keep(people.actor("fieldtech"), tube_set, [("scan.pdf", b"%PDF-1.7\n")])
    client = sign_in("fieldtech")
    answer = client.get(reverse("sheet_photo", args=[scan.short]))
    assert answer["Content-Disposition"].startswith("attachment;")
    assert b"<img" not in client.get(enter_page(tube_set)).content


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("sheet.jpg", b"<script>alert(1)</script>", "photo_kind_unknown"),
        ("sheet.png", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "photo_kind_unknown"),
    ],
)
@pytest.mark.parametrize("button", [{"add": "yes"}, {}])
def test_a_wrong_file_is_refused_and_nothing_is_saved(people, sign_in, name, content, code, button):
    tube_set, client, size = bound_set(people), sign_in("fieldtech"), ledger.size()
    said = typed(client, tube_set, rest="on", no_photo="x", **{f"t_{tube(tube_set, 1)}": "9:20"})
    page = client.post(enter_page(tube_set), said | button | {"files": upload(name, content)})
    assert page.status_code == 422 and code in code_of(page) and 'value="9:20"' in page.content.decode()
    assert not SheetPhoto.objects.exists() and ledger.size() == size


def test_an_empty_file_and_one_that_is_too_large_are_refused(people, sign_in, settings):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    empty = SimpleUploadedFile("a.jpg", b"", "image/jpeg")
    page = client.post(enter_page(tube_set), typed(client, tube_set, add="yes", files=empty))
    assert page.status_code == 422 and "photo_empty" in code_of(page)
    large = upload(content=jpeg() + bytes(5_000))
    said = typed(client, tube_set, add="yes", files=large)
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 4_000
    page = client.post(enter_page(tube_set), said)
    assert page.status_code == 422 and "photo_too_large" in code_of(page)


def test_the_name_of_a_file_is_text(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    client.post(enter_page(tube_set), typed(client, tube_set, add="yes", files=upload("<b>&\u202egpj.jpg")))
    assert SheetPhoto.objects.get().name == "<b>&gpj.jpg"
    for page in [enter_page(tube_set), reverse("set", args=[tube_set.code])]:
        shown = client.get(page).content.decode()
        assert "&lt;b&gt;&amp;gpj.jpg" in shown and "<b>&" not in shown


# typing -------------------------------------------------------------------------------------------


def test_a_sheet_is_typed_row_by_row(people, sign_in):
    """As on paper: a time, then empty times below it, a short one, a letter, a grade."""
    tube_set, client = bound_set(people), sign_in("fieldtech")
    one, two, three, four, five, six = (tube(tube_set, n) for n in range(1, 7))
    said = typed(
        client, tube_set, files=upload(), net_closed="0840", out_of_water="8.55", released="10:05",
        **{f"t_{one}": "914", f"f_{one}": "on", f"f_{two}": "on", f"ml_{three}": "2.5", f"g_{three}": "3",
           f"x_{four}": "l", f"t_{five}": "9h20"},
    )  # fmt: skip
    answer = client.post(enter_page(tube_set), said)
    assert answer.status_code == 302 and answer.url == reverse("set", args=[tube_set.code])
    photo = SheetPhoto.objects.get()
    at = {code: drawn(code).at_ms for code in (one, two, three, five)}
    assert at[one] == at[two] == at[three] == moment(9, 14).timestamp() * 1000
    assert at[five] == moment(9, 20).timestamp() * 1000
    assert drawn(three).line == {"t": three, "role": "subj", "ul": 2500, "short": True}
    assert {one.kind: one for one in ledger.history(three)}["graded"].line["haemolysis"] == 3
    missed = next(one for one in ledger.history(four) if one.kind == "not_collected")
    assert missed.data["reason"] == "blood limit reached" and missed.data["note"] == f"sheet {photo.short}"
    assert ledger.state(six).status == "labelled"  # nothing was said of it
    workup = Workup.objects.get()
    assert (workup.net_closed, workup.released) == (moment(8, 40), moment(10, 5))
    assert (workup.first_needle, workup.last_tube) == (moment(9, 14), moment(9, 20))
    size, again = ledger.size(), said | {"files": upload()}
    assert client.post(enter_page(tube_set), again).status_code == 302 and ledger.size() == size
    assert SheetPhoto.objects.count() == 1


def test_all_that_is_left_empty_is_ticked_when_one_says_so(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    said = typed(
        client, tube_set, files=upload(), rest="on",
        **{f"t_{tube(tube_set, 1)}": "9:14", f"x_{tube(tube_set, 4)}": "F"},
    )  # fmt: skip
    assert client.post(enter_page(tube_set), said).status_code == 302
    states = [ledger.state(tube(tube_set, n)).status for n in range(1, 7)]
    assert states == ["held"] * 3 + ["not_collected"] + ["held"] * 2


def test_a_time_after_midnight_is_on_the_next_day(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    said = typed(
        client, tube_set, files=upload(), net_closed="23:30",
        **{f"t_{tube(tube_set, 1)}": "23:55", f"t_{tube(tube_set, 2)}": "0:10",
           f"f_{tube(tube_set, 3)}": "on"},
    )  # fmt: skip
    assert client.post(enter_page(tube_set), said).status_code == 302
    midnight = moment(0) + timedelta(days=1)
    assert drawn(tube(tube_set, 1)).at_ms == (midnight - timedelta(minutes=5)).timestamp() * 1000
    for n in (2, 3):
        assert drawn(tube(tube_set, n)).at_ms == (midnight + timedelta(minutes=10)).timestamp() * 1000


def test_a_set_is_bound_on_the_same_page(people, sign_in):
    tube_set, client = printed_set(people), sign_in("fieldtech")
    said = typed(client, tube_set, files=upload(), rest="on", **{f"t_{tube(tube_set, 1)}": "9:14"})
    assert client.post(enter_page(tube_set), said).status_code == 302
    assert Workup.objects.get().tube_set == tube_set
    said = typed(client, other := printed_set(people), files=upload(), rest="on", no_photo="")
    there = Workup.objects.create(code="SKV-260503-09", day=people.day)
    said |= {"workup": str(there.pk), f"t_{tube(other, 1)}": "9:40"}
    assert client.post(enter_page(other), said).status_code == 302
    assert TubeSet.objects.get(pk=other.pk).workup == there


NONE = {"no_photo": "lost"}
WRONG = [
    ({}, "time_required", {"f": "on"}),  # the first row has no time above it
    ({}, "time_malformed", {"t": "25:00"}),
    ({}, "time_malformed", {"t": "noon"}),
    ({}, "choice_required", {"t": "9:14", "x": "F"}),
    ({}, "choice_required", {"g": "2"}),
    ({}, "letter_unknown", {"x": "Q"}),
    ({}, "reason_required", {"x": "O"}),
    ({}, "volume_not_positive", {"t": "9:14", "ml": "0"}),
    ({}, "volume_too_large", {"t": "9:14", "ml": "10"}),
    ({}, "nothing_said", {}),
    ({"no_photo": ""}, "photo_required", {"t": "9:14"}),
    ({"net_closed": "9:30"}, "time_before_capture", {"t": "9:14"}),
    ({"net_closed": "9:30", "out_of_water": "9:20"}, "clock_runs_backwards", {"t": "9:40"}),
    ({"seen": "f" * 16}, "invalid_choice", {"t": "9:14"}),
    ({"by": "P2"}, "invalid_choice", {"t": "9:14"}),
    ({"date": ""}, "required", {"t": "9:14"}),
    ({"date": "2999-05-03"}, "time_in_future", {"t": "9:14"}),
    ({"date": "2025-05-03"}, "time_before_parent", {"t": "9:14"}),
]


@pytest.mark.parametrize(("head", "code", "row"), WRONG, ids=[f"{one[1]}-{n}" for n, one in enumerate(WRONG)])
def test_what_is_wrong_is_said_with_its_code_and_nothing_changes(people, sign_in, head, code, row):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    kept(people, tube_set)
    size = ledger.size()
    said = typed(
        client, tube_set, **(NONE | head | {f"{part}_{tube(tube_set, 5)}": v for part, v in row.items()})
    )
    page = client.post(enter_page(tube_set), said)
    assert page.status_code == 422 and code in code_of(page)
    assert ledger.size() == size and Workup.objects.get().net_closed is None
    assert all(value in page.content.decode() for value in row.values() if value != "on")


def test_after_a_refusal_it_can_be_kept_all_the_same(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    Workup.objects.update(net_closed=moment(9, 30))
    assert "Keep it all the same" not in client.get(enter_page(tube_set)).content.decode()
    said = typed(client, tube_set, files=upload(), **{f"t_{tube(tube_set, 1)}": "9:14"})
    page = client.post(enter_page(tube_set), said)
    assert page.status_code == 422 and "Keep it all the same" in page.content.decode()
    photo = SheetPhoto.objects.get()  # it is there, and ticked
    again = {name: value for name, value in said.items() if name != "files"}
    answer = client.post(enter_page(tube_set), again | {"keep": "on", "seen": photo.short})
    assert answer.status_code == 302 and drawn(tube(tube_set, 1)).via == "paper"


def test_rows_that_are_known_are_shown_and_not_asked_again(people, sign_in):
    tube_set, client = drawn_set(people), sign_in("fieldtech")
    page = client.get(enter_page(tube_set)).content.decode()
    assert "The sheet says otherwise" in page and f"t_{tube(tube_set, 1)}" not in page
    event = drawn(tube(tube_set, 1)).id
    assert reverse("event", args=[event]) in page
    assert client.get(reverse("event", args=[event])).status_code == 200


def test_a_closed_day_asks_why(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    FieldDay.objects.update(closed=True)
    said = typed(client, tube_set, **NONE, **{f"t_{tube(tube_set, 1)}": "9:14"})
    page = client.post(enter_page(tube_set), said)
    assert page.status_code == 422 and "day_closed" in code_of(page)
    answer = client.post(enter_page(tube_set), said | {"why": "the sheet was found in a boot"})
    assert answer.status_code == 302


# from paper, elsewhere ----------------------------------------------------------------------------


def test_tube_event_and_set_show_that_it_came_from_paper(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    said = typed(client, tube_set, files=upload(), **{f"t_{tube(tube_set, 1)}": "9:14"})
    client.post(enter_page(tube_set), said)
    photo = reverse("sheet_photo", args=[SheetPhoto.objects.get().short])
    page = client.get(reverse("tube", args=[tube(tube_set, 1)])).content.decode()
    assert "from paper" in page and photo in page
    page = client.get(reverse("event", args=[drawn(tube(tube_set, 1)).id])).content.decode()
    assert "paper" in page and photo in page
    assert photo in client.get(reverse("set", args=[tube_set.code])).content.decode()


def test_a_note_that_only_looks_like_a_photo_makes_no_link(people, sign_in):
    tube_set, client = bound_set(people), sign_in("fieldtech")
    from biobank.field.actions import Filled, draw

    one = tube(tube_set, 1)
    draw(people.actor("fieldtech"), new_id(), tube_set, [Filled(one, DRAWN)], note="sheet " + "a" * 16)
    assert "/sheets/photos/" not in client.get(reverse("tube", args=[one])).content.decode()


def test_queries_do_not_grow_with_tubes_sets_or_photos(people, sign_in, django_assert_max_num_queries):
    client, asked = sign_in("fieldtech"), []
    for tubes in (3, 30):
        made = planned_set(people, tubes)
        for n in range(tubes // 3):
            kept(people, made, jpeg() + bytes([n]))
        for page in [enter_page(made), reverse("set_sheet", args=[made.code])]:
            with django_assert_max_num_queries(40) as counted:
                assert client.get(page).status_code == 200
            asked.append(len(counted))
    assert asked[:2] == asked[2:]
    day = reverse("day_sheets", args=[people.day.pk])
    with django_assert_max_num_queries(40) as few:
        client.get(day)
    for n in range(3):
        planned_set(people, 4 + n)
    with django_assert_max_num_queries(40) as many:
        client.get(day)
    assert len(few) == len(many)


def test_whoever_may_not_draw_is_nobody_s_typist(people, sign_in):
    """Only colleagues of the same agency who draw are offered."""
    make_person(people.programme, people.sss, Role.FIELD, "P8", "second")
    make_person(people.programme, people.sss, Role.LAB, "P9", "third")
    page = sign_in("fieldtech").get(enter_page(bound_set(people))).content.decode()
    everybody = Person.objects.values_list("code", flat=True)
    assert {code for code in everybody if f'<option value="{code}"' in page} == {"P1", "P8"}


def test_a_code_in_any_case_finds_its_set(people, sign_in):
    tube_set = bound_set(people)
    assert sign_in("fieldtech").get(f"/sheets/{tube_set.code.lower()}/enter/").status_code == 200
    assert codes.set_of(tube(tube_set, 1)) == tube_set.code
