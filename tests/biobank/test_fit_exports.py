"""A selection of verdicts as a file, and what who sees the catalogue alone reads on page and paper.

What each tube must get is worked out by hand from tests/biobank/fits.py.
"""

from __future__ import annotations

import csv
import io
import logging
import re
from datetime import timedelta

import pypdfium2
import pytest
import time_machine
from django.urls import reverse
from openpyxl import load_workbook

from biobank.acting import perform
from biobank.checks import fit_sheet
from biobank.core import codes
from biobank.models import Assay, Programme, Role, Rule, SamplePlan, TubeSet, Unit
from custody.core.event import new_id
from tests.biobank.fits import NOON, edta, gel, judge, rule_set, sets, spun, three_serum
from tests.people import make_person, moment

pytestmark = pytest.mark.django_db


@pytest.fixture
def law(people):
    return rule_set()


@pytest.fixture
def three(people, law):
    return three_serum(people)


def fetch(client, assay="POTAS", kind="csv", at=NOON, **query):
    with time_machine.travel(at, tick=False):
        return client.get(reverse("fit_assay", args=[assay]), query | {"as": kind})


def table(answer):
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


def pdf_text(content):
    return "\n".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(content))


# --- the three files ------------------------------------------------------------------------------------


def test_the_table_says_word_sentence_every_finding_coverage_rules_and_moment(three, sign_in):
    rows = {row["tube"]: row for row in table(fetch(sign_in("curator")))}
    fine, late, not_yet = (codes.show(one.code) for one in three)
    assert list(rows) == [row for row in rows if row != fine] + [fine]  # not fit first
    assert rows[fine]["answer"] == "fit" and rows[fine]["did_not_pass"] == ""
    assert rows[late]["answer"] == rows[not_yet]["answer"] == "not fit"
    assert rows[late]["did_not_pass"] == (
        "Spun 2 h 20 min after draw; limit 2 h. Spin it on the beach. [spun-2h]"
    )
    assert rows[not_yet]["sentence"].startswith("Not spun yet, 2 h 40 min after draw; limit 2 h.")
    assert rows[fine]["assay"] == "Potassium" and rows[fine]["rule_set"] == "TEST version 3"
    assert (rows[fine]["measured_percent"], rows[fine]["no_data_percent"]) == ("0", "100")
    assert rows[fine]["volume_ul"] == "5000" and rows[fine]["drawn_year"] == "2026"
    assert rows[fine]["as_of_utc"] == "2026-05-03T10:00:00Z"  # noon in Skarvik Bay


def test_the_spreadsheet_says_the_same_as_the_table(three, sign_in):
    client = sign_in("curator")
    book = load_workbook(io.BytesIO(fetch(client, kind="xlsx").content))
    rows = [
        ["" if cell is None else str(cell) for cell in row] for row in book.active.iter_rows(values_only=True)
    ]
    told = list(csv.reader(io.StringIO(fetch(client).content.decode("utf-8-sig"))))
    assert rows == told and rows[0] == fit_sheet.HEADINGS


def test_the_paper_says_the_same(three, sign_in):
    text = pdf_text(fetch(sign_in("curator"), kind="pdf").content)
    flat = re.sub(r"\s+", " ", text)
    for tube in three:
        assert codes.show(tube.code) in text
    assert "Fit for Potassium" in flat and "3 tubes: 2 not fit, 1 fit" in flat and "TEST version 3" in flat
    assert "Spun 2 h 20 min after draw; limit 2 h." in flat and "no data 100 %" in flat


def test_the_selection_is_the_one_on_the_page(three, sign_in):
    rows = table(fetch(sign_in("curator"), word="fit"))
    assert [row["tube"] for row in rows] == [codes.show(three[0].code)]
    text = re.sub(r"\s+", " ", pdf_text(fetch(sign_in("curator"), kind="pdf", word="fit").content))
    assert "Chosen by answer fit" in text


def test_a_file_is_worked_out_anew(three, people, sign_in):
    spun(people, three[2], 11, 15)  # as it turns out, it was spun in time
    rows = {row["tube"]: row for row in table(fetch(sign_in("curator"), word="not_fit"))}
    assert rows[codes.show(three[2].code)]["answer"] == "fit"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@cmd", "\t=1"])
def test_no_text_is_a_formula(three, sign_in, text):
    Assay.objects.filter(code="POTAS").update(name=f"{text}|calc")
    client = sign_in("curator")
    assert {row["assay"][0] for row in table(fetch(client))} == {"'"}
    sheet = load_workbook(io.BytesIO(fetch(client, kind="xlsx").content)).active
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


def test_too_many_are_refused_with_a_sentence_and_nothing_is_left_out_silently(three, sign_in, monkeypatch):
    monkeypatch.setattr(fit_sheet, "MOST", 2)
    monkeypatch.setattr(fit_sheet, "MOST_PAPER", 1)
    for kind, most in (("csv", 2), ("xlsx", 2), ("pdf", 1)):
        answer = fetch(sign_in("curator"), kind=kind)
        assert answer.status_code == 422 and answer["Content-Type"].startswith("text/html")
        assert f"3 tubes are chosen, and a {kind.upper()} holds at most {most}" in answer.content.decode()
        assert "selection_too_large" in answer.content.decode()
    assert len(table(fetch(sign_in("curator"), word="not_fit"))) == 2


def test_an_empty_selection_is_an_empty_table(three, sign_in):
    assert table(fetch(sign_in("curator"), word="caution")) == []
    assert fetch(sign_in("curator"), kind="pdf", word="caution").content.startswith(b"%PDF")


def test_every_export_is_logged_with_who_what_and_how_many(three, people, sign_in, caplog):
    with caplog.at_level(logging.INFO, logger="biobank.exports"):
        for role, kind in (("curator", "csv"), ("collaborator", "xlsx"), ("auditor", "pdf")):
            fetch(sign_in(role), kind=kind)
    said = [(one.who, one.what, one.rows) for one in caplog.records if one.name == "biobank.exports"]
    assert said == [
        (people.person("curator").code, "verdicts POTAS csv", 3),
        (people.person("collaborator").code, "verdicts POTAS xlsx", 3),
        (people.person("auditor").code, "verdicts POTAS pdf", 3),
    ]


def test_a_refused_export_is_not_logged(three, sign_in, caplog):
    with caplog.at_level(logging.INFO, logger="biobank.exports"):
        assert fetch(sign_in("curator"), word="splendid").status_code == 422
    assert not [one for one in caplog.records if one.name == "biobank.exports"]


# --- who sees the catalogue alone -----------------------------------------------------------------------


@pytest.fixture
def told(store, law):
    """A serum tube and a count tube with everything that could leak: a box, a person, an event, a gap, a
    container that names the place."""
    one = sets(store, 1)[0]
    lines = [{"t": tube.code, "role": "subj", "unit": "NLB-B001", "row": row, "col": 1}
             for row, tube in enumerate((gel(one), edta(one)), 1)]  # fmt: skip
    perform(store.actor("fieldtech"), "put_away", key=new_id(), at=moment(9, 40), strict=False, lines=lines)
    Rule.objects.create(rule_set=law, code="glass", kind="container", severity="caution", evidence="human",
                        source="invented for the tests", container_has="glass")  # fmt: skip
    perform(store.actor("fieldtech"), "corrected", key=new_id(), at=moment(9, 45), strict=False,
            data=_label(gel(one).code, "PET tube out of Freezer 1, Skarvik Bay"))  # fmt: skip
    judge([gel(one), edta(one)])
    return one


def _label(code, container):
    from custody import queries as ledger

    printed = next(one for one in ledger.history(code) if one.kind == "label_printed")
    n = next(k for k, line in enumerate(ledger.event(printed.id).lines) if line.get("t") == code)
    return {"of": printed.id, "reason": "typed wrong", "set": {"lines": [{"n": n, "container": container}]}}


CLOCK = re.compile(r"\b\d{1,2}:\d{2}\b")
DAY = re.compile(r"\b\d{1,2} (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b|\b2026-\d\d")
EVENT = re.compile(r"/events/|[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-")


def leaks(text, people):
    """What of places, people, moments and events stands in a text."""
    names = {*Unit.objects.values_list("code", flat=True), "Freezer 1", "Skarvik Bay", people.site.code}
    names |= {person.code for person in people.persons.values() if person.role != "collaborator"}
    found = [name for name in names if re.search(rf"(?<![\w]){re.escape(name)}(?![\w])", text)]
    return found + [hit.group() for one in (CLOCK, DAY, EVENT) for hit in [one.search(text)] if hit]


def body(answer):
    """The page between its frame, without the one-time tokens of forms."""
    return re.sub(
        r"csrfmiddlewaretoken[^>]*", "", answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    )


def test_nothing_leaks_to_who_sees_the_catalogue_alone(told, store, sign_in, settings):
    client = sign_in("collaborator")
    with time_machine.travel(NOON, tick=False):
        pages = [client.get(reverse("fit"))]
        pages += [client.get(reverse("fit_tube", args=[one.code])) for one in (gel(told), edta(told))]
        pages += [client.get(reverse("fit_assay", args=[name])) for name in ("POTAS", "FERRO", "COUNT")]
    for page in pages:
        assert page.status_code == 200 and leaks(body(page), store) == []
    for name in ("POTAS", "COUNT"):
        assert leaks(fetch(client, name).content.decode(), store) == []
        book = load_workbook(io.BytesIO(fetch(client, name, "xlsx").content)).active
        assert (
            leaks(" ".join(str(cell) for row in book.iter_rows(values_only=True) for cell in row), store)
            == []
        )
        paper = pdf_text(fetch(client, name, "pdf").content)
        assert leaks(paper.replace(settings.SITE_NAME, ""), store) == [], paper  # which ends in “Freezer”


def test_the_test_for_leaks_finds_them(told, store, sign_in):
    """What a curator reads on the same pages is just what the test above looks for."""
    client = sign_in("curator")
    with time_machine.travel(NOON, tick=False):
        tube = body(client.get(reverse("fit_tube", args=[gel(told).code])))
        rows = body(client.get(reverse("fit_assay", args=["POTAS"])))
    assert "Freezer 1" in leaks(tube, store) and "Skarvik Bay" in leaks(tube, store)
    assert any(EVENT.search(one) for one in leaks(tube, store))
    assert any(CLOCK.search(one) for one in leaks(rows, store)) and any(
        DAY.search(one) for one in leaks(rows, store)
    )


def test_the_catalogue_has_no_way_to_ask_for_a_place_or_a_day(told, sign_in):
    client = sign_in("collaborator")
    with time_machine.travel(NOON, tick=False):
        page = client.get(reverse("fit_assay", args=["POTAS"]))
        for query in (
            {"unit": "NLB-B001"},
            {"unit": "NOWHERE"},
            {"drawn_from": "2026-05-04"},
            {"order": "-drawn"},
        ):
            answer = client.get(reverse("fit_assay", args=["POTAS"]), query)
            assert answer.status_code == 200 and gel(told).code in answer.content.decode(), query
        assert (
            gel(told).code
            in client.get(reverse("fit_assay", args=["POTAS"]), {"year_from": 2026}).content.decode()
        )
        assert (
            gel(told).code
            not in client.get(reverse("fit_assay", args=["POTAS"]), {"year_from": 2027}).content.decode()
        )
    assert 'name="unit"' not in page.content.decode() and "order=drawn" not in page.content.decode()


def test_other_programmes_are_not_there(told, store, sign_in):
    """Of the tubes of another programme nobody learns anything, by no way in."""
    other = Programme.objects.create(code="FJELL", name="Fjell otters", tz="Europe/Oslo")
    plan = SamplePlan.objects.create(programme=other, code="OTTER", name="Otters")
    TubeSet.objects.filter(pk=told.pk).update(plan=plan)
    code = gel(told).code
    for role in ("collaborator", "curator", "labtech", "auditor"):
        client = sign_in(role)
        with time_machine.travel(NOON, tick=False):
            assert client.get(reverse("fit_tube", args=[code])).status_code == 404, role
            assert client.get(reverse("fit"), {"scan": code}).status_code == 422, role
            assert code not in client.get(reverse("fit_assay", args=["POTAS"])).content.decode(), role
            assert client.get(reverse("fit_assay", args=["POTAS"]), {"tubes": code}).status_code == 422, role
        assert table(fetch(client)) == [], role
        assert "1" not in re.sub(
            r"<[^>]+>", " ", client.get(reverse("fit")).content.decode().split("<tbody")[2]
        ), role
    stranger = make_person(other, store.nlb, Role.COLLABORATOR, "P9", "stranger")
    client = sign_in("collaborator")
    client.force_login(stranger.user)
    with time_machine.travel(NOON, tick=False):
        assert client.get(reverse("fit_tube", args=[code])).status_code == 200


def test_a_login_that_is_nobodys_reads_nothing(law, people, client, django_user_model):
    client.force_login(django_user_model.objects.create_user("nobody"))
    assert client.get(reverse("fit")).status_code == 403
    client.logout()
    assert client.get(reverse("fit")).status_code == 302


def test_a_discarded_tube_is_judged_as_it_was_and_its_day_stays_closed(told, store, sign_in):
    perform(store.actor("curator"), "discarded", key=new_id(), at=moment(11),
            data={"why": "used up", "method": "autoclaved"},
            lines=[{"t": gel(told).code, "role": "subj"}], strict=False)  # fmt: skip
    rows = table(fetch(sign_in("collaborator"), at=NOON + timedelta(days=1)))
    assert [row["as_of_utc"] for row in rows] == ["2026"]
