"""The work list, overrides and deviations by plain forms: who may, what is shown, what is refused."""

from __future__ import annotations

import pypdfium2
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from biobank.acting import ms
from biobank.checks import judging, overrides
from biobank.core import codes
from biobank.models import Assay, OpenFinding, Programme
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank import judged
from tests.biobank.judged import BOX, HAEM, ICT, grade, make_law, make_tubes, note_finding
from tests.biobank.lab import STORED
from tests.biobank.test_deviations import close, note
from tests.biobank.test_overrides import answer, ask

pytestmark = pytest.mark.django_db


@pytest.fixture
def law(store):
    judged.second_curator(store)
    return make_law()


@pytest.fixture
def tubes(law, store):
    return make_tubes(store)


@pytest.fixture
def bad(store, tubes):
    """The first two are haemolysed."""
    grade(store, tubes[:2], haemolysis=3)
    return tubes


def text(answer) -> str:
    return answer.content.decode()


def asked(code, assay="CORT", query="") -> str:
    return reverse("override_ask", args=[code, assay]) + query


# who may --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role, work, ask_, file_, close_", [
    ("fieldtech", 200, 403, 200, 403), ("labtech", 200, 403, 200, 403), ("curator", 200, 200, 200, 200),
    ("collaborator", 403, 403, 403, 403), ("auditor", 200, 403, 403, 403),
])  # fmt: skip
def test_who_sees_and_who_decides(sign_in, store, bad, role, work, ask_, file_, close_):
    client, event, deviation = sign_in(role), ask(store, bad[:1]), note(store, bad[:1])
    for name, args, code in [
        ("work", [], work), ("overrides", [], work), ("deviations", [], work),
        ("override_answer", [event], work),
        ("override_ask", [bad[1], "CORT"], ask_), ("deviation_file", [], file_),
        ("deviation_close", [deviation], close_),
    ]:  # fmt: skip
        got = client.get(reverse(name, args=args)).status_code
        assert got == code or (code == 403 and got == 404), (name, got)


def test_what_is_not_there_or_anothers_is_404(sign_in, store, bad):
    client = sign_in("curator")
    event, deviation = ask(store, bad[:1]), note(store, bad[:1])
    first = ledger.history(bad[0])[0].id
    for name, args in [
        ("override_ask", ["K7R2M103X", "CORT"]), ("override_ask", [bad[0], "NONE"]),
        ("override_answer", [first]),
        ("override_answer", [new_id()]), ("deviation_close", [first]), ("deviation_close", [event]),
    ]:  # fmt: skip
        assert client.get(reverse(name, args=args)).status_code == 404, name
    person = store.person("curator")
    person.programme = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    person.save()
    for name, args in [
        ("override_ask", [bad[0], "CORT"]),
        ("override_answer", [event]),
        ("deviation_close", [deviation]),
    ]:
        assert client.get(reverse(name, args=args)).status_code == 404, name
    for name in ("work", "overrides", "deviations"):
        assert codes.show(bad[0]) not in text(client.get(reverse(name))), name


# overrides ------------------------------------------------------------------------------------------


def test_asked_by_a_form_and_answered_by_another_person(sign_in, store, bad):
    client = sign_in("curator")
    page = text(client.get(asked(bad[0])))
    found = overrides.finding(judged_for(bad[0]), HAEM)
    assert found.sentence in page and HAEM in page
    said = {"key": new_id(), "rule": HAEM, "tubes": "\n".join(bad[:2]), "reason": "robust to it"}
    for _ in range(2):
        assert client.post(asked(bad[0]), said).status_code == 302
    [event] = ledger.events(kind="override_asked")
    where = reverse("override_answer", args=[event.id])
    page = text(client.get(where))
    assert "Somebody else" in page and 'name="granted"' not in page
    no = client.post(where, {"key": new_id(), "granted": "yes", "reason": "me"})
    assert no.status_code == 422 and "second_person_needed" in text(no)
    other = sign_in("curator2")
    page = text(other.get(where))
    assert 'name="granted"' in page and "stops it" in page and "robust to it" in page
    said = {"key": new_id(), "granted": "yes", "reason": "agreed"}
    for _ in range(2):
        assert other.post(where, said).status_code == 302
    page = text(other.get(where))
    assert "lets it through" in page and "not fit" in page and found.sentence in page
    assert 'name="granted"' not in page
    listed = text(other.get(reverse("overrides")))
    assert "granted" in listed and codes.show(bad[0]) in listed


def judged_for(code, assay="CORT"):
    from biobank.checks import gate

    return gate.for_assay([code], assay, ms(timezone.now()))[code]


@pytest.mark.parametrize("change, code", [
    ({"reason": " "}, "required"), ({"tubes": "nonsense"}, "code_"), ({"rule": "OTHER"}, "invalid_choice"),
])  # fmt: skip
def test_a_refused_asking_keeps_what_was_typed(sign_in, bad, change, code):
    client = sign_in("curator")
    said = {"key": new_id(), "rule": HAEM, "tubes": bad[0], "reason": "robust to it"} | change
    no = client.post(asked(bad[0]), said)
    assert no.status_code == 422 and code in text(no)
    assert ledger.events(kind="override_asked") == []


def test_a_refusal_names_its_tube_once(sign_in, bad):
    client, good = sign_in("curator"), codes.show(bad[2])
    said = {"key": new_id(), "rule": HAEM, "tubes": f"{bad[0]}\n{bad[2]}", "reason": "phosphate alone"}
    no = text(client.post(asked(bad[0]), said))
    [sentence] = [one for one in no.split("<li>") if "finding_not_open" in one]
    assert sentence.count(good) == 1, sentence
    gate = text(client.post(reverse("handoff_new"), {
        "key": new_id(), "tubes": bad[0], "assay": "CORT", "to": "TFL", "how": "hand"}))  # fmt: skip
    [sentence] = [one for one in gate.split("<li>") if "tube_not_fit" in one]
    assert sentence.count(codes.show(bad[0])) == 1, sentence


def test_a_handoff_for_an_analysis_names_it_on_its_page_and_its_paper(sign_in, bad):
    client = sign_in("labtech")
    said = {"key": new_id(), "tubes": bad[2], "assay": "CORT", "to": "NLB", "how": "hand"}
    where = client.post(reverse("handoff_new"), said)["Location"]
    [event] = ledger.events(kind="handed_off")[:1]
    name = Assay.objects.get(code="CORT").name
    assert f"<dd>{name} (CORT), under {event.header['data']['rules']}</dd>" in text(client.get(where))
    paper = pypdfium2.PdfDocument(client.get(reverse("handoff_pdf", args=[event.id])).content)
    said_there = " ".join(page.get_textpage().get_text_range() for page in paper)
    assert f"{name} (CORT)" in " ".join(said_there.split()), said_there


def test_a_tube_that_is_not_stopped_is_named_in_the_refusal(sign_in, bad):
    said = {"key": new_id(), "rule": HAEM, "tubes": f"{bad[0]}\n{bad[2]}", "reason": "robust to it"}
    no = sign_in("curator").post(asked(bad[0]), said)
    assert no.status_code == 422 and "finding_not_open" in text(no) and codes.show(bad[2]) in text(no)
    assert "robust to it" in text(no)


def test_where_nothing_stops_there_is_nothing_to_ask(sign_in, tubes):
    page = text(sign_in("curator").get(asked(tubes[0])))
    assert "nothing to override" in page and "<textarea" not in page
    assert "does not take" in text(sign_in("curator").get(asked(tubes[0], "SALT")))


def test_a_lapsed_one_says_so_on_its_page_and_is_not_granted(sign_in, store, bad):
    event = ask(store, bad[:1])
    grade(store, bad[:1], haemolysis=4)
    client, where = sign_in("curator2"), reverse("override_answer", args=[event])
    assert "It has lapsed" in text(client.get(where))
    no = client.post(where, {"key": new_id(), "granted": "yes", "reason": "agreed"})
    assert no.status_code == 422 and "override_lapsed" in text(no)
    assert client.post(where, {"key": new_id(), "granted": "no", "reason": "asked anew"}).status_code == 302
    assert "It has lapsed" in text(client.get(where)) and "declined" in text(client.get(where))


def test_a_withdrawn_one_is_404_and_off_the_list(sign_in, store, bad):
    from biobank.amend import actions as amend

    event = ask(store, bad[:1])
    amend.void(store.actor("curator"), new_id(), event, "not needed")
    client = sign_in("curator2")
    assert client.get(reverse("override_answer", args=[event])).status_code == 404
    assert "No override waits" in text(client.get(reverse("overrides")))


# the gate on its pages ------------------------------------------------------------------------------


def test_the_form_of_pulling_names_the_tubes_that_stop_it(sign_in, store, bad):
    from biobank.store.actions import put_away

    put_away(store.actor("labtech"), new_id(), bad, BOX, at=STORED)
    client = sign_in("labtech")
    assert '<option value="CORT">' in text(client.get(reverse("pull")))
    said = {"key": new_id(), "tubes": "\n".join(bad), "assay": "CORT", "why": ""}
    no = client.post(reverse("pull"), said)
    page = text(no)
    assert no.status_code == 422 and "tube_not_fit" in page
    assert f"{codes.show(bad[1])}: not fit" in page and f"{codes.show(bad[2])}: " not in page
    assert '<option value="CORT" selected>' in page
    assert client.post(reverse("pull"), said | {"tubes": "\n".join(bad[2:])}).status_code == 302
    event = text(client.get(reverse("event", args=[said["key"]])))
    assert "verdict then" in event.lower() and "For the analysis" in event and "HARBOUR version 1" in event


def test_the_form_of_handing_off_asks_the_gate_too(sign_in, bad):
    client = sign_in("labtech")
    said = {"key": new_id(), "tubes": "\n".join(bad), "assay": "CORT", "to": "NLB", "how": "hand"}
    no = client.post(reverse("handoff_new"), said)
    assert no.status_code == 422 and "tube_not_fit" in text(no)
    assert client.post(reverse("handoff_new"), said | {"tubes": "\n".join(bad[2:])}).status_code == 302


# deviations -----------------------------------------------------------------------------------------


def test_a_deviation_is_filed_by_the_bench_and_closed_by_a_curator(sign_in, bad):
    lab, curator = sign_in("labtech"), sign_in("curator")
    where = reverse("deviation_file") + f"?rule={HAEM}&tube={bad[0]}&tube={bad[1]}"
    page = text(lab.get(where))
    assert codes.show(bad[0]) in page and codes.show(bad[1]) in page and f'value="{HAEM}"' in page
    said = {"key": new_id(), "rule": HAEM, "tubes": "\n".join(bad[:2]), "reason": "thin needle"}
    assert lab.post(where, said | {"tubes": "\n".join(bad[:3])}).status_code == 422
    none = lab.post(where, said | {"rule": "no-such-rule"})
    assert none.status_code == 422 and "No rule in force has the code “no-such-rule”." in text(none)
    for _ in range(2):
        assert lab.post(where, said).status_code == 302
    [event] = ledger.events(kind="deviation_noted")
    page = text(curator.get(reverse("deviations")))
    assert "thin needle" in page and reverse("deviation_close", args=[event.id]) in page
    assert reverse("deviation_close", args=[event.id]) not in text(lab.get(reverse("deviations")))
    end = reverse("deviation_close", args=[event.id])
    assert curator.post(end, {"key": new_id(), "reason": ""}).status_code == 422
    assert curator.post(end, {"key": new_id(), "reason": "wider needle"}).status_code == 302
    assert '<form method="post" class="stack">' not in text(curator.get(end))
    no = curator.post(end, {"key": new_id(), "reason": "again"})
    assert no.status_code == 422 and "deviation_closed_already" in text(no)
    assert "wider needle" in text(curator.get(reverse("deviations")))


# the work list --------------------------------------------------------------------------------------


def test_what_stops_and_is_old_stands_first(sign_in, law, tubes):
    note_finding(law, tubes[0], since_ms=2_000)
    note_finding(law, tubes[1], since_ms=1_000)
    note_finding(law, tubes[2], code="LIP", severity="caution", rank=1, since_ms=0)
    page = text(sign_in("curator").get(reverse("work")))
    places = [page.index(codes.show(code)) for code in (tubes[1], tubes[0], tubes[2])]
    assert places == sorted(places)
    assert "As judged on" in page


@pytest.mark.parametrize("query, seen", [
    ("", [0, 1, 2, 3]), ("?severity=stop", [0, 1, 3]),
    ("?severity=caution", [2]), ("?answer=fail", [0, 2, 3]),
    ("?answer=cannot_tell", [1]), (f"?rule={ICT}", [3]), ("?assay=PCR", [1, 3]), ("?assay=CORT", [0, 2]),
    ("?unit=NLB-F1", [0]), ("?unit=b001", [0]), ("?unit=NOWHERE", []), ("?severity=stop&assay=PCR", [1, 3]),
])  # fmt: skip
def test_the_list_is_narrowed(sign_in, store, law, tubes, query, seen):
    from biobank.store.actions import put_away

    put_away(store.actor("labtech"), new_id(), tubes[:1], BOX, at=STORED)
    note_finding(law, tubes[0])
    note_finding(law, tubes[1], answer="cannot_tell", assays="PCR,PCR2")
    note_finding(law, tubes[2], code="LIP", severity="caution", rank=1)
    note_finding(law, tubes[3], code=ICT, assays="PCR")
    page = text(sign_in("curator").get(reverse("work") + query))
    assert [n for n, code in enumerate(tubes) if codes.show(code) in page] == seen


def test_a_discarded_tube_is_nobodys_work(sign_in, store, law, bad):
    """Its row says so and offers nothing until it is judged again; then the row is gone."""
    note_finding(law, bad[0])
    judged.say(store, "discarded", bad[:1], data={"why": "used up", "method": "autoclaved"})
    page = text(sign_in("curator").get(reverse("work")))
    row = page.partition(codes.show(bad[0]))[2].partition("</tr>")[0]
    assert "discarded" in row and "File a deviation" not in row and "Ask to override" not in row
    judging.judge(bad[:2], ms(timezone.now()))
    left = set(OpenFinding.objects.values_list("tube", flat=True))
    assert bad[0] not in left and bad[1] in left


def test_a_rule_is_chosen_from_those_that_are_open(sign_in, law, bad):
    note_finding(law, bad[0])
    note_finding(law, bad[1], code=ICT, answer="cannot_tell")
    client = sign_in("curator")
    assert f'<option value="{ICT}"></option>' in text(client.get(reverse("work")))
    form = text(client.get(reverse("deviation_file")))
    assert f'<option value="{HAEM}"></option>' in form and ICT not in form and 'list="rules"' in form


def test_a_filter_that_is_none_is_refused(sign_in, law):
    assert sign_in("curator").get(reverse("work") + "?severity=dreadful").status_code == 422


def test_a_word_of_another_assay_is_not_taken_for_it(sign_in, law, tubes):
    note_finding(law, tubes[0], assays="CORT2,XCORT")
    assert codes.show(tubes[0]) not in text(sign_in("curator").get(reverse("work") + "?assay=CORT"))


def test_a_row_whose_tube_changed_since_says_so_and_a_decision_is_no_change(sign_in, store, law, bad):
    note_finding(law, bad[0])
    client = sign_in("curator")
    assert "may hold no more" not in text(client.get(reverse("work")))
    event = note(store, bad[:1])
    ask(store, bad[:1])
    page = text(client.get(reverse("work")))
    assert "may hold no more" not in page
    assert (
        "deviation filed" in page and reverse("event", args=[event]) in page and "waiting, for CORT" in page
    )
    grade(store, bad[:1], haemolysis=4)
    assert "may hold no more" in text(client.get(reverse("work")))


def test_a_row_under_older_rules_or_past_its_time_says_so(sign_in, store, law, bad):
    from biobank.models import Judgement

    note_finding(law, bad[0])
    client = sign_in("curator")
    Judgement.objects.update(until_ms=ms(timezone.now()) - 1)
    assert "may hold no more" in text(client.get(reverse("work")))
    Judgement.objects.update(until_ms=None)
    assert "may hold no more" not in text(client.get(reverse("work")))
    make_law(2)
    assert "may hold no more" in text(client.get(reverse("work")))


def test_all_of_one_rule_on_the_page_are_filed_at_once(sign_in, store, law, bad):
    grade(store, bad[:3], haemolysis=3)
    for code in bad[:3]:
        note_finding(law, code)
    note_finding(law, bad[3], answer="cannot_tell")
    note(store, bad[:1])  # has one already
    client = sign_in("labtech")
    assert "File one deviation" not in text(client.get(reverse("work")))
    page = text(client.get(reverse("work") + f"?rule={HAEM}"))
    assert f"?rule={HAEM}&amp;tube={bad[1]}&amp;tube={bad[2]}" in page
    assert "File one deviation" not in text(sign_in("auditor").get(reverse("work") + f"?rule={HAEM}"))


def test_a_closed_deviation_is_no_mark_on_the_list(sign_in, store, law, bad):
    note_finding(law, bad[0])
    close(store, note(store, bad[:1]))
    assert "deviation filed" not in text(sign_in("curator").get(reverse("work")))


@pytest.mark.parametrize("name", ["work", "overrides", "deviations"])
def test_the_number_of_queries_does_not_grow_with_rows(sign_in, store, law, name):
    client, counts = sign_in("curator"), []
    for rounds in (1, 7):
        for _ in range(rounds):
            tubes = make_tubes(store)
            grade(store, tubes, haemolysis=3)
            for code in tubes:
                note_finding(law, code)
                answer(store, ask(store, [code]))
                ask(store, [code])
                note(store, [code])
        client.get(reverse(name))
        with CaptureQueriesContext(connection) as found:
            assert client.get(reverse(name)).status_code == 200
        counts.append(len(found))
    assert OpenFinding.objects.count() == 32
    assert counts[1] <= counts[0] <= 80, counts


def test_pages_of_the_list(sign_in, store, law):
    for _ in range(13):
        for code in make_tubes(store):
            note_finding(law, code)
    client = sign_in("curator")
    assert "Page 1 of 2, 52 in all" in text(client.get(reverse("work")))
    assert "Page 2 of 2" in text(client.get(reverse("work") + "?severity=stop&page=2"))


# the first page -------------------------------------------------------------------------------------


def test_the_first_page_counts_what_stops_and_what_waits(sign_in, store, law, bad):
    note_finding(law, bad[0])
    note_finding(law, bad[1])
    ask(store, bad[:1])
    page = text(sign_in("curator2").get("/"))
    assert "Findings that stop" in page and "Overrides to answer" in page and f"?rule={HAEM}" in page
    assert "Overrides to answer" not in text(sign_in("curator").get("/"))  # asked it
    assert "Overrides to answer" not in text(sign_in("labtech").get("/"))
