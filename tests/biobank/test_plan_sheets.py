"""Plans as tables: there and back, what a spreadsheet could take for a formula, what is wrong where."""

from __future__ import annotations

import csv
import io
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from biobank.imports.read import MOST_BYTES
from biobank.models import ADDITIVES, MATRICES, SamplePlan, ShortRule, Taxon
from biobank.plans import actions, sheet
from biobank.plans.check import faults
from biobank.plans.rows import value_of
from biobank.plans.starters import starters
from biobank.plans.values import Aliquots, Plan, Planned, in_order
from custody.core.refusal import Refused

WRITERS = [sheet.to_csv, sheet.to_xlsx]
WAYS = pytest.mark.parametrize("write", WRITERS, ids=["csv", "xlsx"])


def text(most: int, least: int = 0, lines: bool = False, label: bool = False) -> st.SearchStrategy[str]:
    """Texts that a plan may hold, also those that look like something else to a spreadsheet."""
    odd = [
        "=1+1",
        "+4",
        "-80",
        "@x",
        "#N/A",
        "'a",
        "''",
        "007",
        "1.0",
        "TRUE",
        "_x0041_",
        "a,b;c\td",
        'a"b',
        "1e3",
    ]
    letters = st.characters(exclude_categories=["Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"])
    free = st.text(letters, max_size=12)
    said = st.one_of(st.sampled_from(odd), free, st.builds("{}\n{}".format, free, free) if lines else free)
    made = said.map(lambda one: unicodedata.normalize("NFC", one).strip())
    return made.filter(
        lambda one: least <= len(one) <= most and all(map(_shown, one)) and (not label or _plain(one))
    )


def _shown(letter: str) -> bool:
    return letter == "\n" or unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def _plain(text: str) -> bool:
    return not set(text) & set("<>") and not any(
        unicodedata.bidirectional(one) in {"R", "AL", "AN"} for one in text
    )


maybe = lambda low, high: st.none() | st.integers(low, high)  # noqa: E731
aliquots = st.builds(
    Aliquots, st.integers(1, 5), st.sampled_from([code for code, _ in MATRICES]), st.integers(1, 2_000_000),
    text(40, 1), maybe(-27_315, 10_000), text(120), st.integers(1, 999), st.booleans(),
)  # fmt: skip
tubes = st.builds(
    Planned, st.integers(1, 99), st.integers(0, 999), text(40, 1, label=True),
    st.sampled_from([code for code, _ in MATRICES]), st.sampled_from(["", *(code for code, _ in ADDITIVES)]),
    text(20, label=True), text(40), st.integers(1, 2_000_000), maybe(0, 50), text(160), maybe(0, 60),
    maybe(60, 30_000), st.none(), st.none(), maybe(0, 30_000), maybe(-27_315, 10_000),
    st.sampled_from(ShortRule.values), maybe(1, 100), st.integers(1, 999), text(120),
    st.lists(aliquots, max_size=3).map(tuple),
)  # fmt: skip
plans = st.builds(
    Plan, st.from_regex(r"[A-Za-z0-9][A-Za-z0-9-]{0,19}", fullmatch=True), text(120, 1),
    st.sampled_from(Taxon.values), text(200), text(4000, lines=True), st.integers(0, 100),
    st.integers(0, 10**6), st.integers(0, 10**6),
    st.lists(tubes, max_size=5, unique_by=lambda one: one.number).map(in_order),
)  # fmt: skip


@WAYS
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(plans)
def test_a_plan_that_is_written_is_read_back_as_the_same(write, plan):
    assert not list(faults(plan))
    assert sheet.read(write(plan)) == (plan, [])


@WAYS
@pytest.mark.parametrize("code", sorted(starters()))
def test_the_starter_plans_go_out_and_come_back(write, code):
    plan = starters()[code]
    assert sheet.read(write(plan)) == (plan, [])


SMALL = Plan(
    "SMALL",
    "Small",
    tubes=(Planned(1, 1, "Red", "BLD", "CLOT", volume_ul=2700, made=(Aliquots(2, "SER", 500),)),),
)
# OWASP, CSV Injection: cells that begin with = + - @ (or tab, carriage return) are taken for formulas
COMMANDS = ['=HYPERLINK("http://x")', "+1+1", "-2+3+cmd|' /C calc'!A0", "@SUM(1)", "=1+1"]


@WAYS
@pytest.mark.parametrize("said", COMMANDS)
def test_no_text_leaves_as_a_formula(write, said):
    plan = replace(SMALL, name=said, tubes=(replace(SMALL.tubes[0], label=said.replace("<", "")[:40]),))
    for cell in cells(write(plan)):
        assert not isinstance(cell, str) or not cell.startswith(("=", "+", "-", "@"))
    assert sheet.read(write(plan)) == (plan, [])


def cells(content: bytes) -> list[object]:
    if content.startswith(b"PK"):
        rows = load_workbook(io.BytesIO(content)).active
        assert all(one.data_type != "f" for line in rows for one in line)
        return [one.value for line in rows for one in line]
    found = csv.reader(io.StringIO(content.decode("utf-8-sig")))
    # a plain number is no formula, whatever its sign
    return [one for line in found for one in line if not one.lstrip("-").replace(".", "").isdecimal()]


def table(change, kind: str = "csv") -> bytes:
    """The small plan's table with something changed: `change` gets rows of a mapping from heading to cell."""
    lines = list(csv.DictReader(io.StringIO(sheet.to_csv(SMALL).decode("utf-8-sig"))))
    lines = change(lines) or lines
    if kind == "csv":
        said = io.StringIO()
        writer = csv.DictWriter(said, list(lines[0]))
        writer.writeheader()
        writer.writerows(lines)
        return said.getvalue().encode()
    book = Workbook()
    book.active.append(list(lines[0]))
    for line in lines:
        book.active.append(list(line.values()))
    found = io.BytesIO()
    book.save(found)
    return found.getvalue()


def put(row: int, column: str, cell: str):
    """A change: this cell, in the row as a spreadsheet counts it (2 plan, 3 tube, 4 aliquots)."""

    def change(lines):
        lines[row - 2][column] = cell

    return change


FAULTS = [
    (put(3, "label", "<i>x</i>"), (3, "label", "label_text_markup")),
    (put(3, "label", "a\u202eb"), (3, "label", "label_text_not_printable")),
    (put(3, "label", ""), (3, "label", "value_missing")),
    (put(3, "label", "x" * 10_000), (3, "label", "text_too_long")),
    (put(3, "label", "=1+1"), (3, "label", "formula_refused")),
    (put(3, "purpose", "@SUM(A1)"), (3, "purpose", "formula_refused")),
    (put(3, "volume, mL", "=2.7"), (3, "volume, mL", "formula_refused")),
    (put(3, "volume, mL", "0"), (3, "volume, mL", "number_out_of_range")),
    (put(3, "volume, mL", "2.70001"), (3, "volume, mL", "number_too_fine")),
    (put(3, "volume, mL", "lots"), (3, "volume, mL", "number_malformed")),
    (put(3, "volume, mL", "1e999"), (3, "volume, mL", "number_malformed")),
    (put(3, "number", "0"), (3, "number", "number_out_of_range")),
    (put(3, "number", "100"), (3, "number", "number_out_of_range")),
    (put(3, "matrix", "BLOOD"), (3, "matrix", "choice_unknown")),
    (put(3, "ice, g", "5"), (3, "ice, g", "cell_not_for_this_row")),
    (put(3, "spin, g", "2000"), (3, "spin, min", "spin_incomplete")),
    (put(4, "number", "7"), (4, "number", "tube_not_in_table")),
    (put(4, "count", "0"), (4, "count", "number_out_of_range")),
    (put(4, "count", "900"), (4, "count", "number_out_of_range")),
    (put(4, "volume, mL", ""), (4, "volume, mL", "value_missing")),
    (put(4, "reserve", "perhaps"), (4, "reserve", "choice_unknown")),
    (put(4, "what", "vial"), (4, "what", "row_kind_unknown")),
    (put(2, "code", "A B"), (2, "code", "code_letters")),
    (put(2, "spare labels, %", "101"), (2, "spare labels, %", "number_out_of_range")),
    (lambda rows: [*rows, rows[0]], (5, "what", "plan_row_repeated")),
    (lambda rows: [*rows, rows[1]], (5, "number", "number_taken")),
    (lambda rows: rows[1:], (0, "what", "plan_row_missing")),
    (lambda rows: [row | {"colour": "red"} for row in rows], (1, "colour", "column_unknown")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "fault"), FAULTS, ids=[f"{n} {one[2]}" for n, (_, one) in enumerate(FAULTS)]
)
def test_a_bad_cell_is_named_by_row_column_sentence_and_code(change, fault):
    plan, found = sheet.read(table(change))
    assert plan is None
    assert fault in [(one.row, one.column, one.code) for one in found]
    assert all(one.sentence.endswith(".") and len(one.sentence) < 400 for one in found)


def test_a_missing_column_is_named():
    def without(rows):
        return [{name: cell for name, cell in row.items() if name != "label"} for row in rows]

    assert [(one.row, one.column, one.code) for one in sheet.read(table(without))[1]] == [
        (1, "label", "column_missing")
    ]


def test_every_fault_is_found_at_once():
    def change(lines):
        put(2, "name", "")(lines)
        put(3, "label", "")(lines)
        put(4, "count", "x")(lines)

    assert [one.row for one in sheet.read(table(change))[1]] == [2, 3, 4]


def test_a_formula_of_a_spreadsheet_is_refused_even_where_it_has_a_value():
    plan, found = sheet.read(table(put(3, "volume, mL", "=1+1.7"), "xlsx"))
    assert plan is None
    assert ("volume, mL", "formula_refused") in [(one.column, one.code) for one in found]


def test_words_commas_and_blanks_are_understood_as_people_type_them():
    def change(lines):
        for row, column, cell in [
            (3, "matrix", "Whole Blood"), (3, "volume, mL", "2,7"), (3, "priority", ""),
            (3, "when short", ""), (4, "container", ""), (2, "taxon", ""), (2, "ice, g", ""),
        ]:  # fmt: skip
            put(row, column, cell)(lines)

    assert sheet.read(table(change)) == (SMALL, [])


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "file_empty"),
        (b"\xff\xfe\x00", "file_kind"),
        (b"PK\x03\x04nonsense", "file_kind"),
        (b"x" * (MOST_BYTES + 1), "file_too_large"),
        (b"what,number\n" + b"tube,1\n" * 6000, "table_too_long"),
    ],
)
def test_what_is_no_table_is_refused(content, code):
    with pytest.raises(Refused) as no:
        sheet.read(content)
    assert no.value.code == code


@pytest.mark.django_db
@WAYS
def test_a_plan_is_taken_in_changed_and_taken_in_again(people, write):
    curator = people.actor("curator")
    plan = actions.take_in(curator, SMALL)
    assert actions.take_in(curator, SMALL) == plan, "the same table again changes nothing"
    wanted = replace(SMALL, name="Smaller")
    with pytest.raises(Refused) as no:
        actions.take_in(curator, wanted)
    assert no.value.code == "reason_required"
    read, _ = sheet.read(write(wanted))
    assert value_of(actions.take_in(curator, read, "shorter name")) == wanted
    assert SamplePlan.objects.filter(code="SMALL").count() == 1
