"""The life page of a tube, its table, and the page that says what the numbers mean.

The numbers of the worked example stand in the page's own text; here the code works them out again and
compares. They were worked by hand first: see the comments. Definitions: custody.core.thermal.
"""

from __future__ import annotations

import csv
import io
import re

import pytest
from django.urls import reverse

from biobank.models import ThermalResult, Tube
from biobank.temperature import recompute
from biobank.temperature.corrections import Certificate, Correction
from biobank.temperature.held import of
from biobank.temperature.life_inputs import FREEZE, THAW
from biobank.temperature.life_views import WORDS
from biobank.temperature.life_words import percent, shares
from custody.core.budget import Bands
from custody.core.phase import PhaseSummary, Stretch, join
from custody.core.spec import Spec
from custody.core.thermal import Series
from tests.biobank.lives import BLOOD, DEEPER, HOUR, MINUTE, SERUM, Field, at, feed, story

NOW = at(7440)


@pytest.fixture
def told(store):
    field = Field(store)
    for code in (BLOOD, SERUM, DEEPER):
        Tube.objects.create(code=code, label="Serum", matrix="SER")
    story(field)
    return field


def page(client, name, *args):
    return client.get(reverse(name, args=args))


def words(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


# --- the page -------------------------------------------------------------------------------------


def test_the_page_says_each_phase_and_how_much_of_it_was_measured(told, sign_in):
    text = words(page(sign_in("auditor"), "tube_life", SERUM))
    for said in (
        "Draw to spin", "Spin to aliquot", "Aliquot to freezer",
        "On the way in Ship, TFL to NLB", "Stored in Freezer 1",
        "The logger measures what its probe is in, not the sample", "not kept",
        "in a buffer (glycol, beads)",
        "measured 1 h 40 min (83.3 %)", "no data 20 min (16.6 %)",
    ):  # fmt: skip
        assert said in text, said


def test_the_sheet_is_never_older_than_what_is_known(told, sign_in):
    """A sheet has no place for "no longer up to date": what does not hold is worked out for it, not kept."""
    recompute.work_out([SERUM], NOW)

    def measured():
        text = page(sign_in("auditor"), "tube_life_csv", SERUM).content.decode()
        return float(list(csv.DictReader(io.StringIO(text)))[-1]["measured_s"])

    before = measured()
    feed(told.loggers["T-F"], 2410, 2510, lambda m: -80)
    assert measured() > before and ThermalResult.objects.count() == 1


def test_it_is_kept_by_a_button_and_then_up_to_date_and_then_not(told, sign_in):
    client = sign_in("labtech")
    assert "Keep it" in words(page(client, "tube_life", SERUM))
    answer = client.post(reverse("tube_life_again", args=[SERUM]), follow=True)
    assert "Up to date" in words(answer) and ThermalResult.objects.count() == 1
    assert "Work it out again" not in words(answer)
    client.post(reverse("tube_life_again", args=[SERUM]))
    assert ThermalResult.objects.count() == 1
    feed(told.loggers["T-F"], 2410, 2510, lambda m: -80)
    text = words(page(client, "tube_life", SERUM))
    assert (
        "No longer up to date" in text
        and "readings were added or changed" in text
        and "Work it out again" in text
    )
    assert "Up to date" in words(client.post(reverse("tube_life_again", args=[SERUM]), follow=True))
    assert ThermalResult.objects.filter(tube=SERUM).count() == 2


def test_who_may_what(told, sign_in):
    address = reverse("tube_life_again", args=[SERUM])
    for role in ("auditor", "fieldtech"):
        client = sign_in(role)
        assert page(client, "tube_life", SERUM).status_code == 200
        assert "Keep it" not in words(page(client, "tube_life", SERUM))
        assert client.post(address).status_code == 403
    assert sign_in("labtech").get(address).status_code == 405
    for name in ("tube_life", "tube_life_csv"):
        assert page(sign_in("collaborator"), name, SERUM).status_code in (403, 404)
    assert not ThermalResult.objects.exists()


def test_a_tube_never_filled_says_so(told, sign_in):
    client = sign_in("labtech")
    assert "Nothing was ever filled into this tube" in words(page(client, "tube_life", DEEPER))
    assert "holds nothing" in words(client.post(reverse("tube_life_again", args=[DEEPER]), follow=True))
    assert page(client, "tube_life_csv", DEEPER).status_code == 404


def test_a_code_with_hyphens_finds_the_page(told, sign_in):
    answer = page(sign_in("labtech"), "tube_life", f"{SERUM[:5]}-{SERUM[5:8]}-{SERUM[8:]}")
    assert answer.status_code == 302 and answer["Location"] == reverse("tube_life", args=[SERUM])


def test_the_page_needs_a_fixed_number_of_queries(told, sign_in, django_assert_max_num_queries):
    client = sign_in("labtech")
    recompute.work_out([SERUM, BLOOD], NOW)
    for code in (BLOOD, SERUM):
        with django_assert_max_num_queries(45):
            page(client, "tube_life", code)


def test_the_table_for_a_spreadsheet(told, sign_in):
    recompute.work_out([SERUM], NOW)
    rows = list(
        csv.DictReader(io.StringIO(page(sign_in("auditor"), "tube_life_csv", SERUM).content.decode()))
    )
    assert [row["phase"] for row in rows] == [
        "Draw to spin", "On the way in Cool", "Spin to aliquot", "Aliquot to freezer",
        "On the way in Ship, TFL to NLB", "Stored in Freezer 1", "Stored in F2", "The whole life",
    ]  # fmt: skip
    assert [row["within_the_one_before"] for row in rows] == [
        "no",
        "yes",
        "no",
        "no",
        "yes",
        "no",
        "no",
        "no",
    ]
    first, whole = rows[0], rows[-1]
    assert (first["from_utc"], float(first["above_s 8"]), first["lowest_c"]) == (
        "2026-05-03T07:00:00Z",
        1600,
        "4.0",
    )
    assert rows[2]["above_s 8"] == "" and rows[2]["lowest_c"] == ""  # not known is not nought
    assert (
        float(whole["length_s"])
        == sum(float(whole[n]) for n in ("measured_s", "assumed_s", "no_data_s"))
        == 7440 * 60
    )
    assert (rows[-2]["goes_on"], whole["goes_on"], whole["thaw_cycles"]) == ("yes", "yes", "1")


# --- shares ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ms", "length", "said"),
    [(1000, 1000, "100 %"), (9996, 10_000, "99.9 %"), (1, 10_000, "under 0.1 %"), (833, 1000, "83.3 %"),
     (500, 1000, "50 %")],
)  # fmt: skip
def test_a_share_is_never_rounded_up_to_all(ms, length, said):
    assert percent(ms, length) == said


def test_what_is_there_is_never_too_thin_to_be_seen():
    one = PhaseSummary("", 0, 1_000_000, 999_998, 1, 1)
    drawn = shares(one)
    assert [share.name for share in drawn] == ["measured", "assumed", "none"]
    assert sum(share.width for share in drawn) == pytest.approx(100) and min(s.width for s in drawn) == 1
    assert drawn[0].percent == "99.9 %" and drawn[2].percent == "under 0.1 %"


# --- what the numbers mean ------------------------------------------------------------------------


@pytest.fixture
def meaning(people, sign_in):
    return page(sign_in("fieldtech"), "meaning").content.decode()


def example(text):
    return {
        name: re.sub(r"<[^>]+>", "", said).strip()
        for name, said in re.findall(r'data-example="(\w+)">(.*?)</', text)
    }


TIMES = [0, 10, 20, 30, 40, 50, 60, 120, 130]  # minutes after 09:00
SHOWN = [4.0, 6.0, 10.0, 10.0, 8.0, 8.0, 5.0, 4.0, 4.0]
LIMITS_H = (48 * HOUR, 2 * HOUR)


def test_the_example_has_the_readings_that_are_worked_with(meaning):
    table = re.search(r'data-example="readings".*?</table>', meaning, re.S).group(0)
    cells = re.findall(r"<td>(.*?)</td>", table)
    assert cells == [f"{9 + m // 60:02d}:{m % 60:02d}" for m in TIMES] + [f"{x:.1f}" for x in SHOWN]


def test_the_numbers_of_the_example_are_those_that_the_code_works_out(meaning):
    series = Series([m * MINUTE for m in TIMES], [round(x * 100) for x in SHOWN], 30 * MINUTE)
    fridge, end = Stretch(0, 130 * MINUTE, series), 190 * MINUTE
    life = join("", [fridge, Stretch(130 * MINUTE, end, None, -2000)], [400, 800])
    cold = join("", [fridge], Spec((400, 800), bands=Bands((800,), LIMITS_H)))
    said = example(meaning)
    level = cold.measured_ms - cold.above[800] - cold.below[800]
    numbers = {
        "length": 190, "measured": life.measured_ms / MINUTE, "assumed": life.assumed_ms / MINUTE,
        "no_data": life.no_data_ms / MINUTE, "coverage": int(life.coverage * 1000) / 10,
        "lowest": life.min_centi / 100,
        "highest": life.max_centi / 100, "above_8": life.above[800] / MINUTE, "at_8": level / MINUTE,
        "below_8": cold.below[800] / MINUTE, "count_8": life.excursions_above[800],
        "longest_8": life.longest_above[800] / MINUTE, "longest_4": life.longest_above[400] / MINUTE,
        "mkt": cold.mean_kinetic_centi / 100, "used": round(cold.stability_used, 2),
    }  # fmt: skip
    assert {name: float(said[name]) for name in numbers} == numbers
    assert not life.longest_above_open[800] and life.longest_above_open[400]
    assert set(said) - set(numbers) == {"thaws", "corrected"}
    # by hand: half of 09:10-09:20 and the whole of 09:20-09:40; 10 min level; 15 + 10 + 10 below
    assert (numbers["above_8"], numbers["at_8"], numbers["below_8"]) == (25, 10, 35)
    assert numbers["used"] == round(45 / 60 / 48 + 25 / 60 / 2, 2) == 0.22


def test_the_thaw_cycles_of_the_example(meaning):
    values = [-20, -2, 1, -2, -8, -2, -0.5]
    series = Series([k * MINUTE for k in range(7)], [round(x * 100) for x in values], HOUR)
    found = join("", [Stretch(0, 6 * MINUTE, series)], Spec((), thaw=(FREEZE, THAW)))
    assert str(found.thaws) == example(meaning)["thaws"] == "1"


def test_the_correction_of_the_example(meaning):
    paper = Certificate("1", -(1 << 60), 1 << 60, ((400, 30, 20),))
    done = Correction(certificates=(paper,)).apply(of([0], [400], HOUR))
    assert f"{done.held.centi[0] / 100}" == example(meaning)["corrected"] == "4.3"


def test_every_word_has_its_anchor_and_every_anchor_its_word(meaning):
    anchors = re.findall(r'<div id="([\w-]+)"', meaning)
    assert anchors == [name for name, _ in WORDS]
    for name, said in WORDS:
        assert f'href="#{name}">{said}</a>' in meaning


def test_it_says_what_the_numbers_do_not_mean(meaning):
    text = re.sub(r"<[^>]+>", "", meaning)
    for said in (
        "measures what its probe is in, not the sample", "Chojnacky", "says nothing for frozen storage",
        "upper bound", "made for medicines and not for samples", "common practice, no source",
        "never called good",
    ):  # fmt: skip
        assert said in text, said


def test_a_collaborator_does_not_see_it(people, sign_in):
    assert page(sign_in("collaborator"), "meaning").status_code == 403
