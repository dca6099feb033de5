"""The pages of bench and store, used as plain forms without script."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse

from biobank.acting import ms
from biobank.bench import actions as bench_actions
from biobank.core import codes
from biobank.models import Unit
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import EDTA, GEL, HEPARIN, MADE, RED, SPUN, STORED, aliquots, lab_set, primary

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"


@pytest.fixture
def tubes(store):
    return lab_set(store)


@pytest.fixture
def lab(store, sign_in):
    return sign_in("labtech")


def key_on(page) -> str:
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def send(client, address, **said):
    """Opens the page, takes its key, and sends the form."""
    said.setdefault("key", key_on(client.get(address)))
    return client.post(address, said)


def lines(*some: str) -> str:
    return "\r\n".join(codes.show(code).lower() for code in some)  # as a person might type them


# who may ----------------------------------------------------------------------------------------

WORKING = {"labtech", "curator"}
SEEING = WORKING | {"fieldtech", "auditor"}
PAGES = [
    ("bench", [], WORKING),
    ("spin", [], WORKING),
    ("grade", [], WORKING),
    ("aliquot", [], WORKING),
    ("store", [], SEEING),
    ("unit", [BOX], SEEING),
    ("unit", ["NLB-F1"], SEEING),
    ("put_away", [], WORKING),
    ("move", [], WORKING),
    ("pull", [], WORKING),
    ("thaw", [], WORKING),
    ("discard", [], WORKING),
    ("unit_move", [BOX], WORKING),
    ("unit_add", [], {"curator"}),
]


@pytest.mark.parametrize("name, args, roles", PAGES)
def test_a_page_opens_for_those_with_the_right_and_for_nobody_else(store, sign_in, client, name, args, roles):
    address = reverse(name, args=args)
    for role in ("fieldtech", "labtech", "curator", "collaborator", "auditor"):
        assert sign_in(role).get(address).status_code == (200 if role in roles else 403), role
    assert client.get(address).status_code == 302  # to sign in


@pytest.mark.parametrize("name", ["spin", "grade", "put_away", "move", "pull", "thaw", "discard", "unit_add"])
def test_sending_without_the_right_is_forbidden_too(sign_in, tubes, name):
    size = ledger.size()
    said = {"key": new_id(), "tubes": primary(tubes, RED), "g": 2000, "minutes": 10, "why": "x", "unit": BOX}
    assert sign_in("fieldtech").post(reverse(name), said).status_code == 403
    assert ledger.size() == size


def test_the_aliquot_page_is_for_the_lab_and_a_stranger_s_tube_is_not_there(sign_in, tubes):
    address = reverse("aliquot_tube", args=[primary(tubes, RED)])
    assert sign_in("labtech").get(address).status_code == 200
    assert sign_in("fieldtech").get(address).status_code == 403
    assert sign_in("labtech").get(reverse("aliquot_tube", args=[codes.make("Y7777", 1)])).status_code == 404


@pytest.mark.parametrize("name, args, roles", PAGES)
def test_no_page_needs_inline_script_or_style(lab, sign_in, name, args, roles):
    page = sign_in("curator").get(reverse(name, args=args)).content.decode()
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=", page)


# bench ------------------------------------------------------------------------------------------


def test_from_spin_to_slot_by_forms_alone(lab, tubes):
    red, vials = primary(tubes, RED), aliquots(tubes, RED)
    page = lab.get(reverse("bench")).content.decode()
    assert codes.show(red) in page and f"{reverse('spin')}?tube={red}" in page

    answer = send(
        lab, reverse("spin"), tubes=lines(red, primary(tubes, GEL)), rpm="3000", radius_mm="170",
        minutes="10", centi_c="20.5", brake="no", at="2026-05-03T10:05",
    )  # fmt: skip
    assert answer.status_code == 302 and answer.url == reverse("bench")
    spun = ledger.history(red)[-1]
    assert (spun.kind, spun.at_ms, spun.off_min) == ("spun", ms(SPUN), 120)
    # 17 cm at 3000 rpm: 1711 x g (reference standards.md 2.3, worked out there with the handbook constant)
    assert dict(spun.data) == {
        "g": 1711, "rpm": 3000, "radius_mm": 170, "minutes": 10, "centi_c": 2050, "brake": False,
    }  # fmt: skip

    answer = send(
        lab, reverse("aliquot_tube", args=[red]), loss_ul="100", at="2026-05-03T10:40",
        **{f"ul_{vials[0]}": "1000", f"ul_{vials[1]}": "900", f"ul_{vials[2]}": "", f"ul_{vials[3]}": ""},
    )  # fmt: skip
    assert answer.url == reverse("tube", args=[red])
    assert ledger.children(red) == sorted(vials[:2])
    assert ledger.state(red).volume_ul == 8_000

    answer = send(
        lab, reverse("put_away"), tubes=lines(*vials[:2]), unit=BOX.lower(), slot="c3", at="2026-05-03T11:30"
    )
    assert answer.url.startswith(reverse("unit", args=[BOX]))
    assert ledger.box(BOX) == {(3, 3): vials[0], (3, 4): vials[1]}
    page = lab.get(answer.url).content.decode()
    assert page.count('class="full current"') == 2
    assert f'href="{reverse("tube", args=[vials[0]])}"' in page
    assert f'href="{reverse("put_away")}?unit={BOX}&amp;slot=A1"' in page
    assert vials[0] not in lab.get(reverse("bench")).content.decode()


def test_a_link_from_a_free_slot_fills_the_form(lab, tubes):
    page = lab.get(
        reverse("put_away"), {"unit": BOX, "slot": "B7", "tube": [primary(tubes, RED)]}
    ).content.decode()
    assert 'value="B7"' in page and f'value="{BOX}"' in page and primary(tubes, RED) in page


def test_a_page_sent_twice_is_one_event(lab, tubes):
    said = {"key": new_id(), "tubes": lines(primary(tubes, RED)), "g": "2000", "minutes": "10"}
    size = ledger.size()
    assert [lab.post(reverse("spin"), said).status_code for _ in range(2)] == [302, 302]
    assert ledger.size() == size + 1
    said = {"key": new_id(), "tubes": lines(primary(tubes, RED)), "unit": BOX}
    assert [lab.post(reverse("put_away"), said).status_code for _ in range(2)] == [302, 302]
    assert ledger.size() == size + 2


def test_an_aliquot_page_sent_twice_is_one_event(lab, tubes):
    red, vial = primary(tubes, RED), aliquots(tubes, RED)[0]
    said = {"key": new_id(), f"ul_{vial}": "1000"}
    address = reverse("aliquot_tube", args=[red])
    assert [lab.post(address, said).status_code for _ in range(2)] == [302, 302]
    assert ledger.state(red).volume_ul == 9_000


def refusals(tubes):
    """(URL name, what is sent, the code that must be shown)."""
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    spin = {"g": "2000", "minutes": "10"}
    return [
        ("spin", {"tubes": "", **spin}, ""),
        ("spin", {"tubes": "hello", **spin}, "code_malformed"),
        ("spin", {"tubes": red[:-1] + ("0" if red[-1] != "0" else "1"), **spin}, "code_check_digit"),
        ("spin", {"tubes": red, **spin, "g": "0"}, "g_not_positive"),
        ("spin", {"tubes": red, **spin, "at": "2026-05-03T09:00"}, "time_before_parent"),
        ("spin", {"tubes": red, **spin, "at": "2126-05-03T09:00"}, "time_in_future"),
        ("spin", {"tubes": codes.make("Y7777", 1), **spin}, "tube_unknown"),
        ("grade", {"tubes": red}, "nothing_graded"),
        ("put_away", {"tubes": red, "unit": "NOPE"}, "unit_unknown"),
        ("put_away", {"tubes": red, "unit": "NLB-F1"}, "not_a_box"),
        ("put_away", {"tubes": red, "unit": BOX, "slot": "Z9"}, "slot_unknown"),
        ("put_away", {"tubes": red, "unit": BOX, "slot": "A1"}, "slot_taken"),
        ("put_away", {"tubes": gel, "unit": BOX}, "tube_already_stored"),
        ("move", {"tubes": red, "unit": BOX}, "not_stored"),
        ("pull", {"tubes": red, "why": "assay"}, "not_stored"),
        ("thaw", {"tubes": aliquots(tubes, RED)[0]}, "tube_not_drawn"),
        ("discard", {"tubes": red, "why": "space"}, ""),
    ]


@pytest.mark.parametrize("n", range(17))
def test_a_refusal_is_said_on_the_page_with_its_code_and_what_was_typed_stays(store, lab, tubes, n):
    store_actions.put_away(store.actor("labtech"), new_id(), [primary(tubes, GEL)], BOX, "A1", at=STORED)
    name, said, code = refusals(tubes)[n]
    size = ledger.size()
    answer = send(lab, reverse(name), **said)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert f'<span class="reason">{code}</span>' in page if code else 'role="alert"' in page
    assert said["tubes"] in page
    assert ledger.size() == size


def test_every_refusal_in_the_list_is_tried(tubes):
    assert len(refusals(tubes)) == 17


def test_working_out_the_force_saves_nothing_and_keeps_what_was_typed(lab, tubes):
    size = ledger.size()
    said = {"tubes": primary(tubes, RED), "rpm": "10000", "radius_mm": "50", "minutes": "", "work_out": "1"}
    answer = send(lab, reverse("spin"), **said)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "5590 × g" in page  # published worked example: 10 000 rpm, 5 cm (standards.md 2.3)
    assert 'name="g" value="5590"' in page and primary(tubes, RED) in page
    assert send(lab, reverse("spin"), **(said | {"radius_mm": ""})).status_code == 422
    assert ledger.size() == size


def test_a_vial_that_somebody_filled_meanwhile_is_refused_not_dropped(store, lab, tubes):
    red, (first, second, *_) = primary(tubes, RED), aliquots(tubes, RED)
    key = key_on(lab.get(reverse("aliquot_tube", args=[red])))
    bench_actions.aliquot(store.actor("labtech"), new_id(), red, [(first, 500)], at=MADE)
    said = {"key": key, f"ul_{first}": "1000", f"ul_{second}": "1000"}
    answer = lab.post(reverse("aliquot_tube", args=[red]), said)
    assert answer.status_code == 422 and "child_already_made" in answer.content.decode()
    assert ledger.children(red) == [first]


def test_vials_without_a_row_are_scanned_with_one_volume(lab, tubes):
    edta, vial = primary(tubes, EDTA), aliquots(tubes, EDTA)[0]
    tubes.tubes.filter(code=vial).update(parent_hint="")  # as a spare label of the set
    address = reverse("aliquot_tube", args=[edta])
    assert b"volume_missing" in send(lab, address, others=vial).content
    assert send(lab, address, others=vial, others_ul="750").status_code == 302
    assert ledger.state(vial).volume_ul == 750


def test_scanning_a_tube_opens_its_aliquot_page(lab, tubes):
    answer = lab.post(reverse("aliquot"), {"tube": lines(primary(tubes, RED))})
    assert answer.url == reverse("aliquot_tube", args=[primary(tubes, RED)])
    assert b"code_malformed" in lab.post(reverse("aliquot"), {"tube": "red one"}).content


# store ------------------------------------------------------------------------------------------


def test_pull_thaw_and_discard_by_forms(store, lab, tubes):
    red = primary(tubes, RED)
    store_actions.put_away(store.actor("labtech"), new_id(), [red], BOX, at=STORED)
    assert send(lab, reverse("pull"), tubes=red, why="for an assay").status_code == 302
    assert send(lab, reverse("thaw"), tubes=red).status_code == 302
    said = {"tubes": red, "why": "used up", "method": "autoclaved", "sure": "on"}
    assert send(lab, reverse("discard"), **said).status_code == 302
    state = ledger.state(red)
    assert (state.status, state.thaws, state.unit) == ("discarded", 1, None)
    assert "Biohazardous waste" in lab.get(reverse("discard")).content.decode()


def test_a_curator_adds_a_box_and_moves_it(sign_in, store):
    curator = sign_in("curator")
    answer = send(
        curator, reverse("unit_add"), code="nlb-b007", kind="box", name="Box 7", parent="nlb-r1", rows="9",
        cols="9", naming="1-81", nominal_centi="", reason="new box",
    )  # fmt: skip
    assert answer.url == reverse("unit", args=["NLB-B007"])
    page = curator.get(answer.url).content.decode()
    assert "Map" in page and ">81<" in page and "−80.0 °C, from what it stands in" in page
    answer = send(curator, reverse("unit_move", args=["NLB-B007"]), to="NLB-S1", reason="rack is full")
    assert answer.status_code == 302 and ledger.units()["NLB-B007"] == "NLB-S1"
    answer = send(curator, reverse("unit_move", args=["NLB-S1"]), to="NLB-S1", reason="by mistake")
    assert answer.status_code == 422 and b"unit_inside_itself" in answer.content


def test_set_points_are_typed_in_degrees(sign_in, store):
    send(
        sign_in("curator"), reverse("unit_add"), code="NLB-T1", kind="tank", name="Tank 1", naming="A1",
        nominal_centi="-190", alarm_above_centi="-150.5", reason="bought",
    )  # fmt: skip
    tank = Unit.objects.get(code="NLB-T1")
    assert (tank.nominal_centi, tank.alarm_above_centi, tank.alarm_below_centi) == (-19000, -15050, None)
    page = sign_in("curator").get(reverse("unit", args=["NLB-T1"])).content.decode()
    assert "Liquid nitrogen" in page


def test_an_auditor_looks_at_a_box_without_buttons(sign_in, store, tubes):
    page = sign_in("auditor").get(reverse("unit", args=[BOX])).content.decode()
    assert "Put tubes in here" not in page and reverse("put_away") not in page


def counted(client, django_assert_max_num_queries, address):
    with django_assert_max_num_queries(40) as asked:
        assert client.get(address).status_code == 200
    return len(asked)


def test_list_pages_ask_as_often_for_30_as_for_3(store, lab, tubes, django_assert_max_num_queries):
    actor = store.actor("labtech")
    store_actions.put_away(actor, new_id(), [primary(tubes, n) for n in (RED, GEL, HEPARIN)], BOX, at=STORED)
    addresses = [reverse("bench"), reverse("aliquot"), reverse("store"), reverse("unit", args=[BOX])]
    addresses.append(reverse("put_away"))
    few = [counted(lab, django_assert_max_num_queries, address) for address in addresses]
    for _ in range(10):
        more = lab_set(store)
        store_actions.put_away(
            actor, new_id(), [primary(more, n) for n in (RED, GEL, HEPARIN)], BOX, at=STORED
        )
        curator = store.actor("curator")
        store_actions.add_unit(
            curator, new_id(), code=f"X{more.code}", kind="box", name="Box", rows=9, cols=9, parent="NLB-R1",
            reason="more room",
        )  # fmt: skip
    many = [counted(lab, django_assert_max_num_queries, address) for address in addresses]
    assert many == few
