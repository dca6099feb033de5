"""How codes, times, volumes and temperatures are written.

Sources named beside each check; where there is none: common practice, no source.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from xml.etree import ElementTree

import pytest
from django.template import Context, Template, engines

from biobank.models import ADDITIVES, MATRICES
from biobank.templatetags import signs, words
from custody.core.kinds import KINDS
from custody.core.state import STATUSES, Happening

# RFC 3339 section 5.8: 1990-12-31T15:59:60-08:00 is near, but a leap second; the first example has none.
RFC_3339 = datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)
RFC_3339_MS = 482_196_050_520


def render(text: str, **context: object) -> str:
    return engines["django"].from_string(text).render(context)


@pytest.mark.parametrize(
    ("given", "shown"),
    [("K7R2M103X", "K7R2M-103-X"), ("K7R2M-103-X", "K7R2M-103-X"), ("NLB-B0012", "NLB-B0012"), (None, "")],
)
def test_a_tube_code_is_shown_in_groups_and_anything_else_as_it_is(given, shown):
    # design.md section 5: shown as K7R2M-103-X
    assert words.tube_code(given) == shown


def test_milliseconds_and_datetimes_are_the_same_moment():
    # RFC 3339 5.8, first example; the zones' offsets at that date from the IANA database (tzdata)
    assert words.when(RFC_3339_MS, "UTC") == words.when(RFC_3339, "UTC") == "12 Apr 1985 23:20"
    assert words.when(RFC_3339_MS, "Europe/Oslo") == "13 Apr 1985 01:20"
    assert words.when_offset(RFC_3339_MS, "Europe/Oslo") == "13 Apr 1985 01:20 UTC+02:00"


def test_half_hour_and_western_offsets_are_written_with_their_sign():
    # IANA: St John's was UTC-03:30 in April 1985 (daylight time began on the 28th)
    assert words.when_offset(RFC_3339_MS, "America/St_Johns") == "12 Apr 1985 19:50 UTC−03:30"
    assert words.when_offset(RFC_3339_MS, "UTC") == "12 Apr 1985 23:20 UTC"


def test_both_hours_of_the_autumn_night_can_be_told_apart():
    # IANA: Europe/Oslo goes back at 2026-10-25 01:00 UTC
    before, after = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert words.when(before, "Europe/Oslo") == words.when(after, "Europe/Oslo")
    assert words.when_offset(before, "Europe/Oslo") != words.when_offset(after, "Europe/Oslo")


def test_the_time_element_carries_the_machine_form():
    # HTML standard, "time" element: a valid global date and time string
    said = words.moment(RFC_3339_MS, "Europe/Oslo", 90)
    assert 'datetime="1985-04-13T01:20:50+02:00"' in said
    assert "± 1 min" in said


def test_a_date_stays_a_date_and_nothing_is_not_known():
    assert words.when(date(2026, 5, 3)) == "3 May 2026"
    assert words.when(None) == words.when("") == words.moment(None) == "not known"


@pytest.mark.parametrize(
    ("ul", "shown"),
    [
        (0, "0 µL"), (1, "1 µL"), (999, "999 µL"), (1000, "1 mL"), (1001, "1.001 mL"), (1500, "1.5 mL"),
        (1050, "1.05 mL"), (10_000, "10 mL"), (None, "not known"), (-5, "−5 µL"), (-1500, "−1.5 mL"),
    ],
)  # fmt: skip
def test_a_volume_loses_no_microlitre(ul, shown):
    # SI brochure 9th ed., 5.4.3: a space before the unit; prefixes milli 10^-3 and micro 10^-6 (table 7)
    assert words.volume(ul) == shown


@pytest.mark.parametrize(
    ("centi", "shown"),
    [
        (-8000, "−80.0 °C"),
        (0, "0.0 °C"),
        (450, "4.5 °C"),
        (-5, "−0.05 °C"),
        (-1825, "−18.25 °C"),
        (None, "not known"),
    ],
)
def test_a_temperature_has_its_sign_and_its_space(centi, shown):
    # SI brochure 9th ed., 5.4.3: a space before °C
    assert words.celsius(centi) == shown


@pytest.mark.parametrize(
    ("ms", "shown"),
    [
        (0, "0 s"), (999, "0 s"), (41_000, "41 s"), (59_999, "59 s"), (60_000, "1 min"),
        (3_599_999, "59 min"),
        (3_600_000, "1 h"), (9_660_000, "2 h 41 min"), (172_799_999, "47 h 59 min"), (172_800_000, "2 d"),
        (273_600_000, "3 d 4 h"), (-300_000, "−5 min"), (None, "not known"),
    ],
)  # fmt: skip
def test_a_span_is_cut_and_never_rounded_up(ms, shown):
    # common practice, no source: "2 h 41 min" is design.md section 7's own example
    assert words.span(ms) == shown


def test_every_matrix_additive_and_kind_has_words_of_its_own():
    assert [words.matrix_words(code) for code, _ in MATRICES] == [said for _, said in MATRICES]
    assert [words.additive_words(code) for code, _ in ADDITIVES] == [said for _, said in ADDITIVES]
    assert len({words.kind_words(kind) for kind in KINDS}) == len(KINDS)
    assert words.kind_words("never_heard_of") == "never heard of"


def test_cap_colours_are_those_that_the_standard_recommends():
    # ISO 6710:2017 Annex F as given by tube makers' colour pages (reference: standards 2.4), from memory for
    # the table as a whole: EDTA lavender, citrate light blue, heparin green, fluoride grey, gel gold.
    usual = {"EDTK": "lavender", "C32": "light-blue", "HEPL": "green", "NAF": "grey", "SST": "gold"}
    for additive, colour in usual.items():
        assert signs.CAPS[colour] in words.cap(additive)


def test_a_cap_always_says_its_additive_and_guesses_no_colour():
    for additive, said in ADDITIVES:
        assert said in words.cap(additive)
    assert "stroke-dasharray" in words.cap("NONE")
    assert "stroke-dasharray" in words.cap("EDTK", "tartan")
    assert signs.CAPS["pink"] in words.cap("EDTK", "Pink")


ANSWERS = ["fit", "caution", "not_fit", "cannot_tell", "pass", "fail", "info"]


@pytest.mark.parametrize("name", [*STATUSES, *ANSWERS])
def test_every_status_and_answer_has_a_sign_and_a_word(name):
    drawing = re.search(r"<svg.*</svg>", words.mark(name))
    assert name in signs.MARKS and drawing
    assert ElementTree.fromstring(drawing[0].replace("focusable=", "id=")) is not None  # well-formed
    assert re.sub(r"<[^>]+>", "", words.mark(name)).strip() == signs.MARKS[name][0]


def test_no_two_answers_share_a_shape():
    # WCAG 2.2, 1.4.1: colour is never the only means. Colours are taken out before comparing.
    shapes = {re.sub(r"#[0-9a-f]{6}", "", signs.MARKS[name][1]) for name in ANSWERS}
    assert len(shapes) == len(ANSWERS)


def test_signs_need_no_style_and_escape_what_people_typed():
    # CSP level 3: style attributes are blocked by our policy; presentation attributes are not styles
    said = words.mark("fit", "<b>by hand</b>") + "".join(words.mark(name) for name in signs.MARKS)
    assert "style=" not in said and "<b>" not in said and "&lt;b&gt;" in said


def test_an_unknown_answer_keeps_its_word():
    assert "half done" in words.mark("half_done")


def test_the_facts_of_an_event_have_units():
    spun = Happening(1, "e", "spun", 0, "P2", "TFL", {"t": "K7R2M103X", "role": "subj"},
                     data={"g": 2000, "minutes": 10, "centi_c": 400, "brake": False})  # fmt: skip
    assert words.facts(spun) == [
        ("force", "2000 × g"), ("for", "10 min"), ("temperature", "4.0 °C"), ("brake", "no"),
    ]  # fmt: skip
    line = {"t": "K7R2M103X", "role": "to", "of": "K7R2M001T", "ul": 1000, "matrix": "SER"}
    aliquoted = Happening(2, "e", "aliquoted", 0, "P2", "TFL", line, data={"loss_ul": 50})
    assert words.facts(aliquoted) == [
        ("lost", "50 µL"), ("of", "K7R2M-001-T"), ("volume", "1 mL"), ("matrix", "serum"),
    ]  # fmt: skip


def test_every_field_of_every_kind_is_shown_to_people():
    samples = {"text": "word", "int": 3, "any int": -400, "bool": True, "object": {"g": 3}}
    for name, kind in KINDS.items():
        data = {key: samples[spec.rstrip("?")] for key, spec in kind.data.items()}
        shown = words.facts(Happening(1, "e", name, 0, "P2", "TFL", {}, data=data))
        assert len(shown) == len(data), name


def test_errors_keep_their_codes():
    from django import forms
    from django.core.exceptions import ValidationError

    form = forms.Form({})
    form.is_valid()
    form.add_error(None, ValidationError("B3 already holds %(tube)s.", "one_slot", {"tube": "a tube"}))
    assert words.coded(form.non_field_errors()) == [("B3 already holds a tube.", "one_slot")]


def test_keep_draws_once_and_escapes_as_usual():
    text = "{% keep h %}{{ name }}{% endkeep %}<title>{{ h|striptags }}</title><h1>{{ h }}</h1>"
    assert render(text, name="a & b") == "<title>a &amp; b</title><h1>a &amp; b</h1>"


def test_times_without_a_zone_use_the_programmes():
    from biobank import context

    context.zone.set("Europe/Oslo")
    assert words.when(RFC_3339_MS) == "13 Apr 1985 01:20"
    context.forget()
    assert words.when(RFC_3339_MS) == "12 Apr 1985 23:20"


def test_the_words_are_built_in():
    assert Template("{{ ul|volume }}").render(Context({"ul": 1500})) == "1.5 mL"
