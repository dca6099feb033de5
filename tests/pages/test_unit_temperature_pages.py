"""Pages and papers of temperatures by unit and by tube, used as plain links and forms without script."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pypdfium2
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.models import Unit
from biobank.store import actions as store_actions
from custody.core.event import new_id
from tests.biobank.lab import EDTA, lab_set, primary
from tests.biobank.measured import DAY, HOUR, every_5_min, logger_in, utc
from tests.people import moment

pytestmark = pytest.mark.django_db
F1, BOX = "NLB-F1", "NLB-B001"
T0 = utc("2026-05-02T00:00")
WARM = (T0 + 2 * DAY, T0 + 2 * DAY + 2 * HOUR)
NOW = moment(12) + timedelta(days=7)
SEEING = {"fieldtech", "labtech", "curator", "auditor"}


@pytest.fixture
def logger(store):
    """Eight days at −80 °C in Freezer 1, two hours of them at −50 °C."""
    made = logger_in(store, "TL-1", F1)
    every_5_min(made, T0, T0 + 8 * DAY, lambda at: -5000 if WARM[0] <= at < WARM[1] else -8000)
    return made


@pytest.fixture
def tube(store):
    """Drawn on 3 May at 9:20, put into the box at 13:00."""
    made = primary(lab_set(store), EDTA)
    who = store.actor("labtech")
    store_actions.put_away(who, key=new_id(), tubes=[made], unit=BOX, slot="A1", at=moment(13), why="test")
    return made


@pytest.fixture
def desk(sign_in):
    with time_machine.travel(NOW, tick=False):
        yield sign_in("labtech")


def text_of(page):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode())))


def words_of(answer):
    with pypdfium2.PdfDocument(BytesIO(answer.content)) as paper:
        said = [page.get_textpage().get_text_bounded() for page in paper]
    return re.sub(r"\s+", " ", " ".join(said)), len(said)


def unit_page(code=F1, **said):
    return reverse("unit_temperature", args=[code]) + ("?" + "&".join(f"{k}={v}" for k, v in said.items()))


# who may ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", sorted(SEEING | {"collaborator"}))
@pytest.mark.parametrize(
    "name", ["temperatures", "unit_temperature", "unit_readings", "unit_report", "tube_temperature",
             "tube_temperature_pdf"],
)  # fmt: skip
def test_who_sees_what(logger, tube, sign_in, name, role):
    args = {"temperatures": [], "tube_temperature": [tube], "tube_temperature_pdf": [tube]}.get(name, [F1])
    answer = sign_in(role).get(reverse(name, args=args))
    wanted = 200 if role in SEEING else 403
    assert answer.status_code in ({wanted} if wanted == 200 else {403, 404})


@pytest.mark.parametrize("name", ["unit_temperature", "unit_readings", "unit_report"])
def test_a_unit_that_is_not_there_is_404(logger, desk, name):
    assert desk.get(reverse(name, args=["NLB-F99"])).status_code == 404


@pytest.mark.parametrize("name", ["tube_temperature", "tube_temperature_pdf"])
def test_a_tube_that_is_not_there_is_404(logger, desk, name):
    assert desk.get(reverse(name, args=["K7R2M103X"])).status_code == 404


def test_nothing_can_be_sent_to_these_pages(logger, tube, desk):
    for name, args in [("temperatures", []), ("unit_temperature", [F1]), ("tube_temperature", [tube])]:
        assert desk.post(reverse(name, args=args)).status_code == 405


def test_a_code_in_small_letters_leads_to_the_unit(logger, desk):
    assert desk.get(reverse("unit_temperature", args=["nlb-f1"])).url == unit_page().rstrip("?")


# one unit -----------------------------------------------------------------------------------------


def test_the_page_says_what_the_picture_shows(logger, desk):
    page = desk.get(unit_page())
    words = text_of(page)
    assert "Alarm above −65.0 °C" in words and "−50.0 °C" in words
    assert re.search(r"1 4 May 2026 0\d:\d\d 4 May 2026 0\d:\d\d 2 h .* above −65.0 °C TL-1", words)
    assert "TL-1" in words and "in air" in words and "not the sample" in words
    assert '<svg class="trace"' in page.content.decode() and 'role="img"' in page.content.decode()


def test_no_style_and_no_script_stands_in_the_pages(logger, tube, desk):
    """The content security policy forbids both; a picture on paper brings its own, a page never."""
    for address in (unit_page(), reverse("temperatures"), reverse("tube_temperature", args=[tube])):
        source = desk.get(address).content.decode()
        assert "<style" not in source and " style=" not in source
        assert not re.search(r"<script(?![^>]*src=)", source) and " onclick" not in source


def test_zoom_is_plain_links_that_keep_to_what_there_is(logger, desk):
    page = desk.get(unit_page()).content.decode()
    links = dict(re.findall(r'data-zoom="(\w+)" href="([^"]+)"', page))
    assert set(links) == {"earlier", "day", "week", "month", "year", "all"}  # nothing is later
    for link in links.values():
        answer = desk.get(reverse("unit_temperature", args=[F1]) + html.unescape(link))
        assert answer.status_code == 200
    all_of_it = desk.get(reverse("unit_temperature", args=[F1]) + html.unescape(links["all"]))
    assert "2 May 2026 02:00 to 10 May 2026" in text_of(all_of_it)


def test_an_address_shows_the_same_stretch_to_everybody(logger, desk, store):
    page = unit_page(**{"from": "2026-05-04T00:00Z", "to": "2026-05-04T02:00Z"})
    words = text_of(desk.get(page))
    assert "4 May 2026 02:00 to 4 May 2026 04:00" in words and "Readings 24" in words


def test_the_form_s_local_times_are_those_of_the_programme(logger, desk):
    page = unit_page(**{"from": "2026-05-04T02:00", "to": "2026-05-04T04:00"})
    assert "4 May 2026 02:00 to 4 May 2026 04:00" in text_of(desk.get(page))
    assert 'value="2026-05-04T02:00"' in desk.get(page).content.decode()


@pytest.mark.parametrize("odd", ["", "x", "2026-99-99", "<script>", "1e9", "0001-01-01", "9999-12-31T23:59Z"])
@pytest.mark.parametrize("name", ["unit_temperature", "unit_readings"])
def test_an_odd_address_is_answered(logger, desk, name, odd):
    answer = desk.get(reverse(name, args=[F1]), {"from": odd, "to": odd, "width": odd})
    assert answer.status_code == 200 and b"<script>" not in answer.content


def test_a_box_says_whose_limits_and_which_logger_count(logger, desk):
    words = text_of(desk.get(unit_page(BOX)))
    assert "Limits of NLB-F1, in which it stands" in words and "Freezer 1 (NLB-F1)" in words


def test_without_readings_the_page_says_so_and_what_is_assumed(store, desk):
    words = text_of(desk.get(unit_page()))
    assert "No readings." in words and "−80.0 °C is assumed" in words
    assert desk.get(reverse("unit_report", args=[F1])).status_code == 404
    assert desk.get(reverse("unit_readings", args=[F1])).json()["low"] is None


def test_a_stretch_before_the_first_reading_is_called_empty(logger, desk):
    page = desk.get(unit_page(**{"from": "2020-01-01", "to": "2020-01-02"}))
    words = text_of(page)
    assert page.status_code == 200 and "No readings and no set point in this time" in words
    assert "Lowest" not in words and "No data 24 h" in words


def test_the_numbers_are_of_the_same_stretch(logger, desk):
    said = desk.get(reverse("unit_readings", args=[F1]), {"from": "2026-05-03", "to": "2026-05-06"}).json()
    assert (said["from"], said["to"], said["tz"]) == (
        "2026-05-02T22:00Z", "2026-05-05T22:00Z", "Europe/Oslo"
    )  # fmt: skip
    assert min(said["c"]) == -8000 and max(said["c"]) == -5000 and len(said["beyond"]) == 1
    assert said["limits"] and said["limits"][0][2] == -6500
    assert [words for _, words in said["x"]] == [
        "3 May",
        "12:00",
        "4 May",
        "12:00",
        "5 May",
        "12:00",
        "6 May",
    ]


def test_acts_are_ticks_and_words(logger, tube, desk):
    page = desk.get(unit_page(**{"from": "2026-05-03", "to": "2026-05-04"}))
    words = text_of(page)
    assert "when the door was surely open" in words and "Acts at this unit: 1" in words
    assert 'class="door"' in page.content.decode()


def test_the_chart_library_is_the_version_that_its_name_says_and_brings_its_licence():
    """The npm package `uplot` 1.6.32 (MIT), file `dist/uPlot.iife.min.js`, unchanged."""
    folder = Path(__file__).resolve().parents[2] / "biobank/static/biobank/vendor"
    (script,) = folder.glob("uplot-*.min.js")
    version = re.match(r"uplot-([\d.]+)\.iife", script.name)[1]
    assert f"uPlot (v{version})" in script.read_text()[:200]
    assert (folder / f"uplot-{version}.min.css").exists()
    assert "MIT License" in (folder / f"uplot-{version}.LICENSE.txt").read_text()


def test_who_may_place_loggers_is_led_to_what_counts(logger, sign_in):
    governing = reverse("unit_governing", args=[F1])
    for role, may in [("labtech", True), ("fieldtech", False)]:
        page = sign_in(role).get(unit_page()).content.decode()
        assert (governing in page) is may and reverse("unit_nominal", args=[F1]) in page


# the list -----------------------------------------------------------------------------------------


def test_the_list_says_state_age_limits_and_probe(logger, sign_in, store):
    Unit.objects.create(
        code="NLB-F9", kind="freezer", name="Freezer 9", agency=store.nlb, nominal_centi=-8000
    )
    with time_machine.travel(moment(12) + timedelta(days=12), tick=False):
        words = text_of(sign_in("fieldtech").get(reverse("temperatures")))
    assert "no data for 5 d" in words and "no logger" in words
    assert "above −65.0 °C" in words and "TL-1, in air" in words and "set point −80.0 °C" in words
    with time_machine.travel(NOW - timedelta(hours=10), tick=False):
        words = text_of(sign_in("fieldtech").get(reverse("temperatures")))
    assert "in range" in words


def test_a_spark_says_its_numbers(logger, desk):
    with time_machine.travel(NOW - timedelta(hours=11), tick=False):
        page = html.unescape(desk.get(reverse("temperatures")).content.decode())
    assert "30 days: lowest −80.0 °C, highest −50.0 °C" in page
    assert "24 hours: lowest −80.0 °C, highest −80.0 °C" in page


def test_the_page_asks_no_more_for_30_units_than_for_3(store, desk):
    def add(first, last):
        for k in range(first, last):
            made = Unit.objects.create(
                code=f"NLB-G{k}", kind="freezer", name="G", agency=store.nlb, nominal_centi=-8000
            )
            store.units[made.code] = made
            every_5_min(logger_in(store, f"TL-{k}", made.code), T0, T0 + HOUR)

    def asked():
        with CaptureQueriesContext(connection) as found:
            assert desk.get(reverse("temperatures")).status_code == 200
        return len(found)

    add(0, 3)
    few = asked()
    add(3, 30)
    assert asked() == few <= 30


def test_the_menu_leads_there_and_to_the_loggers_beneath(logger, desk):
    page = desk.get(reverse("loggers")).content.decode()
    assert re.search(r'href="/temperature/" aria-current="page">Temperature', page)
    assert reverse("loggers") in desk.get(reverse("temperatures")).content.decode()


def test_units_loggers_and_tubes_lead_there(logger, tube, desk):
    for address in (reverse("unit", args=[F1]), reverse("logger", args=["TL-1"])):
        assert f'href="{reverse("unit_temperature", args=[F1])}"' in desk.get(address).content.decode()
    assert reverse("tube_temperature", args=[tube]) in desk.get(reverse("tube", args=[tube])).content.decode()


# one tube -----------------------------------------------------------------------------------------


def test_a_tube_s_page_names_stays_acts_and_what_is_not_known(logger, tube, desk):
    page = desk.get(reverse("tube_temperature", args=[tube]))
    words = text_of(page)
    assert "The first hours" in words and "The whole life" in words
    assert re.search(r"A Box 1 \(NLB-B001\) 3 May 2026 13:00 still there −80.0 °C TL-1", words)
    assert re.search(r"1 3 May 2026 09:20 Drawn \S+, TFL 2 3 May 2026 13:00 Put away", words)
    assert "no data" in words and "nobody's unit" in words
    source = page.content.decode()
    ids = re.findall(r'<pattern id="([^"]+)"', source)
    assert len(ids) == len(set(ids)) == 4  # two pictures, each with patterns of its own


def test_a_set_point_is_called_assumed(tube, desk):
    words = text_of(desk.get(reverse("tube_temperature", args=[tube])))
    assert "assumed: set point, nothing was measured" in words and "at the set point of a unit" in words


# on paper -----------------------------------------------------------------------------------------


def test_the_paper_of_a_tube_says_what_it_rests_on(logger, tube, desk):
    answer = desk.get(reverse("tube_temperature_pdf", args=[tube]))
    words, pages = words_of(answer)
    assert answer["Content-Type"] == "application/pdf" and pages <= 4
    assert "serial number SN-TL-1" in words and "not the sample" in words and "in air" in words
    assert "The first hours" in words and "By phase" in words and "Coverage" in words
    assert "above −65.0 °C" in words and "−50.0 °C" in words and "A NLB-B001" in words
    assert "Skarvik" not in words.replace("Skarvik Seal Survey", "") and "A-0001" not in words


def test_the_paper_of_a_unit_is_of_the_stretch_asked_for(logger, desk):
    address = reverse("unit_report", args=[F1]) + "?from=2026-05-04T00:00Z&to=2026-05-05T00:00Z"
    words, pages = words_of(desk.get(address))
    assert "4 May 2026 02:00 UTC+02:00 to 5 May 2026 02:00 UTC+02:00" in words and pages <= 2
    assert "Excursions 1" in words and "TL-1, serial number SN-TL-1" in words and "Readings 288" in words
