"""Rule sets as versions: copied, changed as drafts, put in force one after the other."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from biobank.checks import compare, ruling, ruling_assays
from biobank.checks.actions import install_starter, put_in_force
from biobank.checks.rule_columns import bands_of, duration_of, duration_text
from biobank.checks.rule_forms import RuleForm
from biobank.checks.rule_history import history_of
from biobank.checks.rule_values import blank, digest, faults, value_of
from biobank.checks.starter import Row, starter
from biobank.models import Assay, RuleSet
from custody.core.refusal import Refused
from custody.core.rule import Rule as Pure

RULE = Pure("late", "interval", "stop", "human", "A study", from_act="drawn", to_act="spun", limit_s=7200)
ROW = Row(RULE)


@pytest.fixture
def user(people):
    return people.user("curator")


@pytest.fixture
def law(user):
    """A small set in force from 1 January."""
    Assay.objects.create(code="IRON", name="Iron")
    found = RuleSet.objects.create(code="OURS", version=1)
    ruling.add_rule(found, ROW, user, "first")
    ruling.add_rule(found, Row(replace(RULE, code="iron", assay="IRON")), user, "first")
    return put_in_force(found, date(2026, 1, 1), user, "first")


def refused(code, do, *args, **more):
    with pytest.raises(Refused) as no:
        do(*args, **more)
    assert no.value.code == code


def test_a_copy_is_the_next_version_says_the_same_and_is_made_once(law, user):
    draft = ruling.copy_set(law, user, "new limits")
    assert (draft.version, draft.status, draft.copied_from) == (2, "draft", law)
    assert value_of(draft) == value_of(law)
    assert ruling.copy_set(law, user, "again") == draft
    ruling.take_out(draft, "late", user, "not ours")
    assert ruling.copy_set(law, user, "another").version == 3
    assert [one.why for one in history_of(draft)] == ["not ours", "new limits"]


def test_a_set_that_is_or_was_in_force_is_never_edited(law, user):
    draft = ruling.copy_set(law, user, "next")
    put_in_force(draft, date(2026, 6, 1), user, "next")
    for fixed in (law, draft):
        before = value_of(fixed)
        refused("rule_set_is_fixed", ruling.add_rule, fixed, Row(replace(RULE, code="x")), user, "why")
        refused("rule_set_is_fixed", ruling.change_rule, fixed, "late", ROW, "", user, "why")
        refused("rule_set_is_fixed", ruling.take_out, fixed, "late", user, "why")
        refused("rule_set_is_fixed", ruling.count_rule, fixed, "late", False, "why", user, "why")
        refused("rule_set_is_fixed", ruling.take_in, fixed, [], "", user, "why")
        refused("rule_set_is_fixed", ruling.delete_draft, fixed, user, "why")
        assert value_of(fixed) == before
    law.refresh_from_db()
    refused("rule_set_is_fixed", put_in_force, law, date(2026, 7, 1), user, "back")


def test_the_new_set_ends_the_old_one_and_no_two_overlap(law, user):
    second = ruling.copy_set(law, user, "second")
    refused("versions_overlap", put_in_force, second, date(2025, 12, 31), user, "too early")
    put_in_force(second, date(2026, 6, 1), user, "second")
    law.refresh_from_db()
    assert (law.status, law.valid_until) == ("retired", date(2026, 6, 1))
    third = ruling.copy_set(second, user, "third")
    refused("versions_overlap", put_in_force, third, date(2026, 3, 1), user, "inside the first")
    put_in_force(third, date(2026, 6, 1), user, "on the same day, which the second then never had")
    assert RuleSet.objects.get(status="in_force") == third


def test_an_empty_set_or_one_without_a_look_does_not_come_into_force(law, user):
    empty = RuleSet.objects.create(code="NONE", version=1)
    refused("rule_set_is_empty", put_in_force, empty, date(2026, 6, 1), user, "why")
    draft = ruling.copy_set(law, user, "next")
    refused("trial_missing", ruling.begin, draft, date(2026, 6, 1), user, "why")
    ruling.begin(draft, date(2026, 6, 1), user, "at once", unseen=True)
    assert draft.history.first().history_change_reason == "without looking: at once"


def test_a_rule_is_added_changed_and_taken_out_once(law, user):
    draft = ruling.copy_set(law, user, "next")
    row = Row(replace(RULE, code="new", limit_s=60))
    assert ruling.add_rule(draft, row, user, "a") == ruling.add_rule(draft, row, user, "a")
    refused("rule_code_taken", ruling.add_rule, draft, Row(replace(RULE, code="new")), user, "a")
    refused("assay_unknown", ruling.add_rule, draft, Row(replace(RULE, code="z", assay="NONE")), user, "a")
    refused("reason_required", ruling.add_rule, draft, Row(replace(RULE, code="z")), user, " ")
    longer = Row(replace(row.rule, limit_s=120))
    ruling.change_rule(draft, "new", longer, digest([row]), user, "longer")
    ruling.change_rule(draft, "new", longer, digest([row]), user, "the same form again")
    refused("rule_changed", ruling.change_rule, draft, "new", ROW, digest([row]), user, "stale")
    refused(
        "rule_gone", ruling.change_rule, draft, "none", row.__class__(replace(RULE, code="no")), "", user, "x"
    )
    ruling.take_out(draft, "new", user, "out")
    assert value_of(draft) == value_of(law)


def test_a_draft_goes_with_its_rules_but_not_while_it_has_a_copy(law, user):
    draft = ruling.copy_set(law, user, "next")
    copy = ruling.copy_set(draft, user, "copy")
    refused("rule_set_was_copied", ruling.delete_draft, draft, user, "gone")
    ruling.delete_draft(copy, user, "gone")
    ruling.delete_draft(draft, user, "gone")
    assert list(RuleSet.objects.all()) == [law]


def test_one_of_several_answers_is_chosen_and_says_why(law, user):
    draft = ruling.copy_set(law, user, "next")
    for code, limit in (("q1", 60), ("q2", 90)):
        ruling.add_rule(draft, Row(replace(RULE, code=code, limit_s=limit, question="How long?")), user, "a")
    refused("choice_missing", ruling.choose, draft, "How long?", {"q1"}, " ", user)
    refused("nothing_chosen", ruling.choose, draft, "How long?", set(), "why", user)
    refused("rule_gone", ruling.choose, draft, "How long?", {"late"}, "why", user)
    ruling.choose(draft, "How long?", {"q1"}, "the same species", user)
    said = {row.rule.code: (row.active, row.choice) for row in value_of(draft)}
    assert said["q1"] == (True, "the same species") and said["q2"] == (False, "the same species")
    assert said["late"] == (True, "")


WRONG = [
    ({"limit_s": None}, "rule_lacks"),
    ({"from_act": ""}, "rule_lacks"),
    ({"at_least_s": 7201}, "least_over_most"),
    ({"to_act": "drawn"}, "acts_the_same"),
    ({"from_act": "spun", "to_act": "drawn"}, "acts_reversed"),
    ({"source": " "}, "source_empty"),
    ({"evidence": "memory"}, "memory_needs_a_note"),
    ({"active": False}, "choice_missing"),
    ({"max_thaws": 1}, "value_not_for_this_kind"),
]
BANDS = [
    (((800, 60),), "band_without_end"),
    (((800, 60), (800, 30), (None, 10)), "bands_do_not_rise"),
    (((None, 60), (None, 10)), "band_without_temperature"),
    (((800, 0), (None, 10)), "band_bears_nothing"),
    (((800, None), (None, None)), "budget_limits_nothing"),
    ((), "rule_lacks"),
]


def said(kind="interval", **more):
    base = blank(kind) | {"code": "x", "severity": "stop", "evidence": "human", "source": "A study"}
    return base | more


@pytest.mark.parametrize(("wrong", "code"), WRONG)
def test_what_is_no_rule_is_refused_with_a_code(wrong, code):
    good = {"from_act": "drawn", "to_act": "spun", "limit_s": 7200}
    assert faults(said(**good)) == []
    assert code in [one.code for one in faults(said(**(good | wrong)))]


@pytest.mark.parametrize(("bands", "code"), BANDS)
def test_bands_that_are_no_budget_are_refused_with_a_code(bands, code):
    assert faults(said("budget", from_act="drawn", bands=((800, 60), (None, 10)))) == []
    assert code in [one.code for one in faults(said("budget", from_act="drawn", bands=bands))]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("2 h", 7200), ("90 min", 5400), ("1 d 12 h", 129_600), ("1,5 h", 5400), ("3d", 259_200)],
)
def test_durations_are_read_as_people_write_them(text, seconds):
    assert duration_of(text) == seconds == duration_of(duration_text(seconds))


@pytest.mark.parametrize(
    ("text", "code"),
    [("2", "unit_missing"), ("2 years", "unit_unknown"), ("-2 h", "duration_malformed"),
     ("soon", "duration_malformed"),
     ("0.1 s", "number_out_of_range")],
)  # fmt: skip
def test_a_duration_without_its_unit_is_refused(text, code):
    refused(code, duration_of, text)


def test_bands_are_read_as_people_write_them():
    assert bands_of("8 °C for 5 d; warmer for ever") == ((800, 432_000), (None, None))
    refused("band_malformed", bands_of, "8 °C")


def test_two_versions_are_compared_field_by_field_in_words(law, user):
    draft = ruling.copy_set(law, user, "next")
    row = next(one for one in value_of(draft) if one.rule.code == "late")
    ruling.change_rule(draft, "late", Row(replace(RULE, limit_s=5400)), digest([row]), user, "shorter")
    ruling.take_out(draft, "iron", user, "out")
    ruling.add_rule(draft, Row(replace(RULE, code="new")), user, "new")
    all_of_them, iron = compare.between(value_of(law), value_of(draft))
    assert [one.rule.code for one in all_of_them.added] == ["new"]
    (field,) = all_of_them.changed[0].fields
    assert (field.heading, field.old, field.new) == ("not later than", "2 h", "1 h 30 min")
    assert iron.assay == "IRON" and [one.rule.code for one in iron.gone] == ["iron"]
    assert compare.between(value_of(law), value_of(law)) == []


def test_the_starter_is_installed_with_what_counts_and_why_once(people, law, user):
    found = install_starter(user)
    assert found.status == "draft", "another set is in force"
    assert set(value_of(found)) == set(starter().rows)
    assert install_starter(user) == found and RuleSet.objects.count() == 2
    families = {one.code: one.family for one in starter().assays if one.code != "IRON"}
    kept = {one.code: one.family.code if one.family else "" for one in Assay.objects.select_related("family")}
    assert {code: kept[code] for code in families} == families
    assert Assay.objects.get(code="IRON").name == "Iron"


def test_assays_stand_in_one_family_and_are_retired(people, user):
    base = {"family": None, "takes": [("SER", "")], "min_ul": 200, "note": ""}
    head = ruling_assays.add_assay(base | {"code": "FAM", "name": "Family"}, user, "a")
    one = ruling_assays.add_assay(base | {"code": "ONE", "name": "One", "family": head}, user, "a")
    assert ruling_assays.add_assay(base | {"code": "ONE", "name": "One", "family": head}, user, "a") == one
    taken = base | {"code": "ONE", "name": "Other"}
    refused("assay_code_taken", ruling_assays.add_assay, taken, user, "a")
    refused(
        "family_in_family",
        ruling_assays.add_assay,
        base | {"code": "TWO", "name": "2", "family": one},
        user,
        "a",
    )
    refused("family_has_members", ruling_assays.retire_assay, head, True, user, "a")
    ruling_assays.retire_assay(one, True, user, "a")
    ruling_assays.retire_assay(head, True, user, "a")
    assert Assay.objects.filter(retired=True).count() == 2


def test_every_starter_rule_goes_through_its_form_unchanged(people, user):
    install_starter(user)
    for row in starter().rows:
        drawn = RuleForm(kind=row.rule.kind, row=row)
        data = {name: drawn[name].value() for name in drawn.fields if name != "bands"}
        data = {name: value for name, value in data.items() if value is not False} | {"reason": "as it is"}
        if "bands" in drawn.fields:
            data |= {f"bands_{n}": box for n, box in enumerate(drawn["bands"].value())}
        form = RuleForm(data, kind=row.rule.kind, row=row)
        assert form.is_valid(), (row.rule.code, form.errors)
        assert form.cleaned_data["row"] == row
