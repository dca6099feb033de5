"""The page of a workup: what it shows beside the animal, each of its forms, how much it asks."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from biobank.core import codes
from biobank.field.actions import Filled, Missed, bind, draw, set_clock
from biobank.labels.actions import print_sets
from biobank.models import Girth, SamplePlan, TubeSet, Vital, Workup
from biobank.plans.actions import install
from custody import queries as ledger
from custody.core.event import new_id
from tests.people import BOUND, DRAWN, PRINTED, bound_set, drawn_set, make_animal, moment, printed_set

CITRATE, RED, GEL, HEPARIN, EDTA, SWAB = 1, 2, 3, 4, 5, 6


@pytest.fixture
def tubes(people):
    return bound_set(people)


@pytest.fixture
def tech(sign_in):
    return sign_in("fieldtech")


def tube(tube_set, number):
    return codes.make(tube_set.code, number)


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def page(tube_set, name="workup", *more):
    return reverse(name, args=[tube_set.workup.code, *more])


def typed(when):
    return when.strftime("%Y-%m-%dT%H:%M")


def send(browser, tube_set, **said):
    """One form of the page, as it is sent by a button or by Enter."""
    return browser.post(page(tube_set), {"key": new_id()} | said, follow=True)


def test_tubes_stand_in_order_of_draw_by_kind_and_shrink_as_they_are_filled(tech, tubes):
    shown = tech.get(page(tubes)).content.decode()
    wanted = re.findall(r'name="fill" value="(\w+)" aria-label', shown)
    assert [codes.number_of(code) for code in wanted] == [1, 2, 3, 4, 5, 6]
    assert 'id="blood"' in shown and 'id="swabs"' in shown and "sharps box" in shown
    answer = send(tech, tubes, scan=tube(tubes, CITRATE))
    assert "Filled: Citrate 2.7" in text(answer)
    left = re.findall(r'name="fill" value="(\w+)" aria-label', answer.content.decode())
    assert [codes.number_of(code) for code in left] == [2, 3, 4, 5, 6]
    assert "1 filled, 5 still empty" in text(answer)


def test_a_tap_a_run_the_ticked_ones_and_the_rest(tech, tubes):
    send(tech, tubes, fill=tube(tubes, EDTA))
    send(tech, tubes, tube=[tube(tubes, RED), tube(tubes, GEL)], ticked="1")
    run = " ".join(tube(tubes, n) for n in (EDTA, HEPARIN))  # the EDTA tube was filled meanwhile
    assert "Filled: Heparin 6" in text(send(tech, tubes, run=run))
    size = ledger.size()
    answer = send(tech, tubes, missed="rest", reason="flow stopped")
    assert "Not collected: 2 tubes, flow stopped." in text(answer)
    assert ledger.size() == size + 1
    assert "Every tube is accounted for." in text(answer)
    said = {n: ledger.state(tube(tubes, n)).status for n in range(1, 7)}
    assert [n for n, status in said.items() if status == "not_collected"] == [CITRATE, SWAB]
    assert [n for n, status in said.items() if status == "held"] == [RED, GEL, HEPARIN, EDTA]


def test_a_form_sent_twice_is_one_act(tech, tubes):
    said, size = {"key": new_id(), "scan": tube(tubes, RED)}, ledger.size()
    for _ in range(2):
        assert tech.post(page(tubes), said).status_code == 302
    assert ledger.size() == size + 1


def test_what_was_just_done_can_be_undone_from_the_page(tech, tubes):
    answer = send(tech, tubes, scan=tube(tubes, RED))
    undo = re.search(r'action="(/events/[^"]+/undo/)"', answer.content.decode())
    assert tech.post(undo[1], {"next": page(tubes)}).url == page(tubes)
    assert ledger.state(tube(tubes, RED)).status == "labelled"


@pytest.mark.parametrize(
    "said, ul", [({"share": "75"}, 7500), ({"share": "25"}, 2500), ({"ml": "4,2"}, 4200)]
)
def test_a_short_tube_is_said_by_a_share_or_in_millilitres(tech, tubes, said, ul):
    send(tech, tubes, scan=tube(tubes, RED))
    answer = send(tech, tubes, act="short", tube=tube(tubes, RED), **said)
    assert ledger.state(tube(tubes, RED)).volume_ul == ul
    assert "Blood is short" in text(answer) and "EDTA 4" in text(answer)  # first of the plan's ranking


@pytest.mark.parametrize(
    "said, code",
    [
        ({"scan": "K7R2M"}, "set_unknown"),
        ({"scan": "K7R2M103"}, "code_malformed"),
        ({"scan": "XAAAA-001-0"}, "code_check_digit"),
        ({"scan": codes.make("XAAAA", 1)}, "tube_unknown"),
        ({"scan": "x" * 61}, "max_length"),
        ({"scan": " "}, "nothing_said"),
        ({"ticked": "1"}, "nothing_said"),
        ({"run": "<script>"}, "nothing_said"),
        ({"missed": "rest", "reason": "because"}, "invalid_choice"),
        ({"missed": "rest"}, "reason_required"),
        ({"scan": "RED", "at": "2026-05-03T08:30"}, "time_before_capture"),
        ({"scan": "RED", "at": "2026-04-03T08:30"}, "time_before_parent"),
        ({"scan": "RED", "at": "2126-05-03T08:30"}, "time_in_future"),
        ({"scan": "RED", "at": "yesterday"}, "time_malformed"),
        ({"act": "short", "tube": "RED", "share": "50"}, "tube_not_drawn"),
        ({"act": "short", "tube": "RED", "share": "0"}, "volume_required"),
        ({"act": "short", "tube": "RED"}, "volume_required"),
        ({"act": "short", "tube": "RED", "ml": "4.0501"}, "max_decimal_places"),
        ({"act": "clock", "tap": "first_needle"}, "clock_unknown"),
        ({"scan": "RED", "key": "again"}, "invalid"),
    ],
)
def test_a_refusal_is_shown_with_its_code_and_changes_nothing(people, tech, tubes, said, code):
    set_clock(people.actor("fieldtech"), tubes.workup, {"net_closed": moment(9)})
    said = {name: tube(tubes, RED) if value == "RED" else value for name, value in said.items()}
    size, facts = ledger.size(), Workup.objects.values().get(pk=tubes.workup.pk)
    answer = send(tech, tubes, **said)
    assert answer.status_code == 422, text(answer)
    assert code in text(answer)
    assert (ledger.size(), Workup.objects.values().get(pk=tubes.workup.pk)) == (size, facts)


def test_nought_millilitres_are_not_a_short_draw(tech, tubes):
    send(tech, tubes, scan=tube(tubes, RED))
    answer = send(tech, tubes, act="short", tube=tube(tubes, RED), ml="0")
    assert answer.status_code == 422 and "volume_not_positive" in text(answer)


def test_another_animals_tube_is_not_filled_and_leads_to_its_page(people, tech, tubes):
    other = bound_set(people)
    answer = send(tech, tubes, scan=tube(other, RED))
    assert answer.status_code == 422 and "tube_of_another_set" in text(answer)
    assert page(other) in answer.content.decode()
    assert ledger.state(tube(other, RED)).status == "labelled"


def test_an_aliquots_label_leads_to_the_bench(tech, tubes):
    answer = send(tech, tubes, scan=tube(tubes, 101))
    assert "tube_is_for_aliquots" in text(answer) and reverse("bench") in answer.content.decode()


def test_a_tube_that_is_filled_already_shows_who_and_when_and_the_pad(people, tech, tubes):
    draw(people.actor("fieldtech"), new_id(), tubes, [Filled(tube(tubes, RED), DRAWN)])
    answer = send(tech, tubes, scan=tube(tubes, RED))
    assert "filled at 3 May 09:20 by Field tech already" in text(answer)
    assert f'name="tube" value="{tube(tubes, RED)}"' in answer.content.decode() and "½" in text(answer)
    assert "½" in text(tech.get(page(tubes), {"tube": tube(tubes, RED)}))


def test_a_bag_is_bound_by_scanning_it_on_the_page(people, tech):
    loose = printed_set(people)
    workup = Workup.objects.create(code="SKV-01", day=people.day)
    assert "the label of the bag" in text(tech.get(reverse("workup", args=["SKV-01"])))
    answer = tech.post(
        reverse("workup", args=["SKV-01"]),
        {"key": new_id(), "scan": codes.set_label(loose.code)},
        follow=True,
    )
    assert f"The set {loose.code} is bound to SKV-01" in text(answer)
    assert TubeSet.objects.get(pk=loose.pk).workup == workup


def test_a_chip_on_the_page_tells_the_animal_and_its_earlier_captures(people, tech, tubes):
    earlier = bound_set(people, animal=people.animal)
    answer = send(tech, tubes, scan="999000000000001")
    assert "The chip says who it is: A-0001" in text(answer)
    assert earlier.workup.code in text(answer)
    answer = send(tech, tubes, scan="12345")
    assert answer.status_code == 422 and "chip_" in text(answer)


def test_the_clock_is_tapped_undone_and_speaks(people, tech, tubes):
    people.programme.hand_limit_min = 20
    people.programme.save()
    start = (timezone.now() + timedelta(minutes=5)).replace(second=0, microsecond=0)
    with time_machine.travel(start, tick=False) as clock:
        assert "Undo" in text(send(tech, tubes, act="clock", tap="out_of_water"))
        assert (
            'name="tap" value="out_of_water"'
            in send(tech, tubes, act="clock", untap="out_of_water").content.decode()
        )
        send(tech, tubes, act="clock", tap="out_of_water")
        for minutes, word in [(14, "in time"), (1, "hurry"), (5, "over")]:
            clock.shift(timedelta(minutes=minutes))
            found = re.search(
                r'<li data-state="([a-z ]*)" data-since', tech.get(page(tubes)).content.decode()
            )
            assert found[1] == word
        send(tech, tubes, act="clock", tap="released")
        clock.shift(timedelta(hours=3))
        shown = tech.get(page(tubes)).content.decode()
    assert "data-since" not in shown and "<span data-minutes>20</span>" in shown  # it stopped at the release


def test_blood_is_always_said_and_what_is_left_by_the_ranking(people, tech, tubes):
    draw(people.actor("fieldtech"), new_id(), tubes, [Filled(tube(tubes, RED), DRAWN, 4250)])
    shown = tech.get(page(tubes), {"left": "4.5"})
    assert "4.2" in text(shown) and "Fill next, by the plan’s ranking with 4.5 mL" in text(shown)
    assert re.search(r"EDTA 4 +4 mL", text(shown)) and "500 µL of 5 mL" in text(shown)


def test_vitals_are_written_down_and_struck_out(tech, tubes):
    said = {"key": new_id(), "temp": "36,7", "heart": "84", "breaths": "", "at": typed(DRAWN)}
    for _ in range(2):
        assert tech.post(page(tubes, "workup_vitals"), said).url == page(tubes) + "#vitals"
    shown = text(tech.get(page(tubes)))
    assert "36.7 °C" in shown and "84 a minute" in shown and Vital.objects.count() == 2
    one = Vital.objects.get(kind="heart")
    assert tech.post(page(tubes, "workup_strike", one.pk), {"struck": "1"}).status_code == 302
    assert "<s>" in tech.get(page(tubes)).content.decode()
    assert Vital.objects.get(pk=one.pk).struck


@pytest.mark.parametrize(
    "name, said, code",
    [
        ("workup_vitals", {"temp": "85"}, "vital_out_of_range"),
        ("workup_vitals", {"heart": "-1"}, "min_value"),
        ("workup_vitals", {"temp": "warm"}, "invalid"),
        ("workup_vitals", {}, "nothing_said"),
        ("workup_measures", {"mass_g": "0"}, "mass_out_of_range"),
        ("workup_measures", {"mass_g": "10000"}, "mass_out_of_range"),
        ("workup_measures", {"mass_g": "1e99"}, "max"),
        ("workup_measures", {"length_mm": "-3"}, "length_out_of_range"),
        ("workup_measures", {"girth_neck": "4000"}, "length_out_of_range"),
    ],
)
def test_a_reading_or_measurement_that_cannot_be_is_refused_on_the_page(tech, tubes, name, said, code):
    answer = tech.post(page(tubes, name), {"key": new_id()} | said)
    assert answer.status_code == 422 and code in text(answer)
    assert not Vital.objects.exists() and not Girth.objects.exists()
    assert Workup.objects.get(pk=tubes.workup.pk).mass_g is None


def test_measurements_are_typed_in_kilograms_and_centimetres(tech, tubes):
    said = {
        "key": new_id(),
        "mass_g": "84.5",
        "mass_estimated": "on",
        "length_mm": "152",
        "girth_neck": "46,5",
    }
    assert tech.post(page(tubes, "workup_measures"), said).status_code == 302
    shown = text(tech.get(page(tubes)))
    assert "84.5 kg, estimated" in shown and "152 cm" in shown and "46.5 cm" in shown
    form = tech.get(page(tubes)).content.decode()
    assert 'value="84.5"' in form and 'value="46.5"' in form


@pytest.mark.parametrize("role, may", [("fieldtech", True), ("auditor", False), ("labtech", False)])
def test_who_may_only_look_is_shown_no_form_and_sends_none(people, sign_in, tubes, role, may):
    browser = sign_in(role)
    shown = browser.get(page(tubes)).content.decode()
    assert ("data-scan" in shown) is may and "Red 10" in shown
    for name in ["workup", "workup_vitals", "workup_measures", "workup_clock"]:
        answer = browser.post(page(tubes, name), {"key": new_id(), "scan": "", "act": ""})
        assert (answer.status_code == 403) is not may


def test_a_closed_day_says_why_it_changes(people, tech, tubes):
    people.day.closed = True
    people.day.save()
    answer = send(tech, tubes, scan=tube(tubes, RED), at=typed(DRAWN))
    assert answer.status_code == 422 and "day_closed" in text(answer)
    answer = send(tech, tubes, scan=tube(tubes, RED), at=typed(DRAWN), note="was left in the rack")
    assert "Filled: Red 10" in text(answer)


def small_plan(people):
    """Eight tubes to draw, no aliquots."""
    plan = SamplePlan.objects.create(programme=people.programme, code="EIGHT", name="Eight")
    for n in range(1, 9):
        plan.tubes.create(number=n, label=f"Red {n}", matrix="BLD", volume_ul=1000, order_of_draw=n)
    return plan


def worked(people, plan, animal):
    """A workup of a set of this plan: a third full, some short, one not collected, the rest empty."""
    actor = people.actor("fieldtech")
    tube_set = print_sets(actor, new_id(), plan, people.day, 1, at=PRINTED)[0]
    bind(actor, new_id(), tube_set, animal=animal, at=BOUND)
    tube_set = TubeSet.objects.get(pk=tube_set.pk)
    all_ = list(
        tube_set.tubes.filter(parent_hint="", planned__volume_ul__gte=500).values_list("code", flat=True)
    )
    third = len(all_) // 3
    draw(actor, new_id(), tube_set, [Filled(code, DRAWN) for code in all_[:third]])
    short = [Filled(code, DRAWN + timedelta(minutes=n), 300) for n, code in enumerate(all_[third:-2])]
    draw(actor, new_id(), tube_set, short, [Missed(all_[-1], "flow stopped")], at=DRAWN)
    return tube_set


def test_the_page_asks_as_often_for_110_tubes_as_for_8(people, tech):
    seal = install(people.programme, people.user("curator"), "SEAL-FULL")
    few = worked(people, small_plan(people), people.animal)
    many = worked(people, seal, make_animal(people.programme, "A-0002", "999000000000002"))
    assert (few.tubes.count(), many.tubes.count()) == (8, 110)

    def asked(tube_set):
        with CaptureQueriesContext(connection) as found:
            assert tech.get(page(tube_set)).status_code == 200
        return len(found)

    assert asked(few) == asked(many) <= 27  # three of them: who is signed in


def test_a_strangers_workup_and_another_programmes_tubes_are_not_there(people, tech, tubes):
    assert tech.get(reverse("workup", args=["W-0"])).status_code == 404
    assert tech.post(reverse("workup", args=["W-0"]), {"key": new_id(), "scan": ""}).status_code == 404
    other = drawn_set(people)
    address = page(tubes, "workup_strike", 99)
    assert tech.post(address, {"struck": "1"}).status_code == 404
    answer = send(tech, tubes, act="short", tube=tube(other, RED), share="50")
    assert answer.status_code == 422 and "tube_of_another_set" in text(answer)
