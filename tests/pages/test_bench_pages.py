"""The pages of bench and store, used as plain forms without script."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse

from biobank.acting import ms
from biobank.bench import actions as bench_actions
from biobank.core import codes
from biobank.models import Rotor, Unit
from biobank.store import actions as store_actions
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
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
    said = {"key": new_id(), f"ul_{vial}": "1000", "unspun_why": "stood overnight"}
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
    bench_actions.aliquot(
        store.actor("labtech"), new_id(), red, [(first, 500)], unspun_why="stood overnight", at=MADE
    )
    said = {"key": key, "unspun_why": "stood overnight", f"ul_{first}": "1000", f"ul_{second}": "1000"}
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


# spin, aliquot and grade, in more words ---------------------------------------------------------


@pytest.fixture
def rotor(store):
    return Rotor.objects.create(agency=store.tfl, name="Swing-out", places=2, radius_mm=170, max_rpm=4000)


def test_a_rotor_fills_the_radius_and_force_and_speed_follow_from_each_other(lab, tubes, rotor):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    said = {
        "tubes": lines(red),
        "rotor": rotor.pk,
        "g": "1711",
        "minutes": "10",
        "centi_c": "20",
        "brake": "yes",
    }
    page = lab.post(reverse("spin"), said | {"key": new_id()}, follow=True).content.decode()
    data = ledger.history(red)[-1].data
    assert (
        data["radius_mm"] == 170 and abs(data["rpm"] - 3000) <= 1
    )  # standards.md 2.3: 17 cm, 3000 rpm, 1711 g
    assert "SPREC centrifugation B" in page and "Take note" not in page
    said |= {"tubes": lines(gel, primary(tubes, HEPARIN), primary(tubes, EDTA)), "g": "", "rpm": "3000"}
    page = lab.post(reverse("spin"), said | {"key": new_id()}, follow=True).content.decode()
    assert ledger.history(gel)[-1].data["g"] == 1711
    assert "3 tubes were in this run, and Swing-out has 2 places" in page


def test_what_a_rotor_cannot_do_and_a_tube_twice_are_refused(lab, tubes, rotor):
    red, size = primary(tubes, RED), ledger.size()
    said = {"tubes": lines(red), "rotor": rotor.pk, "rpm": "4001", "minutes": "10"}
    answer = send(lab, reverse("spin"), **said)
    assert answer.status_code == 422 and "rotor_too_fast" in answer.content.decode()
    answer = send(
        lab, reverse("spin"), **said | {"rpm": "4000", "tubes": lines(red, primary(tubes, GEL), red)}
    )
    assert answer.status_code == 422 and f"{codes.show(red)} is in this run twice" in answer.content.decode()
    assert ledger.size() == size


def test_the_speed_of_a_force_is_worked_out_too(lab, tubes):
    said = {"tubes": primary(tubes, RED), "g": "5590", "radius_mm": "50", "minutes": "10", "work_out": "1"}
    page = send(lab, reverse("spin"), **said).content.decode()
    assert re.search(r'name="rpm" value="(9999|10000|10001)"', page)
    answer = send(lab, reverse("spin"), **said | {"radius_mm": ""})
    assert answer.status_code == 422 and "radius_missing" in answer.content.decode()


def spun(store, tubes):
    rack = [primary(tubes, n) for n in (RED, GEL, HEPARIN)]
    bench_actions.spin(
        store.actor("labtech"), new_id(), rack, g=2000, minutes=10, centi_c=2000, brake=True, at=SPUN
    )


def test_the_proposal_is_on_the_page_with_where_it_comes_from(store, lab, tubes):
    spun(store, tubes)
    page = lab.get(reverse("aliquot_tube", args=[primary(tubes, RED)])).content.decode()
    assert page.count('value="1000"') == 4 and "4 mL" in page
    assert "northernlighthealth.org" in page and "polypropylene" in page and "B-N" in page


def test_a_measured_volume_is_worked_out_and_saves_nothing(store, lab, tubes):
    spun(store, tubes)
    address, size = reverse("aliquot_tube", args=[primary(tubes, RED)]), ledger.size()
    answer = send(lab, address, recovered_ul="2500", hct_pct="60", at="2026-05-03T10:40", work_out="1")
    page = answer.content.decode()
    assert answer.status_code == 200 and ledger.size() == size
    assert page.count('value="1000"') == 2 and page.count("do not suffice for it") == 2
    assert 'value="2500"' in page and 'value="2026-05-03T10:40"' in page and "25 %" in page
    for said, code in [
        ({"recovered_ul": "12000"}, "volume_not_negative"),
        ({"hct_pct": "99"}, "hct_out_of_range"),
    ]:
        answer = send(lab, address, work_out="1", **said)
        assert answer.status_code == 422 and code in answer.content.decode()
    for typed in ("much", "--5", "1" * 30):
        assert send(lab, address, work_out="1", recovered_ul=typed).status_code == 422


def test_what_is_saved_says_loss_and_yield_and_keeps_what_was_measured(store, lab, tubes):
    spun(store, tubes)
    red, vials = primary(tubes, RED), aliquots(tubes, RED)
    said = {f"ul_{vials[0]}": "1000", f"ul_{vials[1]}": "1000", f"ul_{vials[2]}": "", f"ul_{vials[3]}": ""}
    said |= {"recovered_ul": "2100", "rack": lines(*vials[:2]), "key": new_id()}
    page = lab.post(reverse("aliquot_tube", args=[red]), said, follow=True).content.decode()
    assert "2 mL in 2 vials, 0.1 mL lost; 2.1 mL recovered of 10 mL of blood, a yield of 21 %." in page
    assert dict(ledger.history(red)[-1].data) == {"loss_ul": 100, "recovered_ul": 2100}
    assert lab.post(reverse("aliquot_tube", args=[red]), said).status_code == 302  # sent again
    assert ledger.state(red).volume_ul == 7_900


@pytest.mark.parametrize(
    "said, code",
    [
        ({"recovered_ul": "1500"}, "volume_over_recovered"),
        ({"recovered_ul": "11000"}, "volume_not_negative"),
        ({"loss_ul": "9000"}, "volume_not_negative"),
        ({"rack": [1, 0]}, "rack_order"),
        ({"rack": [0, 0]}, "line_twice"),
        ({"others": [0], "others_ul": "100"}, "line_twice"),
        ({"rack": "hello"}, "code_malformed"),
    ],
)
def test_what_does_not_balance_or_stands_elsewhere_is_refused_and_stays_typed(store, lab, tubes, said, code):
    spun(store, tubes)
    vials, size = aliquots(tubes, RED), ledger.size()
    said = {k: lines(*(vials[n] for n in v)) if isinstance(v, list) else v for k, v in said.items()}
    said |= {f"ul_{vials[0]}": "1000", f"ul_{vials[1]}": "1000"}
    answer = send(lab, reverse("aliquot_tube", args=[primary(tubes, RED)]), **said)
    page = answer.content.decode()
    assert answer.status_code == 422 and code in page and 'value="1000"' in page
    assert ledger.size() == size
    if said.get("recovered_ul") == "1500":  # what stands beside the form goes by what was typed
        assert "15 % of the blood" in page


def test_plasma_in_a_serum_vial_and_serum_without_a_spin_are_refused_on_the_page(store, lab, tubes):
    vial = aliquots(tubes, HEPARIN)[0]
    address = reverse("aliquot_tube", args=[primary(tubes, HEPARIN)])
    answer = send(lab, address, **{f"ul_{vial}": "500"})
    assert answer.status_code == 422 and "parent_not_spun" in answer.content.decode()
    assert b"unspun_why" in answer.content
    spun(store, tubes)
    tubes.tubes.filter(code=vial).update(matrix="SER")
    answer = send(lab, address, **{f"ul_{vial}": "500"})
    page = answer.content.decode()
    assert "the label says serum, and blood in lithium heparin gives plasma" in page
    assert b"unspun_why" not in answer.content and answer.status_code == 422


def test_a_row_for_each_tube_takes_its_own_grades(lab, tubes):
    red, gel, address = primary(tubes, RED), primary(tubes, GEL), reverse("grade")
    answer = send(lab, address, tubes=lines(red, gel), haemolysis="1", rows="1")
    page = answer.content.decode()
    assert answer.status_code == 200 and f'name="icterus_{gel}"' in page and "Gel 5" in page
    said = {
        "tubes": lines(red, gel), "haemolysis": "1",
        f"haemolysis_{gel}": "3", f"haemolysis_cmgdl_{gel}": "100,5",
        f"lipaemia_cmgdl_{red}": "119.99", f"lipaemia_{red}": "0", "key": key_on(answer),
    }  # fmt: skip
    page = lab.post(address, said, follow=True).content.decode()
    assert (
        f"{codes.show(gel)}: haemolysis was graded 3, and 100.50 mg/dL" in page
        and page.count("Take note") == 1
    )
    assert ledger.event(said["key"]).lines == [
        {"t": red, "role": "subj", "haemolysis": 1, "lipaemia": 0, "lipaemia_cmgdl": 11_999},
        {"t": gel, "role": "subj", "haemolysis": 3, "haemolysis_cmgdl": 10_050},
    ]


@pytest.mark.parametrize("typed", ["-1", "1.234", "pink", "60000"])
def test_what_is_no_measured_value_is_refused_in_its_row(lab, tubes, typed):
    red, size = primary(tubes, RED), ledger.size()
    answer = send(lab, reverse("grade"), tubes=red, **{f"icterus_cmgdl_{red}": typed})
    assert answer.status_code == 422 and f'value="{typed}"' in answer.content.decode()
    assert ledger.size() == size


def test_a_link_with_tubes_opens_their_rows(lab, tubes):
    page = lab.get(reverse("grade"), {"tube": [primary(tubes, RED), "nonsense"]}).content.decode()
    assert f'name="lipaemia_{primary(tubes, RED)}"' in page and page.count("<tr>") == 2


def test_grades_and_vials_ask_as_often_for_30_as_for_3(store, lab, tubes, django_assert_max_num_queries):
    asked = []
    for count in (3, 30):
        store.plan.tubes.get(number=RED).made.update(count=count, ul=100)
        more = lab_set(store)
        spun(store, more)
        names = aliquots(more, RED)
        rows = reverse("grade") + "?" + "&".join(f"tube={code}" for code in names)
        address = reverse("aliquot_tube", args=[primary(more, RED)])
        asked.append([counted(lab, django_assert_max_num_queries, one) for one in (rows, address)])
        assert len(names) == count
    assert asked[0] == asked[1]


# store ------------------------------------------------------------------------------------------


def test_pull_thaw_and_discard_by_forms(store, lab, tubes):
    red = primary(tubes, RED)
    store_actions.put_away(store.actor("labtech"), new_id(), [red], BOX, at=STORED)
    assert send(lab, reverse("pull"), tubes=red, why="for an assay").status_code == 302
    assert send(lab, reverse("thaw"), tubes=red).status_code == 302
    said = {"tubes": red, "why": "used up", "method": "autoclaved", "sure": "on"}
    said |= {"witness": "curator", "witness_password": builders.PASSWORD}
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
