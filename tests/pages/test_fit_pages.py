"""The verdict pages: what assays there are, one tube for all of them, one assay for many tubes, and who
reads what.

What each tube must get is worked out by hand from tests/biobank/fits.py: drawn at 09:20, spin limit 2 h.
"""

from __future__ import annotations

import csv
import html
import io
import re

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.acting import perform
from biobank.checks import fit_due
from biobank.checks.work_actions import answer_override, ask_override
from biobank.core import codes
from biobank.models import Judgement, Person, Role, RuleSet
from custody.core.event import new_id
from tests.biobank.fits import (
    LATE,
    NOON,
    TEN,
    edta,
    gel,
    graded,
    judge,
    rule_set,
    sets,
    spun,
    three_serum,
    tube_of,
)
from tests.people import make_person, moment

pytestmark = pytest.mark.django_db
READING = ["fieldtech", "labtech", "curator", "collaborator", "auditor"]


@pytest.fixture
def law(people):
    return rule_set()


@pytest.fixture
def one_set(people, law):
    return sets(people, 1)[0]


def words(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace("&#x27;", "'")


def get(client, name, *args, at=TEN, **query):
    with time_machine.travel(at, tick=False):
        return client.get(reverse(name, args=args), query)


def listed(answer):
    """The codes in the table of an assay's page, in order."""
    return re.findall(r'class="code" href="/fit/([0-9A-Z]{9})/#', answer.content.decode())


# --- one tube x all assays ------------------------------------------------------------------------------


def test_every_role_reads_the_same_answer(one_set, sign_in):
    for role in READING:
        answer = get(sign_in(role), "fit_tube", gel(one_set).code)
        text = words(answer)
        assert answer.status_code == 200, role
        assert "Serum, short lived" in text and "Potassium" in text and "Iron" in text, role
        assert "Not spun yet, 40 min after draw; limit 2 h. Spin it on the beach." in text, role
        assert "cannot tell × 1" in text and "not fit × 1" in text, role


def test_the_answer_follows_the_bench(one_set, people, sign_in):
    """Spun at 11:20, the last minute: pass. Haemolysis 1 of at most 1: fit. Iron wants 6 mL: not fit."""
    tube, client = gel(one_set), sign_in("labtech")
    graded(people, tube, 1)
    spun(people, tube, 11, 20)
    text = words(get(client, "fit_tube", tube.code, at=NOON))
    assert "Spun 2 h after draw; limit 2 h." in text and "Haemolysis grade 1; at most grade 1." in text
    assert "5 mL left; at least 6 mL." in text
    assert re.search(r"1 not fit 1 fit", text)


def test_why_opens_the_facts_down_to_events_and_readings(one_set, people, sign_in):
    tube = gel(one_set)
    key = spun(people, tube, 11, 30)
    page = get(sign_in("curator"), "fit_tube", tube.code, at=NOON).content.decode()
    assert reverse("event", args=[key]) in page
    text = words(get(sign_in("curator"), "fit_tube", tube.code, at=NOON))
    for said in ("Fact: 2 h 10 min", "Limit: 2 h", "Stop: a fail makes it not fit",
                 "spun-2h of TEST version 3",
                 "other species, studied in bottlenose dolphins",
                 "Source (its abstract was read): invented for the tests"):  # fmt: skip
        assert said in text, said
    assert f'href="{reverse("rule_set", args=["TEST", 3])}#spun-2h"' in page
    count = get(sign_in("curator"), "fit_tube", edta(one_set).code, at=NOON).content.decode()
    assert reverse("tube_life", args=[edta(one_set).code]) in count


def test_a_rule_for_a_family_or_for_all_is_explained_once(one_set, sign_in):
    page = get(sign_in("labtech"), "fit_tube", gel(one_set).code).content.decode()
    for code, anchor in (("spun-2h", "finding-spun-2h-SERA"), ("settled", "finding-settled")):
        assert page.count(f'id="{anchor}"') == 1, code
    assert page.count('href="#finding-spun-2h-SERA"') == 2  # from each member


def test_ids_are_unique(one_set, sign_in):
    page = get(sign_in("labtech"), "fit_tube", gel(one_set).code).content.decode()
    found = re.findall(r' id="([^"]+)"', page)
    assert len(found) == len(set(found))


def test_coverage_is_shown_as_bar_and_numbers(one_set, sign_in):
    for role, said in (("labtech", "no data 40 min (100 %)"), ("collaborator", "no data 100 %")):
        answer = get(sign_in(role), "fit_tube", gel(one_set).code)
        assert 'class="cover"' in answer.content.decode()
        assert said in words(answer)


def test_how_sure_says_what_is_missing_and_where_it_is_supplied(one_set, sign_in):
    page = get(sign_in("labtech"), "fit_tube", gel(one_set).code)
    text, html = words(page), page.content.decode()
    assert "Haemolysis was not graded. Look at it against the light and grade it." in text
    assert reverse("grade") in html and reverse("spin") in html
    assert "No spin was logged." in text
    bare = get(sign_in("auditor"), "fit_tube", gel(one_set).code)
    assert "Haemolysis was not graded." in words(bare)
    assert reverse("grade") not in bare.content.decode()


def test_what_has_not_happened_yet_has_its_time_left(one_set, sign_in):
    text = words(get(sign_in("labtech"), "fit_tube", gel(one_set).code))
    assert "1 h 20 min left." in text  # 11:20 less 10:00
    late = words(get(sign_in("labtech"), "fit_tube", gel(one_set).code, at=NOON))
    assert " 1 h 20 min left." not in late and "21 h 20 min left." in late  # iron within 24 h of the draw


def test_time_left_says_for_what_and_not_for_what_is_lost(one_set, people, sign_in):
    """Its spin is due by 11:20 for the whole family. Iron is lost to its volume already, potassium is not:
    so the spin counts down for the family, and the freezing of iron, due within a day, for nobody."""
    panel = get(sign_in("labtech"), "fit_tube", gel(one_set).code).content.decode()
    panel = panel.partition("<h2>Time left</h2>")[2].partition("</section>")[0]
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", panel))
    assert "1 h 20 min left for Serum, short lived." in text, text
    assert "Iron" not in text and text.count(" left ") == 1, text


def test_a_passport_is_one_press_away_for_all_who_may_have_one_and_not_for_an_empty_tube(one_set, sign_in):
    tube = gel(one_set)
    for role in READING:
        page = get(sign_in(role), "fit_tube", tube.code).content.decode()
        paper = reverse("passport", args=[tube.code])
        assert f'href="{paper}"' in page and f'href="{paper}?assay=POTAS"' in page, role
    empty = next(one for one in one_set.tubes.all() if "Nothing was ever filled" in words(
        get(sign_in("labtech"), "fit_tube", one.code)))  # fmt: skip
    bare = get(sign_in("labtech"), "fit_tube", empty.code).content.decode()
    assert reverse("passport", args=[empty.code]) not in bare


def test_a_code_with_hyphens_finds_the_page(one_set, sign_in):
    code = gel(one_set).code
    answer = get(sign_in("labtech"), "fit_tube", codes.show(code))
    assert answer.status_code == 302 and answer["Location"] == reverse("fit_tube", args=[code])


def test_the_tube_page_says_it_in_short_and_leads_there(one_set, sign_in):
    answer = get(sign_in("labtech"), "tube", gel(one_set).code)
    text = words(answer)
    assert "Serum, short lived not fit × 1 cannot tell × 1 Iron:" in text
    assert reverse("fit_tube", args=[gel(one_set).code]) in answer.content.decode()


# --- a sentence where there is no answer ----------------------------------------------------------------


def test_no_rules_no_assay_nothing_in_it_and_unknown_codes(people, one_set, sign_in):
    client, swab = sign_in("labtech"), tube_of(one_set, 6)
    assert "No assay takes what is in this tube" in words(get(client, "fit_tube", swab.code))
    empty = one_set.tubes.exclude(parent_hint="").first()
    assert "Nothing was ever filled into this tube" in words(get(client, "fit_tube", empty.code))
    assert get(client, "fit_tube", "K7R2M-103-Y").status_code == 404
    assert get(client, "fit_tube", "nonsense").status_code == 404
    assert get(client, "fit_assay", "NOSUCH").status_code == 404
    assert "No tube was judged for this assay yet." in words(get(client, "fit_assay", "COUNT"))
    assert "Each of its assays is judged by itself" in words(get(client, "fit_assay", "SERA"))
    RuleSet.objects.update(status="retired")
    for name, arg in (("fit_tube", gel(one_set).code), ("fit_assay", "COUNT")):
        assert "No rule set is in force, so no tube can be judged." in words(get(client, name, arg))
    assert "No rule set is in force" in words(get(client, "fit"))
    assert "No rule set is in force" in words(get(client, "tube", gel(one_set).code))


# --- which assays ---------------------------------------------------------------------------------------


def test_the_first_page_shows_families_with_members_and_counts(one_set, sign_in):
    judge([gel(one_set), edta(one_set)])
    answer = get(sign_in("labtech"), "fit")
    rows = re.findall(r"<tr.*?</tr>", answer.content.decode(), re.S)
    said = [re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", row)).strip() for row in rows]
    assert any(row.startswith("Serum, short lived") for row in said)
    assert next(row for row in said if row.startswith("Potassium")).split()[1:5] == ["0", "0", "1", "0"]
    assert next(row for row in said if row.startswith("Iron")).split()[1:5] == ["0", "0", "0", "1"]
    assert "3 May 2026 10:00" in words(answer)


def test_time_that_ran_out_is_counted(one_set, sign_in):
    judge([edta(one_set)])
    Judgement.objects.update(until_ms=1)
    row = re.search(r"Blood count.*", words(get(sign_in("labtech"), "fit"))).group()
    assert re.search(r"10:00 1\b", row)


def test_a_scan_leads_to_the_tube(one_set, sign_in):
    code = gel(one_set).code
    answer = get(sign_in("collaborator"), "fit", scan=codes.show(code))
    assert answer.status_code == 302 and answer["Location"] == reverse("fit_tube", args=[code])
    assert get(sign_in("labtech"), "fit", scan="K7R2M-103-Y").status_code == 422
    unknown = get(sign_in("labtech"), "fit", scan=codes.make("K7R2M", 55))
    assert unknown.status_code == 422 and "tube_unknown" in words(unknown)


# --- one assay x a selection ----------------------------------------------------------------------------


@pytest.fixture
def three(people, law):
    return three_serum(people)


def test_the_list_says_word_sentence_and_coverage(three, sign_in):
    text = words(get(sign_in("curator"), "fit_assay", "POTAS", at=NOON))
    assert "3 tubes." in text and "Spun 2 h 20 min after draw; limit 2 h." in text
    assert "3 rules checked; nothing speaks against it." in text and "no data 2 h 40 min (100 %)" in text


def test_filters_and_orders(three, people, sign_in):
    fine, late, not_yet = (one.code for one in three)
    client = sign_in("curator")

    def shown(**query):
        return set(listed(get(client, "fit_assay", "POTAS", at=NOON, **query)))

    assert shown(word="fit") == {fine}
    assert shown(word="not_fit") == {late, not_yet}
    assert shown(matrix="SER") == set() and shown(matrix="BLD") == {fine, late, not_yet}
    assert shown(tubes=f"{codes.show(late)}\n{fine}") == {fine, late}
    assert shown(tube_set=fine[:5]) == {fine}
    assert shown(plan="SEAL") == {fine, late, not_yet}
    assert shown(least_ul=5000) == {fine, late, not_yet} and shown(least_ul=5001) == set()
    assert shown(measured=1) == set()
    assert shown(drawn_from="2026-05-03", drawn_to="2026-05-03") == {fine, late, not_yet}
    assert shown(drawn_from="2026-05-04") == set() and shown(drawn_to="2026-05-02") == set()
    by_tube = sorted([fine, late, not_yet])
    assert listed(get(client, "fit_assay", "POTAS", at=NOON, order="tube")) == by_tube
    assert listed(get(client, "fit_assay", "POTAS", at=NOON, order="-tube")) == by_tube[::-1]
    assert listed(get(client, "fit_assay", "POTAS", at=NOON, order="-rank"))[0] == fine
    assert listed(get(client, "fit_assay", "POTAS", at=NOON, order="nonsense"))[2] == fine


def test_tubes_in_a_unit_and_all_that_stands_in_it(three, store, sign_in):
    inside = three[0]
    perform(store.actor("curator"), "put_away", key=new_id(), at=moment(11, 50), strict=False,
            lines=[{"t": inside.code, "role": "subj", "unit": "NLB-B001", "row": 1, "col": 1}])  # fmt: skip
    client = sign_in("curator")
    for unit in ("NLB-B001", "NLB-F1", "nlb-s1"):
        assert listed(get(client, "fit_assay", "POTAS", at=NOON, unit=unit)) == [inside.code], unit
    refused = get(client, "fit_assay", "POTAS", at=NOON, unit="NOWHERE")
    assert refused.status_code == 422 and "unit_unknown" in words(refused)


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ({"word": "splendid"}, "invalid_choice"), ({"drawn_from": "yesterday"}, "invalid"),
        ({"drawn_from": "2026-05-04", "drawn_to": "2026-05-01"}, "dates_reversed"),
        ({"drawn_from": "0001-01-01"}, "year_out_of_range"),
        ({"drawn_to": "9999-12-31"}, "year_out_of_range"), ({"measured": "101"}, "max_value"),
        ({"least_ul": "-1"}, "min_value"), ({"tubes": "what"}, "code_malformed"),
        ({"tubes": "\x00"}, "null_characters_not_allowed"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_with_a_sentence_and_kept(law, people, sign_in, query, code):
    answer = get(sign_in("curator"), "fit_assay", "POTAS", **query)
    assert answer.status_code == 422 and code in words(answer)
    value = next(iter(query.values()))
    assert value in answer.content.decode() or code in ("invalid_choice", "null_characters_not_allowed")


def test_the_page_leads_to_passports_of_its_tubes_for_its_assay(three, sign_in):
    client = sign_in("collaborator")
    page = get(client, "fit_assay", "POTAS", at=NOON).content.decode()
    [where] = [one for one in re.findall(r'href="([^"]+)"', page) if one.startswith("/fit/passports/?")]
    form = client.get(html.unescape(where)).content.decode()
    assert all(codes.show(one.code) in form for one in three)
    assert '<option value="POTAS" selected>' in form


def test_a_discarded_tube_says_so_in_the_list_and_in_the_file(three, people, sign_in):
    """Its answer stays that of then, so the word alone would send somebody to look for it."""
    fine = three[0]
    perform(people.actor("labtech"), "discarded", key=new_id(), at=moment(11, 55),
            data={"why": "used up", "method": "autoclaved"},
            lines=[{"t": fine.code, "role": "subj"}], strict=False)  # fmt: skip
    for role in ("curator", "collaborator"):
        client = sign_in(role)
        rows = get(client, "fit_assay", "POTAS", at=NOON).content.decode().partition("<tbody>")[2]
        gone = [row for row in rows.split("</tr>") if "discarded" in row]
        assert len(gone) == 1 and fine.code in gone[0], role
        table = get(client, "fit_assay", "POTAS", at=NOON, **{"as": "csv"}).content.decode("utf-8-sig")
        own = words(get(client, "fit_tube", fine.code, at=NOON))
        assert "It is gone. These answers are those of when it went." in own and "Time left" not in own
        assert "It is gone." not in words(get(client, "fit_tube", three[1].code, at=NOON))
        last = {row["tube"]: row["now"] for row in csv.DictReader(io.StringIO(table))}
        assert last.pop(codes.show(fine.code)) == "discarded" and set(last.values()) == {"held"}, role


def test_a_phone_can_sort_too(three, sign_in):
    page = get(sign_in("curator"), "fit_assay", "POTAS", at=NOON, order="-rank").content.decode()
    assert '<option value="-rank" selected>fit first</option>' in page and 'value="drawn"' in page
    bare = get(sign_in("collaborator"), "fit_assay", "POTAS", at=NOON).content.decode()
    assert 'value="drawn"' not in bare


def test_a_page_beyond_the_last_shows_the_last(three, sign_in):
    assert len(listed(get(sign_in("curator"), "fit_assay", "POTAS", at=NOON, page="99999999999"))) == 3
    assert len(listed(get(sign_in("curator"), "fit_assay", "POTAS", at=NOON, page="x"))) == 3


def test_the_word_is_that_of_now_and_says_that_it_changed(three, people, sign_in):
    """Judged at noon; the tube that was not spun is spun late, so its sentence changes; the fit one is
    graded 2."""
    perform(people.actor("fieldtech"), "graded", key=new_id(), at=moment(11, 59), data={},
            lines=[{"t": three[0].code, "role": "subj", "haemolysis": 2}])  # fmt: skip
    text = words(get(sign_in("labtech"), "fit_assay", "POTAS", at=NOON, word="fit"))
    assert (
        "Changed since 3 May 2026 12:00: was fit." in text and "Haemolysis grade 2; at most grade 1." in text
    )
    assert "1 on this page changed since." in text


def test_work_out_now_judges_what_is_due(three, people, sign_in):
    other = gel(sets(people, 1)[0])
    Judgement.objects.filter(tube=three[1].code).update(until_ms=1)
    client, address = sign_in("labtech"), reverse("fit_again", args=["POTAS"])
    page = words(get(client, "fit_assay", "POTAS", at=NOON))
    assert "1 tube not judged yet. 1 kept answer no longer holds." in page
    with time_machine.travel(NOON, tick=False):
        answer = client.post(address, {"query": "word=fit&x=\r\ny", "tube": "nonsense"}, follow=True)
    assert Judgement.objects.filter(tube=other.code, assay__code="POTAS").exists()
    assert "4 tubes worked out." in words(answer)
    assert answer.redirect_chain[0][0].startswith(reverse("fit_assay", args=["POTAS"]))
    assert "no longer hold" not in words(get(client, "fit_assay", "POTAS", at=NOON))
    assert "Work out now" not in words(get(client, "fit_assay", "POTAS", at=NOON))


def test_pressing_on_comes_round_to_all(three, people, sign_in, monkeypatch):
    """What was done to a tube since is no row's own to know, so the longest unseen are taken in turn."""
    monkeypatch.setattr(fit_due, "PIECE", 2)
    graded(people, three[0], 3)
    for minute in (1, 2):
        with time_machine.travel(NOON.replace(minute=minute), tick=False):
            sign_in("labtech").post(reverse("fit_again", args=["POTAS"]))
    assert Judgement.objects.get(tube=three[0].code, assay__code="POTAS").word == "not_fit"


def test_it_is_worked_out_in_bounded_pieces(three, people, sign_in, monkeypatch):
    monkeypatch.setattr(fit_due, "PIECE", 2)
    Judgement.objects.all().delete()
    with time_machine.travel(NOON, tick=False):
        sign_in("labtech").post(reverse("fit_again", args=["POTAS"]))
    assert Judgement.objects.values("tube").distinct().count() <= 2


def test_who_may_have_it_worked_out(three, sign_in):
    for role in ("fieldtech", "auditor", "collaborator"):
        assert sign_in(role).post(reverse("fit_again", args=["POTAS"])).status_code == 403, role
        assert "Work out now" not in words(get(sign_in(role), "fit_assay", "POTAS", at=LATE)), role
    assert sign_in("labtech").get(reverse("fit_again", args=["POTAS"])).status_code == 405


def test_the_number_of_queries_does_not_grow(people, law, sign_in):
    client = sign_in("labtech")

    def asked(many, **query):
        with CaptureQueriesContext(connection) as found:
            answer = get(client, "fit_assay", "COUNT", at=NOON, **query)
        assert len(listed(answer)) == min(many, 25)
        return len(found)

    some = [edta(one) for one in sets(people, 3)]
    judge(some, NOON)
    asked(3)
    few = asked(3)
    with CaptureQueriesContext(connection) as before:
        get(client, "fit", at=NOON)
    more = [edta(one) for one in sets(people, 27)]
    judge(more, NOON)
    assert asked(30) <= few
    with CaptureQueriesContext(connection) as after:
        get(client, "fit", at=NOON)
    assert len(after) <= len(before)


# --- overrides ------------------------------------------------------------------------------------------


@pytest.fixture
def second(people):
    """Another person who may decide."""
    make_person(people.programme, people.nlb, Role.ADMINISTRATOR, "P7", "second")
    people.persons["second"] = Person.objects.get(code="P7")
    return people


def overridden(people, tube, granted=True):
    """A curator asks, another answers; at one o'clock, for potassium in spite of the late spin."""
    with time_machine.travel(moment(13), tick=False):
        event = ask_override(
            people.actor("curator"),
            new_id(),
            [tube.code],
            assay="POTAS",
            rule="spun-2h",
            reason="frozen fast",
        )
        answer_override(people.actor("second"), new_id(), event, granted=granted, reason="seen the curve")
    return event


def test_an_override_stands_beside_its_finding_with_who_gave_it_and_the_word_stays(three, second, sign_in):
    event = overridden(second, three[1])
    answer = get(sign_in("auditor"), "fit_tube", three[1].code, at=LATE)
    text, page = words(answer), answer.content.decode()
    assert "Spun 2 h 20 min after draw; limit 2 h." in text and re.search(
        r"Potassium not fit let through by two people", text
    )
    asker, other = (second.persons[one].name for one in ("curator", "second"))
    assert f"asked by {asker} (frozen fast), answered by {other} (seen the curve)" in text
    assert (
        "It counts: the finding stays, and the tube may go." in text
        and reverse("event", args=[event]) in page
    )
    rows = words(get(sign_in("auditor"), "fit_assay", "POTAS", at=LATE, tubes=three[1].code))
    assert "not fit let through by two people" in rows


def test_who_sees_the_catalogue_alone_reads_that_it_was_let_through_and_not_by_whom(three, second, sign_in):
    event = overridden(second, three[1])
    answer = get(sign_in("collaborator"), "fit_tube", three[1].code, at=LATE)
    assert "let through by two people" in words(answer)
    for said in ("frozen fast", "seen the curve", "P7", event):
        assert said not in answer.content.decode()


def test_an_override_that_was_declined_or_lapsed_says_so(three, second, people, sign_in):
    overridden(second, three[1], granted=False)
    assert "declined. It was declined." in words(get(sign_in("curator"), "fit_tube", three[1].code, at=LATE))
    overridden(second, three[2])  # not spun; the fact is another one every minute
    text = words(get(sign_in("curator"), "fit_tube", three[2].code, at=LATE))
    assert "It has lapsed" in text and "let through by two people" not in text


def test_an_override_is_asked_for_where_a_stop_stops(three, sign_in):
    page = get(sign_in("curator"), "fit_tube", three[1].code, at=NOON).content.decode()
    assert f"{reverse('override_ask', args=[three[1].code, 'POTAS'])}?rule=spun-2h" in page
    for role in ("labtech", "auditor", "collaborator"):
        assert "Ask to override" not in words(get(sign_in(role), "fit_tube", three[1].code, at=NOON)), role
    assert "Ask to override" not in words(get(sign_in("curator"), "fit_tube", edta_of(three[1]).code, at=TEN))


def edta_of(tube):
    return edta(tube.tube_set)
