"""Rule sets as tables: there and back, what a spreadsheet could take for a formula, what is wrong where."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from biobank.checks import rule_sheet
from biobank.checks.starter import Row, starter
from custody.core.rule import READ, SEVERITIES
from custody.core.rule import Rule as Pure

WAYS = pytest.mark.parametrize("write", [rule_sheet.to_csv, rule_sheet.to_xlsx], ids=["csv", "xlsx"])
CODES = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9-]{0,19}", fullmatch=True)
ODD = st.sampled_from(
    ["=1+1", "+4", "-80", "@x", "#N/A", "'a", "''", "007", "TRUE", "a,b;c", 'a"b', "µ ≤ 8 °C", ""]
)
WARM = {"kind": "temperature", "phase": "any", "side": "above"}
KINDS = st.one_of(
    st.builds(lambda s: {"kind": "interval", "from_act": "drawn", "to_act": "spun", "limit_s": s},
              st.integers(0, 10**8)),
    st.builds(lambda c, s: WARM | {"limit_centi": c, "allowed_s": s},
              st.integers(-27_315, 10_000), st.integers(0, 10**7)),
    st.builds(lambda e, s, w: {"kind": "budget", "from_act": "drawn", "bands": ((e, s), (None, w))},
              st.integers(-27_315, 10_000), st.none() | st.integers(1, 10**8), st.integers(1, 10**8)),
    st.builds(lambda ul: {"kind": "volume", "min_ul": ul}, st.integers(1, 2_000_000)),
    st.builds(lambda n: {"kind": "grade", "grade_name": "icterus", "max_cmgdl": n}, st.integers(0, 10**6)),
    st.just({"kind": "custody"}),
)  # fmt: skip
ROWS = st.builds(
    lambda code, kind, severity, read, source, hint, active: Row(
        Pure(code=code, severity=severity, evidence="human",
             source=f"A {source}".strip(), read=read, hint=hint, **kind),
        active, "" if active else "not ours",
    ),
    CODES, KINDS, st.sampled_from(SEVERITIES), st.sampled_from(READ), ODD, ODD, st.booleans(),
)  # fmt: skip
SETS = st.lists(ROWS, min_size=1, max_size=5, unique_by=lambda row: row.rule.code)
ONE = Row(Pure("late", "interval", "stop", "human", "A study", from_act="drawn", to_act="spun", limit_s=7200))


@WAYS
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(SETS)
def test_a_set_that_is_written_is_read_back_as_the_same(write, rows):
    assert rule_sheet.read(write(rows), set()) == (sorted(rows, key=lambda one: one.rule.code), [])


@WAYS
def test_the_starter_goes_out_and_comes_back(write):
    rows, found = rule_sheet.read(write(starter().rows), {one.code for one in starter().assays})
    assert found == [] and set(rows) == set(starter().rows)


# OWASP, CSV Injection: cells that begin with = + - @ (or tab, carriage return) are taken for formulas
@pytest.mark.parametrize("said", ['=HYPERLINK("http://x")', "+1+1", "@SUM(1)", "-2+3"])
def test_no_text_leaves_as_a_formula(said):
    row = Row(replace(ONE.rule, source=said))
    text = rule_sheet.to_csv([row]).decode("utf-8-sig")
    assert f"'{said[:2]}" in text and rule_sheet.read(rule_sheet.to_csv([row]), set()) == ([row], [])


def table(**cells: str) -> bytes:
    good = {"code": "late", "kind": "interval", "severity": "stop", "from": "drawn", "to": "spun",
            "not later than": "2 h", "source": "A study", "evidence": "human"} | cells  # fmt: skip
    lines = [";".join(good), ";".join(good.values())]
    return "\r\n".join(lines).encode()


def test_the_table_that_a_person_types_is_read():
    assert rule_sheet.read(table(), set()) == ([ONE], [])


@pytest.mark.parametrize(
    ("cells", "column", "code"),
    [
        ({"not later than": "2"}, "not later than", "unit_missing"),
        ({"not before": "3 h"}, "not before", "least_over_most"),
        ({"not later than": ""}, "not later than", "rule_lacks"),
        ({"kind": "guess"}, "kind", "choice_unknown"),
        ({"source": ""}, "source", "source_empty"),
        ({"source": "=1+1"}, "source", "formula_refused"),
        ({"assay": "NONE"}, "assay", "assay_unknown"),
        ({"evidence": "memory"}, "why this source is chosen or not", "memory_needs_a_note"),
        ({"most thaws": "1"}, "most thaws", "value_not_for_this_kind"),
        ({"least volume": "500"}, "least volume", "unit_missing"),
        ({"temperature, °C": "-300"}, "temperature, °C", "number_out_of_range"),
    ],
)
def test_a_fault_names_its_row_and_column(cells, column, code):
    rows, found = rule_sheet.read(table(**cells), {"IRON"})
    assert rows == [] and (2, column, code) in [(one.row, one.column, one.code) for one in found]


def test_a_code_that_stands_twice_an_unknown_column_and_no_rule_are_refused():
    twice = table() + b"\r\n" + table().split(b"\r\n")[1]
    assert [(one.row, one.code) for one in rule_sheet.read(twice, set())[1]] == [(3, "rule_code_taken")]
    assert rule_sheet.read(table(colour="red"), set())[1][0].code == "column_unknown"
    assert rule_sheet.read(table().split(b"\r\n")[0], set())[1][0].code == "rule_set_is_empty"
    assert {one.code for one in rule_sheet.read(b"code,kind\r\nx,custody", set())[1]} == {"column_missing"}
