"""Rules and assays by their pages: who may, what is refused, what stays, how many queries."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.checks import rule_sheet, ruling
from biobank.checks.actions import put_in_force
from biobank.checks.rule_values import value_of
from biobank.checks.starter import Row
from biobank.models import MATRICES, Assay, AssayTakes, RuleSet
from custody.core.rule import Rule as Pure

RULE = Pure("late", "interval", "stop", "human", "A study", from_act="drawn", to_act="spun", limit_s=7200)
READ = ["rule_set", "rule_history", "rule_disagreements", "trial"]
EDIT = ["rule_set_note", "rule_set_begin", "rule_new", "rule_table"]


@pytest.fixture
def law(people):
    Assay.objects.create(code="IRON", name="Iron")
    found = RuleSet.objects.create(code="OURS", version=1)
    ruling.add_rule(found, Row(RULE), people.user("curator"), "first")
    return put_in_force(found, date(2026, 1, 1), people.user("curator"), "first")


@pytest.fixture
def draft(law, people):
    return ruling.copy_set(law, people.user("curator"), "next")


def of(rule_set, name="rule_set", *more):
    return reverse(name, args=[rule_set.code, rule_set.version, *more])


def form_at(client, url):
    form = client.get(url).context["form"]
    said = {name: form[name].value() for name in form.fields if name != "bands"}
    return {name: value for name, value in said.items() if value is not None and value is not False}


def text(answer):
    return answer.content.decode()


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "auditor", "collaborator"])
def test_who_sees_reads_and_only_curators_edit(people, sign_in, draft, role):
    client, sees, curates = sign_in(role), role != "collaborator", role == "curator"
    pages = [
        *(of(draft, name) for name in READ),
        *map(reverse, ["rules", "rules_compare", "assays"]),
    ]
    pages += [of(draft, "rule_export", "csv"), of(draft, "rule_export", "xlsx")]
    for url in pages:
        assert client.get(url).status_code == (200 if sees else 403), url
    edits = [*(of(draft, name) for name in EDIT), reverse("assay_new")]
    edits += [of(draft, name, "late") for name in ("rule_edit", "rule_copy", "rule_out")]
    edits += [reverse("assay_edit", args=["IRON"])]
    for url in edits:
        assert client.get(url).status_code == (200 if curates else 403), url
    if not curates:
        for name in ("rule_draft", "rule_set_delete", "rule_choose", "trial"):
            assert client.post(of(draft, name), {"reason": "x"}).status_code == 403
        assert RuleSet.objects.count() == 2


def test_what_is_not_there_is_404(people, sign_in, draft):
    client = sign_in("curator")
    urls = [reverse("rule_set", args=["OURS", 9]), of(draft, "rule_edit", "none"), 
            of(draft, "rule_export", "exe"),
            f"{of(draft, 'rule_new')}?kind=guess", reverse("assay_edit", args=["NONE"]),
            of(draft, "trial_csv"),
            f"{reverse('rules_compare')}?old=NO-1"]  # fmt: skip
    for url in urls:
        assert client.get(url).status_code == 404, url


def test_a_set_in_force_is_not_edited_by_any_page(people, sign_in, law):
    client, before = sign_in("curator"), value_of(law)
    for name in EDIT:
        answer = client.get(of(law, name))
        assert answer.status_code == 422 and "rule_set_is_fixed" in text(answer)
    for name in ("rule_edit", "rule_out"):
        assert client.post(of(law, name, "late"), {"reason": "x"}).status_code == 422
    assert client.post(of(law, "rule_set_delete"), {"reason": "x"}).status_code == 422
    assert client.post(of(law, "trial")).status_code == 422
    assert value_of(law) == before


def test_a_draft_is_made_changed_tried_and_put_in_force(people, sign_in, law):
    client = sign_in("curator")
    assert client.post(of(law, "rule_draft"), {"reason": ""}).status_code == 422
    for _ in range(2):
        answer = client.post(of(law, "rule_draft"), {"reason": "new study"})
        assert answer.status_code == 302 and answer["Location"] == reverse("rule_set", args=["OURS", 2])
    draft = RuleSet.objects.get(version=2)
    url = of(draft, "rule_edit", "late")
    assert (
        client.post(url, form_at(client, url) | {"limit_s": "90 min", "reason": "shorter"}).status_code == 302
    )
    assert value_of(draft)[0].rule.limit_s == 5400
    assert "not later than 2 h → 1 h 30 min" in text(client.get(of(draft, "rule_history")))
    seen = {"old": "OURS-1", "new": "OURS-2"}
    assert "1 h 30 min" in text(client.get(reverse("rules_compare"), seen))
    begin = {"valid_from": "2026-06-01", "reason": "shorter"}
    answer = client.post(of(draft, "rule_set_begin"), begin)
    assert answer.status_code == 422 and "trial_missing" in text(answer) and "2026-06-01" in text(answer)
    assert client.post(of(draft, "trial")).status_code == 302
    assert "Finished" in text(client.get(of(draft, "trial")))
    assert "would change" in text(client.get(of(draft, "rule_set_begin")))
    for _ in range(2):
        assert client.post(of(draft, "rule_set_begin"), begin).status_code == 302
    law.refresh_from_db()
    assert (law.status, law.valid_until) == ("retired", date(2026, 6, 1))


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"limit_s": "2"}, "unit_missing"),
        ({"at_least_s": "3 h"}, "least_over_most"),
        ({"source": ""}, "source_empty"),
        ({"assay": "NONE"}, "assay_unknown"),
        ({"evidence": "memory"}, "memory_needs_a_note"),
        ({"to_act": "drawn"}, "acts_the_same"),
        ({"code": "late"}, "rule_code_taken"),
        ({"severity": "shout"}, "choice_unknown"),
        ({"reason": ""}, "required"),
    ],
)
def test_a_bad_rule_is_refused_with_a_code_and_nothing_typed_is_lost(people, sign_in, draft, wrong, code):
    client, before = sign_in("curator"), value_of(draft)
    url = f"{of(draft, 'rule_new')}?kind=interval"
    good = {"code": "new", "severity": "stop", "from_act": "drawn", "to_act": "spun", "limit_s": "2 h",
            "source": "Skarvik study", "evidence": "human", "read": "none", "active": "on",
            "hint": "Spin sooner",
            "reason": "why"}  # fmt: skip
    answer = client.post(url, good | wrong)
    assert answer.status_code == 422 and code in text(answer) and "Spin sooner" in text(answer)
    assert value_of(draft) == before
    assert client.post(url, good).status_code == 302 and len(value_of(draft)) == 2


def test_bands_are_typed_in_rows(people, sign_in, draft):
    client = sign_in("curator")
    url = f"{of(draft, 'rule_new')}?kind=budget"
    said = {"code": "warm", "severity": "caution", "from_act": "drawn", "source": "A study",
            "evidence": "human", "read": "none", "active": "on", "reason": "why", "bands_0": "8",
            "bands_1": "5 d", "bands_2": "warmer", "bands_3": "8"}  # fmt: skip
    answer = client.post(url, said)
    assert answer.status_code == 422 and "unit_missing" in text(answer) and "5 d" in text(answer)
    assert client.post(url, said | {"bands_3": "8 h"}).status_code == 302
    assert next(one for one in value_of(draft) if one.rule.code == "warm").rule.bands == (
        (800, 432_000),
        (None, 28_800),
    )
    assert "8 °C: 5 d, warmer: 8 h" in text(client.get(of(draft)))
    shown = client.get(of(draft, "rule_edit", "warm")).context["form"]["bands"].value()
    assert shown == ["8", "5 d", "warmer", "8 h"], "what was typed comes back in its boxes"
    again = form_at(client, of(draft, "rule_edit", "warm"))
    again |= {f"bands_{n}": box for n, box in enumerate(shown)} | {"reason": "as it is"}
    before = value_of(draft)
    assert client.post(of(draft, "rule_edit", "warm"), again).status_code == 302 and value_of(draft) == before


def test_sources_that_disagree_stand_side_by_side_and_one_is_chosen(people, sign_in, draft):
    client, user = sign_in("curator"), people.user("curator")
    for n in (1, 2):
        ruling.add_rule(
            draft, Row(replace(RULE, code=f"q{n}", question="How long?", limit_s=n * 60)), user, "a"
        )
    page = client.get(of(draft, "rule_disagreements"))
    ((one, _),) = page.context["rows"]
    said = {"question": one.key, f"{one.key}-chosen": ["q1"]}
    answer = client.post(of(draft, "rule_choose"), said)
    assert answer.status_code == 422 and "choice_missing" in text(answer)
    said |= {f"{one.key}-choice": "the same species"}
    assert client.post(of(draft, "rule_choose"), said).status_code == 302
    assert {row.rule.code: row.active for row in value_of(draft)} == {"late": True, "q1": True, "q2": False}


def test_a_table_is_looked_at_first_and_then_taken_in(people, sign_in, draft):
    client, url = sign_in("curator"), of(draft, "rule_table")
    content = client.get(of(draft, "rule_export", "csv")).content.replace(b"2 h", b"3 h")
    answer = client.post(url, {"file": SimpleUploadedFile("r.csv", content)})
    assert answer.status_code == 200 and value_of(draft)[0].rule.limit_s == 7200 and "3 h" in text(answer)
    form = answer.context["take_in"]
    said = {name: form[name].value() for name in ("content", "seen")}
    assert client.post(url, said).status_code == 422
    for _ in range(2):
        assert client.post(url, said | {"reason": "longer"}).status_code == 302
    assert value_of(draft)[0].rule.limit_s == 10_800
    bad = client.post(url, {"file": SimpleUploadedFile("r.csv", content.replace(b"3 h", b"3"))})
    assert bad.status_code == 422 and "unit_missing" in text(bad) and "table_has_faults" in text(bad)
    assert client.post(url, {"content": "???", "seen": "", "reason": "x"}).status_code == 422


def test_assays_are_added_and_refused_with_a_code(people, sign_in, law):
    client = sign_in("curator")
    said = {"code": "ZINC", "name": "Zinc", "min_ul": "0.2 mL", "takes_0": "SER", "reason": "new"}
    for _ in range(2):
        assert client.post(reverse("assay_new"), said).status_code == 302
    assert Assay.objects.get(code="ZINC").min_ul == 200
    assert "assay_code_taken" in text(client.post(reverse("assay_new"), said | {"name": "Other"}))
    assert "no rule of its own" in text(client.get(reverse("assays")))
    assert client.post(reverse("assay_retire", args=["ZINC"]), {"reason": "no more"}).status_code in (
        302,
        422,
    )


def test_queries_do_not_grow_with_rules_or_assays(people, sign_in, draft):
    client, user, counts = sign_in("curator"), people.user("curator"), []
    for size in (3, 30):
        for n in range(size):
            code = f"A{size}-{n}"
            Assay.objects.create(code=code, name=code)
            rule = replace(RULE, code=f"r{code}", assay=code, question=f"Q{n}")
            ruling.add_rule(draft, Row(rule), user, "a")
        urls = [of(draft), *(of(draft, name) for name in READ[1:]), reverse("assays"), reverse("rules"),
                f"{reverse('rules_compare')}?old=OURS-1&new=OURS-2",
                of(draft, "rule_export", "csv")]  # fmt: skip
        found = []
        for url in urls:
            with CaptureQueriesContext(
                connection,
            ) as seen:
                assert client.get(url).status_code == 200
            found.append(len(seen))
        counts.append(found)
    assert counts[0] == counts[1]


def test_many_bands_and_many_samples_come_back_whole(people, sign_in, draft):
    """More than the empty form has rows for: an edit of something else loses none."""
    client, user = sign_in("curator"), people.user("curator")
    bands = (*((n * 100, 3600) for n in range(1, 10)), (None, 60))
    row = Row(Pure("many", "budget", "note", "human", "A study", from_act="drawn", bands=bands))
    ruling.add_rule(draft, row, user, "a")
    url = of(draft, "rule_edit", "many")
    boxes = client.get(url).context["form"]["bands"].value()
    said = form_at(client, url) | {f"bands_{n}": box for n, box in enumerate(boxes)}
    assert client.post(url, said | {"hint": "Keep it cold", "reason": "a hint"}).status_code == 302
    assert next(one for one in value_of(draft) if one.rule.code == "many").rule.bands == bands
    iron = Assay.objects.get(code="IRON")
    for matrix, _ in MATRICES[:10]:
        AssayTakes.objects.create(assay=iron, matrix=matrix)
    url = reverse("assay_edit", args=["IRON"])
    boxes = client.get(url).context["form"]["takes"].value()
    said = form_at(client, url) | {f"takes_{n}": box for n, box in enumerate(boxes)}
    assert client.post(url, said | {"note": "new", "reason": "a note"}).status_code == 302
    assert iron.takes.count() == 10


def test_the_name_of_the_check_of_least_volume_is_no_rule_s_code(sign_in, draft):
    """Two findings of one name could not be told apart, and an override of one would waive the other."""
    client = sign_in("curator")
    url = of(draft, "rule_new") + "?kind=volume"
    said = form_at(client, url) | {
        "severity": "stop", "evidence": "human", "min_ul": "200 µL", "source": "ours", "reason": "new",
    }  # fmt: skip
    for code in ("least-volume", "Least-Volume"):
        answer = client.post(url, said | {"code": code})
        assert answer.status_code == 422 and "rule_code_reserved" in text(answer)
    assert client.post(url, said | {"code": "our-least-volume"}).status_code == 302
    table = rule_sheet.to_csv([Row(replace(RULE, code="least-volume"))])
    answer = client.post(of(draft, "rule_table"), {"file": SimpleUploadedFile("r.csv", table)})
    assert answer.status_code == 422 and "rule_code_reserved" in text(answer)
    assert {one.code for one in draft.rules.all()} == {"late", "our-least-volume"}


def test_a_new_rule_says_severity_and_evidence_only_when_somebody_chose(sign_in, draft):
    client = sign_in("curator")
    url = of(draft, "rule_new") + "?kind=volume"
    said = {
        "code": "some",
        "min_ul": "200 µL",
        "source": "ours",
        "read": "none",
        "active": "on",
        "reason": "x",
    }
    answer = client.post(url, said | {"severity": "", "evidence": ""})
    assert answer.status_code == 422
    assert {"severity", "evidence"} <= set(answer.context["form"].errors)
    assert draft.rules.count() == 1


def test_a_draft_is_made_at_the_top_and_versions_stand_newest_first(sign_in, law, draft):
    said = text(sign_in("curator").get(of(law)))
    assert said.index("make a draft of OURS version 1") < said.index("The rules, by assay")
    assert said.index("OURS version 2</a>") < said.index("OURS version 1</a>")


def test_a_draft_is_compared_with_what_it_was_copied_from(sign_in, draft):
    client = sign_in("curator")
    assert "?old=OURS-1&amp;new=OURS-2" in text(client.get(of(draft)))
    picked = client.get(reverse("rules_compare")).context["picked"]
    assert [one.version for one in picked] == [1, 2], "what is in force, and the newest"
