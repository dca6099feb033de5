"""Tables of past samples: whole or not at all, once, and every error in its row."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import UTC, date, datetime

import openpyxl
import pytest
import time_machine
from django.db import IntegrityError
from hypothesis import given
from hypothesis import strategies as some

from biobank.imports import actions, queries
from biobank.imports.forms import MappingForm, RuleRow, TubeRow, form_of, rules_of, spec_of, tubes_of
from biobank.imports.mapping import digest
from biobank.imports.read import MOST_ROWS, read_table
from biobank.models import (
    Animal,
    FieldDay,
    Identifier,
    PlannedTube,
    Programme,
    SamplePlan,
    Site,
    TableDraft,
    TableImport,
    TableMapping,
    Tube,
    TubeSet,
    Workup,
)
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.rebuild import differences

SPEC = {
    "individual": {"columns": ["Year", "Seal"], "kind": "field", "join": "/", "why": "anew each year"},
    "species": {"value": "Phoca vitulina"},
    "sex": {"column": "Sex", "words": {"hann": "M"}},
    "site": {"column": "Beach", "words": {"North haul-out": "NHO"}},
    "date": {"column": "Day", "format": "%d.%m.%Y"},
    "missing": ["NA", "-"],
    "plan": {"code": "OLD-BLOOD", "name": "Old blood"},
    "tubes": [
        {"label": "Red", "matrix": "BLD", "additive": "NONE", "container": "glass", "volume_ul": 10000,
         "volume_column": "Red mL"},
        {"label": "EDTA", "matrix": "BLD", "additive": "EDTK", "volume_ul": 4000},
    ],
    "comments": "Remarks",
    "rules": [
        {"if_contains": "no blood", "outcome": "not_collected", "reason": "no blood obtained"},
        {"if_contains": "EDTA half", "tube": "EDTA", "outcome": "short", "reason": "vein collapsed"},
        {"if_contains": "EDTA broke", "tube": "EDTA", "outcome": "not_collected", "reason": "tube broke"},
    ],
    "otherwise": "drawn",
}  # fmt: skip
HEAD = ["Year", "Seal", "Sex", "Beach", "Day", "Red mL", "Remarks"]
ROWS = [
    ["2011", "1", "F", "Skarvik Bay", "03.05.2011", "9.5", ""],
    ["2011", "2", "hann", "North haul-out", "04.05.2011", "NA", "EDTA half full"],
    ["2012", "1", "M", "Skarvik Bay", "05.05.2012", "10", "EDTA broke"],
    ["2012", "2", "-", "Skarvik Bay", "05.05.2012", "", "No blood, released at once"],
]
MADE = [Animal, FieldDay, Identifier, PlannedTube, SamplePlan, Site, TableImport, Tube, TubeSet, Workup]


def table(rows=ROWS, head=HEAD, sign=",") -> bytes:
    written = io.StringIO()
    csv.writer(written, delimiter=sign).writerows([head, *rows])
    return written.getvalue().encode()


def sheet(rows=ROWS, head=HEAD, change=lambda page: None, name="Bleeds") -> bytes:
    book = openpyxl.Workbook()
    page = book.active
    page.title = name
    for row in [head, *rows]:
        page.append(row)
    change(page)
    kept = io.BytesIO()
    book.save(kept)
    return kept.getvalue()


def changed(row: int, column: str, cell: str) -> list[list[str]]:
    rows = [list(one) for one in ROWS]
    rows[row][HEAD.index(column)] = cell
    return rows


@pytest.fixture
def actor(people):
    return people.actor("curator")


@pytest.fixture
def mapping(actor) -> TableMapping:
    return actions.save_mapping(actor, "Old seal bleeds", SPEC)


def upload(actor, mapping, content=None, name="bleeds.csv", page=""):
    return actions.upload(actor, mapping, name, table() if content is None else content, page)


def take(actor, draft, key=None):
    return actions.take_in(actor, key or new_id(), draft, digest(draft.mapping.spec))


def errors(actor, mapping, rows) -> list[tuple[int, str, str]]:
    found = queries.read_draft(upload(actor, mapping, table(rows))).errors
    return [(one.row, one.column, one.code) for one in found]


def counts() -> dict[str, int]:
    return {model.__name__: model.objects.count() for model in MADE} | {"events": ledger.size()}


def refused(code: str):
    return pytest.raises(Refused, check=lambda no: no.code == code)


def test_a_table_becomes_animals_workups_and_tubes_with_their_events(people, actor, mapping):
    done = take(actor, upload(actor, mapping))
    assert (done.rows, done.animals, done.tubes) == (4, 4, 8)
    assert (done.drawn, done.short, done.not_collected) == (4, 1, 3)
    tubes = {
        (tube.tube_set.workup.animal.identifiers.get().text, tube.label): ledger.state(tube.code)
        for tube in Tube.objects.select_related("tube_set__workup__animal")
    }
    assert {name: (state.status, state.volume_ul) for name, state in tubes.items()} == {
        ("2011/1", "Red"): ("held", 9500),
        ("2011/1", "EDTA"): ("held", None),
        ("2011/2", "Red"): ("held", None),
        ("2011/2", "EDTA"): ("held", None),
        ("2012/1", "Red"): ("held", 10000),
        ("2012/1", "EDTA"): ("not_collected", None),
        ("2012/2", "Red"): ("not_collected", None),
        ("2012/2", "EDTA"): ("not_collected", None),
    }
    assert {state.custodian for state in tubes.values()} == {"NLB"}
    assert ledger.findings() == [] and differences() == []


def test_reasons_and_the_row_are_in_the_ledger(actor, mapping):
    take(actor, upload(actor, mapping))
    said = [one for tube in Tube.objects.all() for one in ledger.history(tube.code)]
    assert sorted(one.data["reason"] for one in said if one.kind == "not_collected") == [
        "no blood obtained", "no blood obtained", "tube broke",
    ]  # fmt: skip
    assert [one.line["note"] for one in said if one.line.get("short")] == ["vein collapsed"]
    rows = {one.data["note"] for one in said if one.kind == "label_printed"}
    assert rows == {f"as imported: bleeds.csv, row {n}" for n in range(2, 6)}
    assert {one.data["plan"] for one in said if one.kind == "label_printed"} == {"OLD-BLOOD/1"}


def test_the_history_of_every_row_says_who_and_why(people, actor, mapping):
    take(actor, upload(actor, mapping))
    for model in (Animal, Identifier, Workup, TubeSet, SamplePlan, PlannedTube, FieldDay, Site):
        made = model.history.filter(history_change_reason="as imported from bleeds.csv")
        assert made.exists(), model
        assert {one.history_user for one in made} == {people.user("curator")}


def test_noon_of_the_programmes_zone_stands_for_a_day_without_an_hour(actor, mapping):
    take(actor, upload(actor, mapping))
    tube = Tube.objects.filter(tube_set__workup__day__date=date(2011, 5, 3)).first()
    drawn = next(one for one in ledger.history(tube.code) if one.kind == "drawn")
    assert datetime.fromtimestamp(drawn.at_ms / 1000, UTC) == datetime(
        2011, 5, 3, 10, tzinfo=UTC
    )  # CEST is UTC+2
    assert (drawn.unc_s, drawn.off_min, drawn.tz) == (43_200, 120, "Europe/Oslo")


@time_machine.travel(datetime(2026, 5, 3, 6, tzinfo=UTC), tick=False)
def test_this_mornings_table_is_not_in_the_future(actor, mapping):
    draft = upload(actor, mapping, table(changed(0, "Day", "03.05.2026")))
    assert queries.read_draft(draft).rows[0].at == datetime(2026, 5, 3, 6, tzinfo=UTC)
    assert take(actor, draft).rows == 4
    tomorrow = table(changed(0, "Day", "04.05.2026"))
    assert [one.code for one in queries.read_draft(upload(actor, mapping, tomorrow)).errors] == [
        "time_in_future"
    ]


def test_a_date_with_an_hour_keeps_it(actor):
    spec = SPEC | {"date": {"column": "Day", "format": "%d.%m.%Y %H:%M"}}
    other = actions.save_mapping(actor, "With hours", spec)
    rows = [[*ROWS[0][:4], "03.05.2011 09:20", *ROWS[0][5:]]]
    row = queries.read_draft(upload(actor, other, table(rows))).rows[0]
    assert (row.at, row.unc_s) == (datetime(2011, 5, 3, 7, 20, tzinfo=UTC), 60)


WRONG = [
    (0, "Day", "5/3/2011", "date_malformed"),
    (0, "Day", "31.02.2011", "date_malformed"),
    (0, "Day", "03.05.0211", "date_malformed"),
    (1, "Day", "NA", "date_missing"),
    (1, "Day", "04.05.2911", "time_in_future"),
    (2, "Seal", "", "individual_missing"),
    (2, "Year", "-", "individual_missing"),
    (0, "Seal", "x" * 40, "text_too_long"),
    (1, "Sex", "hunn", "sex_unknown"),
    (3, "Beach", "na", "site_missing"),
    (3, "Beach", "Øy", "site_code_taken"),
    (0, "Red mL", "lots", "volume_malformed"),
    (0, "Red mL", "-1", "volume_malformed"),
    (0, "Red mL", "1e9", "volume_malformed"),
    (0, "Red mL", "0.0001", "volume_malformed"),
    (0, "Red mL", "NaN", "volume_malformed"),
]


@pytest.mark.parametrize(("row", "column", "cell", "code"), WRONG)
def test_what_is_wrong_in_a_row_is_said_with_row_column_and_code(
    people, actor, mapping, row, column, cell, code
):
    if code == "site_code_taken":
        Site.objects.create(programme=people.programme, code="Y", name="Ytre")
    assert errors(actor, mapping, changed(row, column, cell)) == [(row + 2, column, code)]


def test_all_errors_of_a_row_are_said_at_once(actor, mapping):
    rows = changed(0, "Day", "")
    rows[0][HEAD.index("Sex")] = "?"
    assert {one[2] for one in errors(actor, mapping, rows)} == {"date_missing", "sex_unknown"}


@pytest.mark.parametrize("bad", range(4))
def test_one_bad_row_and_nothing_is_written(actor, mapping, bad):
    draft = upload(actor, mapping, table(changed(bad, "Day", "one day in May")))
    before = counts()
    with refused("table_has_errors"):
        take(actor, draft)
    assert counts() == before
    assert TableDraft.objects.filter(pk=draft.pk).exists(), "it can be looked at again"


def test_when_the_ledger_refuses_nothing_is_written(actor, mapping, monkeypatch):
    """The rows stand or fall with the events, also when the last event is the bad one."""
    from biobank.imports import making

    honest = making._acts

    def twice(made, key, row, tube_set, tubes):
        yield from honest(made, key, row, tube_set, tubes)
        if row.number == 5:
            yield from (
                act for act in honest(made, new_id(), row, tube_set, tubes) if act.kind == "label_printed"
            )

    monkeypatch.setattr(making, "_acts", twice)
    draft = upload(actor, mapping)
    before = counts()
    with refused("label_once"):
        take(actor, draft)
    assert counts() == before


def test_when_a_row_cannot_be_written_the_ledger_is_as_before(actor, mapping, monkeypatch):
    """The events stand or fall with the rows, also when the last row is the bad one."""

    def fails(self, *args, **kwargs):
        raise IntegrityError("the last row of all")

    monkeypatch.setattr(TableImport, "save", fails)
    draft = upload(actor, mapping)
    before = counts()
    with pytest.raises(IntegrityError):
        take(actor, draft)
    assert counts() == before


def test_the_same_file_is_taken_in_once(actor, mapping):
    take(actor, upload(actor, mapping))
    before = counts()
    with refused("table_already_taken"):
        upload(actor, mapping, name="copy of bleeds.csv")
    assert counts() == before


def test_two_drafts_of_one_file_and_only_one_is_taken(people, actor, mapping):
    mine = upload(actor, mapping)
    theirs = TableDraft.objects.create(
        person=people.person("auditor"),
        mapping=mapping,
        file_name="b.csv",
        sha256=mine.sha256,
        content=table(),
    )
    take(actor, mine)
    before = counts()
    with refused("table_already_taken"):
        take(actor, theirs)
    assert counts() == before


def test_the_same_form_twice_is_one_import(actor, mapping):
    draft, key = upload(actor, mapping), new_id()
    first = take(actor, draft, key)
    before = counts()
    assert take(actor, draft, key) == first
    assert counts() == before


def test_the_same_form_twice_at_once_is_one_import(actor, mapping, monkeypatch):
    """The second one looked before the first had written: the ledger's own key decides."""
    draft, key = upload(actor, mapping), new_id()
    first = take(actor, draft, key)
    before = counts()
    looks = [None]
    honest = actions.taken_with
    monkeypatch.setattr(actions, "taken_with", lambda *given: looks.pop() if looks else honest(*given))
    monkeypatch.setattr(actions, "_not_taken", lambda sha256: None)
    assert take(actor, draft, key) == first
    assert looks == [] and counts() == before


def test_a_mapping_changed_since_looking_is_looked_at_again(actor, mapping):
    draft = upload(actor, mapping)
    seen = digest(mapping.spec)
    actions.save_mapping(actor, mapping.name, SPEC | {"otherwise": "refuse"}, mapping)
    draft.refresh_from_db()
    before = counts()
    with refused("preview_stale"):
        actions.take_in(actor, new_id(), draft, seen)
    assert counts() == before


def test_a_saved_mapping_reads_the_next_years_table(actor, mapping):
    take(actor, upload(actor, mapping))
    next_year = table([["2013", "1", "F", "North haul-out", "06.05.2013", "8", ""]])
    done = take(actor, upload(actor, mapping, next_year, "2013.csv"))
    assert (done.rows, done.tubes) == (1, 2)
    assert SamplePlan.objects.filter(code="OLD-BLOOD").count() == 1, "same tubes, same version"
    assert Site.objects.filter(name="North haul-out").get().code == "NHO"
    more = SPEC | {"tubes": [*SPEC["tubes"], {"label": "Swab", "matrix": "SWB"}]}
    actions.save_mapping(actor, mapping.name, more, mapping)
    mapping.refresh_from_db()
    take(
        actor,
        upload(actor, mapping, table([["2014", "1", "F", "Skarvik Bay", "06.05.2014", "8", ""]]), "2014.csv"),
    )
    assert list(SamplePlan.objects.filter(code="OLD-BLOOD").values_list("version", flat=True)) == [2, 1]


def test_a_known_animal_is_met_again_and_not_changed(people, actor, mapping):
    Identifier.objects.create(animal=people.animal, kind="field", text="2011/1", since=date(2011, 1, 1))
    before = people.animal.history.count()
    draft = upload(actor, mapping)
    assert queries.read_draft(draft).animals_known == 1
    take(actor, draft)
    assert people.animal.workups.get().day.date == date(2011, 5, 3)
    assert people.animal.history.count() == before
    assert Animal.objects.count() == 4


def test_an_identifier_cannot_be_two_species_or_two_sexes(people, actor, mapping):
    Identifier.objects.create(animal=people.animal, kind="field", text="2012/1", since=date(2011, 1, 1))
    assert errors(actor, mapping, ROWS) == [(4, "Sex", "sex_differs")], "the known one is female"
    rows = [*ROWS, ["2011", "1", "M", "Skarvik Bay", "09.05.2011", "9", ""]]
    assert (6, "Sex", "sex_differs") in errors(actor, mapping, rows)
    people.animal.species = "Halichoerus grypus"
    people.animal.save()
    assert errors(actor, mapping, ROWS) == [(4, "", "species_differs")]


def test_the_same_animal_twice_on_one_day_is_asked_about(actor, mapping):
    assert errors(actor, mapping, [*ROWS, ROWS[0]]) == [(6, "Day", "row_repeated")]


def test_an_animal_or_site_of_another_programme_is_not_taken_over(people, actor, mapping):
    other = Programme.objects.create(code="TARN", name="Tarn otters")
    animal = Animal.objects.create(programme=other, code="O-1", species="Phoca vitulina")
    Identifier.objects.create(animal=animal, kind="field", text="2011/1", since=date(2011, 1, 1))
    Site.objects.create(programme=other, code="NHO", name="North haul-out")
    assert errors(actor, mapping, ROWS) == [(2, "Seal", "identifier_taken"), (3, "Beach", "site_code_taken")]


def test_a_person_of_this_programme_sees_their_own_drafts_only(people, actor, mapping):
    draft = upload(actor, mapping)
    assert list(queries.drafts_of(people.person("curator"))) == [draft]
    assert list(queries.drafts_of(people.person("labtech"))) == []


def test_only_a_few_drafts_are_kept(actor, mapping):
    for n in range(actions.MOST_DRAFTS + 3):
        upload(actor, mapping, table(changed(0, "Seal", str(100 + n))))
    assert TableDraft.objects.count() == actions.MOST_DRAFTS


# the file


@pytest.mark.parametrize("content", [
    table(sign=";"), table(sign="\t"), b"\xef\xbb\xbf" + table(), table().replace(b"\r\n", b"\n"),
    table() + b"\r\n,,,,,,\r\n\r\n", sheet(),
], ids=["semicolon", "tab", "byte order mark", "line feed", "blank rows", "xlsx"])  # fmt: skip
def test_the_same_table_in_another_form_reads_the_same(actor, mapping, content):
    plain = queries.read_draft(upload(actor, mapping))
    other = queries.read_draft(upload(actor, mapping, content, "other"))
    assert plain.errors == () and other == plain


def test_a_sheet_with_real_dates_and_numbers_reads_as_its_text_does(actor, mapping):
    def typed(page):
        for row in page.iter_rows(min_row=2):
            for cell in row:
                if cell.column == 5:
                    cell.value = datetime.strptime(cell.value, "%d.%m.%Y")
                elif cell.column in (1, 2, 6) and str(cell.value or "").replace(".", "").isdecimal():
                    cell.value = float(cell.value)

    plain = queries.read_draft(upload(actor, mapping))
    assert queries.read_draft(upload(actor, mapping, sheet(change=typed), "x.xlsx")) == plain


CELLS = some.text(some.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]), max_size=12)


@given(
    some.lists(some.lists(CELLS, min_size=3, max_size=3), min_size=1, max_size=6), some.sampled_from(",;\t")
)
def test_any_cells_read_alike_from_csv_and_xlsx(rows, sign):
    """openpyxl and Python's csv module write, we read: neither form may lose or change a cell."""
    rows = [[cell.lstrip("=") for cell in row] for row in rows]  # what begins with = would be a formula
    written = io.StringIO()
    csv.writer(written, delimiter=sign).writerows([["a", "b", "c"], *rows])
    plain = read_table(written.getvalue().encode())
    book = openpyxl.Workbook()
    for n, row in enumerate([["a", "b", "c"], *rows], 1):
        for m, cell in enumerate(row, 1):
            book.active.cell(n, m).value = cell
    kept = io.BytesIO()
    book.save(kept)
    other = read_table(kept.getvalue())
    assert (plain.columns, plain.rows) == (other.columns, other.rows)


def test_a_named_sheet_is_read_and_an_unknown_one_refused(actor, mapping):
    def add(page):
        page.parent.create_sheet("Cover", 0).append(["nothing here"])

    content = sheet(change=add)
    assert len(queries.read_draft(upload(actor, mapping, content, page="Bleeds")).rows) == 4
    with refused("column_missing"):
        upload(actor, mapping, content)
    with refused("sheet_unknown"):
        upload(actor, mapping, content, page="Bleed")


def test_a_formula_is_its_value_and_without_one_an_error(actor, mapping):
    """openpyxl writes formulas without values, as some programs do; the value is then put in by hand."""
    content = sheet(change=lambda page: page.__setitem__("F2", "=19/2"))
    found = queries.read_draft(upload(actor, mapping, content)).errors
    assert [(one.row, one.column, one.code) for one in found] == [(2, "Red mL", "formula_without_value")]
    worked_out = edit(content, "xl/worksheets/sheet1.xml", b"<v></v>", b"<v>9.5</v>", b"<v />", b"<v/>")
    row = queries.read_draft(upload(actor, mapping, worked_out)).rows[0]
    assert row.tubes[0].ul == 9500


def edit(content: bytes, name: str, old: bytes, new: bytes, *other_ways: bytes) -> bytes:
    """The same zip with one member changed; the old bytes may be written in several ways."""
    kept = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as there, zipfile.ZipFile(kept, "w") as made:
        for one in there.namelist():
            data = there.read(one)
            ways = [way for way in (old, *other_ways) if way in data]
            assert ways or one != name
            made.writestr(one, data.replace(ways[0], new) if one == name else data)
    return kept.getvalue()


def test_an_error_shown_in_a_cell_is_not_read_as_its_text(actor, mapping):
    def broken(page):
        page["D3"].value = "#REF!"
        page["D3"].data_type = "e"

    found = queries.read_draft(upload(actor, mapping, sheet(change=broken))).errors
    assert [(one.row, one.column, one.code) for one in found] == [(3, "Beach", "cell_is_error")]


FILES = [
    (b"", "file_empty"),
    (b"\n\n", "file_empty"),
    (b"%PDF-1.7 \xff\xfe", "file_kind"),
    (b"a,b\n1,\0", "file_kind"),
    ("Seal,Øy\n".encode("utf-16"), "file_kind"),
    ("Seal,Øy\n".encode("latin-1"), "file_kind"),
    (b'Seal,Day\n"never closed,1\n', "file_kind"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "file_kind"),
    (b"PK\x03\x04 not really", "file_kind"),
    (b",,\n1,2,3\n", "heading_missing"),
    (b"Seal,Day,Seal\n1,2,3\n", "column_repeated"),
    (b"a" * 5_000_001, "file_too_large"),
    (b"a\n" * (MOST_ROWS + 2), "table_too_long"),
    (b"a\n" + b"\n" * 30_000, "table_too_long"),
    (b"," * 250 + b"a\n", "table_too_wide"),
]


@pytest.mark.parametrize(("content", "code"), FILES)
def test_a_file_that_is_no_table_is_refused_and_not_kept(actor, mapping, content, code):
    with refused(code):
        upload(actor, mapping, content)
    assert not TableDraft.objects.exists()


def test_exactly_the_most_rows_are_read():
    assert len(read_table(b"a\n" + b"1\n" * MOST_ROWS).rows) == MOST_ROWS


def test_a_zip_that_is_no_spreadsheet_and_one_that_unpacks_to_too_much(actor, mapping):
    for members, code in [
        ({"a.txt": b"hello"}, "file_kind"),
        ({"xl/big.xml": bytes(70_000_000)}, "file_too_large"),
    ]:
        kept = io.BytesIO()
        with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as made:
            for name, data in members.items():
                made.writestr(name, data)
        with refused(code):
            upload(actor, mapping, kept.getvalue())


def test_a_missing_column_names_itself_and_what_is_there(actor, mapping):
    with pytest.raises(Refused) as no:
        upload(actor, mapping, table(head=[*HEAD[:4], "Date", *HEAD[5:]]))
    assert no.value.code == "column_missing"
    assert "no column Day." in no.value.sentence and "Date" in no.value.sentence
    with refused("table_without_rows"):
        upload(actor, mapping, table(rows=[]))


def test_a_row_with_cells_beyond_the_headings_is_an_error(actor, mapping):
    found = queries.read_draft(upload(actor, mapping, table([[*ROWS[0], "what is this"]]))).errors
    assert [(one.row, one.code) for one in found] == [(2, "row_too_wide")]


# the mapping

MALFORMED = [
    {"individual": {"columns": []}},
    {"individual": {"columns": ["Seal"], "kind": "ring"}},
    {"species": {}},
    {"species": {"column": "A", "value": "B"}},
    {"sex": {"column": "Sex", "words": {"x": "X"}}},
    {"site": {"column": "Beach", "words": {"Bay": "two words"}}},
    {"date": {"format": "%Y"}},
    {"date": {"column": "Day", "format": "%Q"}},
    {"date": {"column": "Day", "tz": "Skarvik/Bay"}},
    {"plan": {"code": "no spaces please"}},
    {"tubes": []},
    {"tubes": [{"label": "Red", "matrix": "LAVA"}]},
    {"tubes": [{"label": "Red", "matrix": "BLD", "volume_ul": 1.5}]},
    {"tubes": [{"label": "Red", "matrix": "BLD"}, {"label": "Red", "matrix": "BLD"}]},
    {"rules": [{"if_contains": "x", "outcome": "lost"}]},
    {"rules": [{"if_contains": "x", "outcome": "short"}]},
    {"rules": [{"if_contains": "", "outcome": "drawn"}]},
    {"rules": [{"if_blank": True, "if_present": True, "outcome": "drawn"}]},
    {"rules": [{"if_blank": True, "outcome": "drawn", "tube": "Green"}]},
    {"rules": [{"if_contians": "x", "outcome": "drawn"}]},
    {"comments": ""},
    {"otherwise": "guess"},
    {"colour": "blue"},
]


@pytest.mark.parametrize("change", MALFORMED, ids=str)
def test_a_mapping_that_cannot_be_is_not_saved(actor, change):
    with refused("mapping_malformed"):
        actions.save_mapping(actor, "Bad", SPEC | change)
    assert not TableMapping.objects.exists()


def test_a_name_is_given_once_and_the_same_form_twice_is_one_mapping(actor, mapping):
    assert actions.save_mapping(actor, mapping.name, SPEC) == mapping
    with refused("name_taken"):
        actions.save_mapping(actor, mapping.name, SPEC | {"about": "other"})
    assert TableMapping.objects.count() == 1


def test_a_change_of_a_mapping_is_in_its_history_with_who_and_why(people, actor, mapping):
    actions.save_mapping(actor, mapping.name, SPEC | {"about": "x"}, mapping, "said what it is")
    last = mapping.history.first()
    assert (last.history_user, last.history_change_reason) == (people.user("curator"), "said what it is")
    assert mapping.history.last().spec == SPEC


def test_rules_are_asked_in_order_about_their_tube(actor):
    rules = [
        {"if_equals": "none", "tube": "Red", "outcome": "not_collected", "reason": "first"},
        {"if_contains": "NONE", "outcome": "not_collected", "reason": "second"},
        {"if_blank": True, "column": "Red mL", "tube": "Red", "outcome": "short", "reason": "not weighed"},
        {"if_present": True, "column": "Seal", "outcome": "drawn"},
    ]
    other = actions.save_mapping(actor, "Ordered", SPEC | {"rules": rules, "otherwise": "refuse"})
    rows = [
        ["2011", "1", "F", "Skarvik Bay", "03.05.2011", "9.5", "None"],
        ["2011", "2", "F", "Skarvik Bay", "03.05.2011", "9.5", "none at all"],
        ["2011", "3", "F", "Skarvik Bay", "03.05.2011", "", "fine"],
    ]
    read = queries.read_draft(upload(actor, other, table(rows)))
    assert [[(one.outcome, one.reason) for one in row.tubes] for row in read.rows] == [
        [("not_collected", "first"), ("not_collected", "second")],
        [("not_collected", "second"), ("not_collected", "second")],
        [("short", "not weighed"), ("drawn", "")],
    ]


def test_a_mapping_goes_into_its_form_and_comes_out_the_same():
    import json
    from pathlib import Path

    penguins = json.loads((Path(__file__).parents[1] / "outside" / "penguins_mapping.json").read_text())
    for spec in (SPEC, penguins):
        form = MappingForm(form_of(spec) | {"name": "x", "key": new_id()})
        tubes, rules = [TubeRow(one) for one in tubes_of(spec)], [RuleRow(one) for one in rules_of(spec)]
        assert all(one.is_valid() for one in [form, *tubes, *rules]), form.errors
        assert queries.parsed(spec_of(form.cleaned_data, tubes, rules)) == queries.parsed(spec)
