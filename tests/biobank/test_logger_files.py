"""How a logger's file becomes numbers: tables of every kind, what is refused, what is guessed or asked.

Sources: °F fixed points are the definition of the scale (32 °F = 0 °C, 212 °F = 100 °C), 0 °C = 273.15 K (SI
Brochure 2019, 2.3.1); rounding half to even as in IEEE 754, checked with fractions.Fraction; 24:00 is the end
of a day in ISO 8601; day 0 of spreadsheet dates is 30 Dec 1899 (ECMA-376 part 1, 18.17.4), written here by
openpyxl; gzip RFC 1952. File layouts are invented here, common practice, no source.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from biobank.temperature import table as tables
from biobank.temperature import unpack
from biobank.temperature.cells import centi_of, time_reader
from biobank.temperature.guess import answered, guess
from biobank.temperature.held import ERROR
from biobank.temperature.parse import Mapping, parse
from biobank.temperature.profile import begins, caught, holds
from custody.core.refusal import Refused

FORMAT = "%Y-%m-%d %H:%M"
PLAIN = Mapping("time", "temp", FORMAT)
START = datetime(2026, 5, 3, 9, tzinfo=UTC)


def utc(text):
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def table(rows, heading="time,temp"):
    return ("\n".join([heading, *(f"{t},{v}" for t, v in rows)]) + "\n").encode()


def series(count, minutes=5, start=START, value=lambda k: f"{4 + k % 5 / 10:.1f}", written=FORMAT):
    return [(f"{start + timedelta(minutes=minutes * k):{written}}", value(k)) for k in range(count)]


def moments(count, minutes=5, start=START):
    return [round((start + timedelta(minutes=minutes * k)).timestamp() * 1000) for k in range(count)]


def codes_of(parsed):
    return [problem.code for problem in parsed.problems]


def refused(content, mapping=PLAIN):
    with pytest.raises(Refused) as no:
        parse(content, mapping)
    return no.value.code


def zipped(*files, packing=zipfile.ZIP_DEFLATED):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", packing) as archive:
        for name, content in files:
            archive.writestr(name, content)
    return stream.getvalue()


# --- numbers --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "centi"),
    [("32", "F", 0), ("212", "F", 10_000), ("-40", "F", -4000), ("98.6", "F", 3700), ("32.009", "F", 0),
     ("32.027", "F", 2), ("31.991", "F", 0), ("−40", "F", -4000), ("-459.67", "F", -27_315),
     ("273.15", "K", 0), ("0", "K", -27_315), ("193.155", "K", -8000), ("193.165", "K", -7998)],
)  # fmt: skip
def test_units_become_hundredths_of_celsius_exactly_and_half_to_even(text, unit, centi):
    assert centi_of(text, unit) == centi


@given(
    st.decimals(-500, 500, places=4, allow_nan=False), st.sampled_from("CFK"), st.sampled_from(".,"),
)  # fmt: skip
def test_the_fast_way_is_the_exact_way(value, unit, sign):
    exact = Fraction(value)
    celsius = {"C": exact, "F": (exact - 32) * 5 / 9, "K": exact - Fraction("273.15")}[unit]
    assert centi_of(format(value, "f").replace(".", sign), unit, sign) == round(celsius * 100)


@pytest.mark.parametrize(("text", "centi"), [("-80,05", -8005), ("0,005", 0), ("0,015", 2), ("+4,1", 410)])
def test_a_decimal_comma(text, centi):
    assert centi_of(text, "C", ",") == centi


@pytest.mark.parametrize(
    "text", ["", "abc", "1.2.3", "1e3", "nan", "4 °C", "1,5", "1 234", "1'234", "--4", "٤", "."]
)
def test_what_is_no_number_is_not_guessed(text):
    with pytest.raises(ValueError):
        centi_of(text)


@pytest.mark.parametrize("text", ["1.234", "1.234,5"])
def test_thousands_and_the_other_decimal_sign_are_no_numbers(text):
    with pytest.raises(ValueError):
        centi_of(text, "C", ",")


# --- times ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "text", "expected"),
    [
        ("%d.%m.%Y %H:%M:%S", "03.05.2026 09:12:30", "2026-05-03T09:12:30"),
        ("%d/%m/%Y %H:%M", "3/5/2026 9:12", "2026-05-03T09:12"),
        ("%m/%d/%Y %I:%M:%S %p", "05/03/2026 12:00:01 AM", "2026-05-03T00:00:01"),
        ("%m/%d/%Y %I:%M %p", "05/03/2026 12:30 pm", "2026-05-03T12:30"),
        ("%Y-%m-%d %H:%M", "2026-05-03  09:12", "2026-05-03T09:12"),
        ("%Y-%m-%d %H:%M", "2026-05-03 24:00", "2026-05-04T00:00"),
        ("%Y-%m-%dT%H:%M:%S.%f", "2026-05-03T09:12:30.25", "2026-05-03T09:12:30.250"),
        ("%d %b %Y %H:%M", "3 May 2026 09:12", "2026-05-03T09:12"),
        ("serial", "46145.38368056", "2026-05-03T09:12:30"),
        ("%Y-%m-%d %H:%M | %Y-%m-%d %H:%M:%S", "2026-05-03 09:12:30", "2026-05-03T09:12:30"),
    ],
)
def test_times_are_read_as_written(written, text, expected):
    wall, offset = time_reader(written)(text)
    assert (abs(wall - utc(expected)) < (500 if written == "serial" else 1), offset) == (True, None)


def test_an_offset_beside_the_time_is_used():
    rows = [("2026-03-29T01:59:00+01:00", 4), ("2026-03-29T03:00:00+02:00", 5), ("2026-03-29T01:05:00Z", 6)]
    found = parse(table(rows), Mapping("time", "temp", "%Y-%m-%dT%H:%M:%S%z", "file"))
    assert found.times == [utc("2026-03-29T00:59"), utc("2026-03-29T01:00"), utc("2026-03-29T01:05")]
    assert parse(table([("1777799550", 4)]), Mapping("time", "temp", "unix", "UTC")).times == [1777799550000]


@pytest.mark.parametrize(
    "text",
    ["2026-W18-7 09:00", "2026-02-30 09:00", "2026-05-03 25:00", "2026-05-03 24:01", "03/05/26 09:00",
     "soon", "", "0001-01-01 00:00", "9999-12-31 00:00"],
)  # fmt: skip
def test_what_is_no_time_is_named(text):
    assert codes_of(parse(table([(text, 4)]), PLAIN)) == ["time_malformed"]


def test_two_formats_that_disagree_read_nothing():
    both = Mapping("time", "temp", "%d/%m/%Y %H:%M | %m/%d/%Y %H:%M")
    assert codes_of(parse(table([("03/05/2026 09:00", 4)]), both)) == ["time_malformed"]
    assert not parse(table([("13/05/2026 09:00", 4)]), both).problems


# --- rows -----------------------------------------------------------------------------------------


def test_each_wrong_row_is_named_and_none_is_kept():
    rows = [
        ("2026-05-03 09:00", "4.0"), ("2026-05-03 09:05", "warm"), ("3 May", "4.0"),
        ("2026-05-03 08:00", "4"), ("2026-05-03 09:00", "9.0"), ("2026-05-03 09:10", "900"),
    ]  # fmt: skip
    found = parse(table(rows) + b"2026-05-03 09:15\n", PLAIN)
    assert [(p.row, p.code) for p in found.problems] == [
        (3, "value_not_number"), (4, "time_malformed"), (5, "out_of_order"), (6, "same_time_twice"),
        (7, "value_range"), (8, "row_short"),
    ]  # fmt: skip
    assert found.times == found.centi == []


def test_a_row_said_twice_counts_once_and_a_missing_word_leaves_its_time_out():
    rows = [("2026-05-03 09:00", "4.0"), ("2026-05-03 09:00", "4.0"), ("2026-05-03 09:05", "---"),
            ("2026-05-03 09:10", "")]  # fmt: skip
    found = parse(table(rows), replace(PLAIN, missing=("---", "")))
    assert (found.rows, len(found.times), found.repeated, found.missing) == (4, 1, 1, 2)


def test_a_failed_sensor_stays_in_its_place_as_no_temperature():
    rows = [("2026-05-03 09:00", "4.0"), ("2026-05-03 09:05", "-127.00"), ("2026-05-03 09:10", "4.2")]
    found = parse(table(rows), replace(PLAIN, errors=("-127.00",)))
    assert (found.centi, found.errors, found.missing, found.rows) == ([400, ERROR, 420], 1, 0, 3)


def test_newest_first_all_through_is_turned_round_and_said():
    rows = series(50)
    found, turned = parse(table(rows), PLAIN), parse(table(rows[::-1]), PLAIN)
    assert (turned.times, turned.centi) == (found.times, found.centi) and turned.backwards
    assert turned.lines == found.lines[::-1] and not found.backwards
    rows[10], rows[30] = rows[30], rows[10]
    assert "out_of_order" in codes_of(parse(table(rows[::-1]), PLAIN))


def test_a_table_below_is_an_error_unless_the_end_is_declared():
    below = table(series(5)) + b"Summary,\nHighest,4.4\n"
    assert codes_of(parse(below, PLAIN)) == ["time_malformed"] * 2
    found = parse(below, replace(PLAIN, footer_words="Summary"))
    assert (len(found.times), found.after_end, found.problems) == (5, 2, [])


def test_headings_are_found_by_their_words_wherever_they_stand():
    rows = "\n".join(f"{t},{v}" for t, v in series(3))
    for foreword in ("", "Export\n", "Export\n\nMade;by hand\n"):
        mapping = replace(PLAIN, header_words="time temp")
        assert len(parse(f"{foreword}Time,Temp\n{rows}\n".encode(), mapping).times) == 3
    assert refused(f"a,b\n{rows}".encode(), mapping) == "file_kind"


@pytest.mark.parametrize(
    ("words", "line", "serial"),
    [
        ("Serial number *", "Serial Number:\t00417-B", "00417-B"),
        ("serial no *", "Model X\tSerial No. 417 B\tVersion 2", "417 B"),
        ("S/N *", 'S/N="A 12"', "A 12"),
        ("Device * (main)", "device 9 (main)", "9"),
        ("Serial number *", "Number of rows\t9", ""),
        ("Serial *", "Serial", ""),
    ],
)
def test_a_serial_number_stands_where_the_words_say(words, line, serial):
    assert caught(words, line) == serial


def test_a_file_of_another_logger_is_a_problem_that_names_both():
    content = b"Serial number: 0417 b\n" + table(series(4))
    mapping = replace(PLAIN, header_rows=2, serial_words="Serial number *")
    for own in ("0417B", "0417 b", "", "0417-B"):
        found = parse(content, mapping, serial=own)
        assert found.serial == "0417 b"
        assert codes_of(found) == (["serial_differs"] if own == "0417-B" else [])
    (wrong,) = parse(content, mapping, serial="417B").problems  # leading zeros count
    assert (
        (wrong.row, wrong.code) == (1, "serial_differs")
        and "0417 b" in wrong.sentence
        and "417B" in wrong.sentence
    )
    assert parse(table(series(4)), PLAIN, serial="417B").serial == ""


def test_a_serial_column_must_say_the_same_all_through():
    rows = [(t, f"{v},A1") for t, v in series(4)]
    mapping = replace(PLAIN, serial_column="who")
    assert parse(table(rows, "time,temp,who"), mapping, serial="a1").serial == "A1"
    rows[2] = (rows[2][0], "4,B7")
    assert codes_of(parse(table(rows, "time,temp,who"), mapping, serial="a1")) == ["serial_differs"]


def test_words_find_a_line_whatever_parts_them_and_never_run_for_long():
    line = "=" * 60_000 + "x"
    assert not holds("= = = = = = = = y", line) and caught("= = = = *", line) == ""
    assert holds("date / time: temp", "Date /\tTime\tTEMP") and not holds("", "anything")
    assert begins("End of", "\tend  of: table") and not begins("= =", "anything")


def test_mixed_decimal_signs_are_refused_row_by_row():
    rows = [(t, "4,5" if k % 5 else "4.5") for k, (t, _) in enumerate(series(20))]
    content = table(rows, "time;temp °C").replace(b",4", b";4")
    found = as_guessed(content, zone="UTC")
    assert [(p.row, p.code) for p in found.problems] == [(k, "value_not_number") for k in (2, 7, 12, 17)]


# --- text -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends_read_the_same(encoding, end):
    text = end.join(
        ["Fridge é", "Date;Time;T/°C", "03.05.2026;09:12:00;−79,9", "03.05.2026;09:17:00;-80", ""]
    )
    text = text if encoding.startswith("utf") else text.replace("−", "-")
    mapping = Mapping("Date + Time", "t/°c", "%d.%m.%Y %H:%M:%S", "+02:00", "C", "semicolon", ",", 2)
    found = parse(text.encode(encoding), mapping)
    assert (found.times[0], found.centi, found.lines) == (utc("2026-05-03 07:12"), [-7990, -8000], [3, 4])


def test_an_encoding_that_was_declared_must_fit():
    content = "time,temp,°\n2026-05-03 09:00,4\n".encode("cp1252")
    assert parse(content, replace(PLAIN, encoding="cp1252")).encoding == "cp1252"
    assert refused(content, replace(PLAIN, encoding="utf-8")) == "file_kind"


SIGNS = [("comma", ","), ("semicolon", ";"), ("tab", "\t"), ("pipe", "|"), ("spaces", "   ")]


@pytest.mark.parametrize(("delimiter", "sign"), SIGNS)
def test_five_delimiters(delimiter, sign):
    content = f"day{sign}at{sign}temp\n2026-05-03{sign}09:00{sign}4.5\n".encode()
    assert parse(content, Mapping("day + at", "temp", FORMAT, delimiter=delimiter)).centi == [450]


def test_a_quoted_cell_may_hold_line_ends_and_delimiters():
    content = b'time,"temp\nin C"\n"2026-05-03 09:00","4.5"\n2026-05-03 09:05,warm\n'
    found = parse(content, Mapping("1", "2", FORMAT, header_rows=2))
    assert [(p.row, p.code) for p in found.problems] == [(4, "value_not_number")]


@pytest.mark.parametrize(
    "content",
    [b"", b"  \n", b"%PDF-1.7 ...", b"\x89PNG\r\n", b"\x00\x01\x02\x00", b"time,temp\n", b"time,temp\n\n,\n",
     b"a,b\n1,2\n", b"time;temp\n2026-05-03 09:00;4\n", b"\xd0\xcf\x11\xe0 old", b"PK\x03\x04 broken",
     b"\x1f\x8b broken",
     b'time,temp\n2026-05-03 09:00,"' + b"4" * 200_000],
)  # fmt: skip
def test_the_wrong_kind_of_file_is_refused_whole(content):
    assert refused(content) == "file_kind"


def test_sizes_are_bounded_with_a_sentence(monkeypatch):
    assert refused(b"time,temp\n2026-05-03 09:00," + b"4," * 100_000) == "table_too_wide"
    with pytest.raises(Refused) as no:
        parse(table(series(30)), PLAIN, most_rows=20)
    assert no.value.code == "table_too_long" and "20 rows" in no.value.sentence
    monkeypatch.setattr(tables, "MOST_LINES", 20)
    assert refused(table(series(30))) == "table_too_long"


def test_when_everything_is_wrong_reading_stops():
    found = parse(table([("x", "y")] * 5000), PLAIN)
    assert len(found.problems) == 1001 and found.problems[-1].code == "too_many_problems"


def test_progress_is_told_and_reaches_the_end():
    seen = []
    parse(table(series(12_000)), PLAIN, progress=lambda done, total: seen.append((done, total)))
    assert [done for done, _ in seen] == [5001, 10_001] and {total for _, total in seen} == {12_002}


# --- packed files ---------------------------------------------------------------------------------


def test_one_table_in_a_zip_or_gzip_reads_as_itself():
    content = table(series(20))
    for packed in (
        zipped(("a/../../b.csv", content)),
        gzip.compress(content),
        zipped(("x/", ""), ("x/b", content)),
    ):
        assert parse(packed, PLAIN) == parse(content, PLAIN)
    assert parse(gzip.compress(content[:99]) + gzip.compress(content[99:]), PLAIN) == parse(content, PLAIN)


def test_archives_that_are_refused(monkeypatch):
    content = table(series(2000))
    assert refused(zipped(("a", content), ("b", content))) == "zip_many"
    assert refused(zipped()) in ("zip_many", "file_kind")
    assert refused(zipped(("a", zipped(("b", content))))) == "zip_nested"
    assert refused(zipped(("a", gzip.compress(content)))) == "zip_nested"
    assert refused(gzip.compress(zipped(("a", content)))) == "zip_nested"
    assert refused(gzip.compress(content)[:-20]) == "file_kind"
    bomb = b"0" * 3_000_000
    assert refused(zipped(("a", bomb))) == refused(gzip.compress(bomb)) == "zip_too_large"
    monkeypatch.setattr(unpack, "MOST_BYTES", 10_000)
    for packed in (zipped(("a", content)), gzip.compress(content)):
        with pytest.raises(Refused) as no:
            unpack.unpacked(packed, 10_000)
        assert no.value.code == "zip_too_large"
    with pytest.raises(Refused) as no:
        unpack.unpacked(content, 10_000)
    assert no.value.code == "file_too_large"


def test_an_archive_that_lies_about_its_size_is_not_unpacked_beyond_it():
    packed = bytearray(zipped(("a", b"0" * 3_000_000)))
    at = packed.rindex(b"PK\x01\x02") + 24  # uncompressed size in the central directory (APPNOTE 4.3.12)
    packed[at : at + 4] = (1000).to_bytes(4, "little")
    with pytest.raises(Refused) as no:
        unpack.unpacked(bytes(packed))
    assert no.value.code in ("file_kind", "zip_too_large")


# --- spreadsheets ---------------------------------------------------------------------------------


def book(rows, before=(), sheets=()):
    made = Workbook()
    for name in sheets:
        made.create_sheet(name)
    for row in [*before, *rows]:
        made.worksheets[-1].append(row)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def test_a_spreadsheet_with_dates_texts_and_numbers():
    at = START.replace(tzinfo=None)
    rows = [[at, 4.1, "4,1"], [at + timedelta(minutes=5), -80, "-80"], [f"{at:%Y-%m-%d} 09:10", 0.005, ""]]
    content = book(rows, [["time", "temp", "said"]])
    found = parse(content, PLAIN)
    assert (found.times, found.centi, found.encoding) == (moments(3), [410, -8000, 0], "spreadsheet")
    said = parse(content, replace(PLAIN, value_column="said", decimal=",", missing=("",)))
    assert (said.centi, said.missing) == ([410, -8000], 1)
    assert parse(zipped(("a.xlsx", content)), PLAIN) == found
    parted = book([[at.date(), time(9, 0), 4.1]], [["day", "at", "temp"]])
    assert parse(parted, Mapping("day + at", "temp", FORMAT)).times == moments(1)


def test_formulas_errors_and_unknown_sheets_are_refused():
    at = START.replace(tzinfo=None)
    content = book(
        [[at, "=1+3"], [at + timedelta(minutes=5), "#DIV/0!"], [True, 4], [at]], [["time", "temp"]]
    )
    assert codes_of(parse(content, PLAIN)) == [
        "formula_refused",
        "cell_is_error",
        "time_malformed",
        "value_not_number",
    ]
    assert refused(content, replace(PLAIN, sheet="May")) == "sheet_unknown"


# --- guessing -------------------------------------------------------------------------------------


def asked_of(content):
    return [question.name for question in guess(content).questions]


def as_guessed(content, **answers):
    mapping = guess(content, answers.get("value", "")).mapping
    for name, value in answers.items():
        mapping = answered(mapping, name, value) if name != "value" else mapping
    return parse(content, mapping)


def test_a_whole_profile_is_found_and_only_the_zone_is_asked():
    rows = [f"{t};{v.replace('.', ',')};41,5" for t, v in series(2000, written="%d.%m.%Y %H:%M:%S")]
    text = "\n".join(
        ["Logger export", "Serial no.: 00417 B", "", "Date/Time;T (°C);rH %", *rows, "End of table", ""]
    )
    content = text.encode("cp1252")
    assert asked_of(content) == ["zone"]
    found = as_guessed(content, zone="UTC")
    assert (found.times, found.centi[:2], found.serial) == (moments(2000), [400, 410], "00417 B")
    assert found.after_end == 1 and {said.why for said in guess(content).said} > {"The heading says so."}


def test_the_zone_is_not_asked_when_each_time_has_its_offset():
    rows = [(f"{t}:00+02:00".replace(" ", "T"), v) for t, v in series(5)]
    assert asked_of(table(rows, "time,temp °C")) == []


@pytest.mark.parametrize(
    ("written", "start", "count", "asked"),
    [
        ("%d/%m/%Y %H:%M", datetime(2026, 5, 13), 20, False),  # 13 is no month
        ("%m/%d/%Y %H:%M", datetime(2026, 5, 13), 20, False),
        ("%d/%m/%Y %H:%M", datetime(2026, 5, 3), 20, True),  # one day: 3 May or 5 March
        ("%m/%d/%Y %H:%M", datetime(2026, 5, 3), 20, True),
        ("%d/%m/%Y %H:%M", datetime(2026, 5, 3), 600, False),  # over two midnights
        ("%m/%d/%Y %H:%M", datetime(2026, 5, 3), 600, False),
        ("%d/%m/%Y %H:%M", datetime(2026, 5, 5), 20, True),  # both the same, this file alone
        ("%d.%m.%Y %H:%M", datetime(2026, 5, 3), 20, True),
        ("%d/%m/%y %H:%M", datetime(2026, 5, 13), 900, True),  # two digits are always asked
        ("%d-%b-%Y %H:%M", datetime(2026, 5, 3), 20, False),
        ("%Y/%m/%d %H:%M", datetime(2026, 5, 3), 20, False),
    ],
)
def test_day_or_month_first_is_decided_by_the_file_or_asked(written, start, count, asked):
    content = table(series(count, start=start.replace(tzinfo=UTC), written=written), "time,temp °C")
    assert asked_of(content) == (["dates", "zone"] if asked else ["zone"])
    answers = {"zone": "UTC"} | ({"dates": written} if asked else {})
    assert as_guessed(content, **answers).times == moments(count, start=start.replace(tzinfo=UTC))
    if asked:
        (question,) = (one for one in guess(content).questions if one.name == "dates")
        assert written in dict(question.options)
        assert codes_of(parse(content, guess(content).mapping)) == ["profile_open"] * 2


@pytest.mark.parametrize(
    ("heading", "values", "asked", "unit"),
    [("temp °F", (40, 41), False, "F"), ("temp (C)", (40, 41), False, "C"), ("temp_F", (4, 5), False, "F"),
     ("temp", (40, 41), True, ""), ("temp", (-112, -100), True, ""), ("temp", (-320, -300), False, "F"),
     ("temp", (150, 180), True, ""), ("temp", (250, 280), False, "K"),
         ("temp", (300, 310), False, "K"), ("temp", (-80, 20), True, "")],
)  # fmt: skip
def test_the_unit_is_said_or_the_only_one_possible_or_asked(heading, values, asked, unit):
    rows = [(t, values[k % 2]) for k, (t, _) in enumerate(series(40))]
    content = table(rows, f"time,{heading}")
    assert ("unit" in asked_of(content)) == asked
    if not asked:
        assert guess(content).mapping.unit == unit


def test_which_of_two_columns_is_asked_and_then_its_unit():
    rows = [(t, f"{v},{k},7.5") for k, (t, v) in enumerate(series(30), 1)]
    content = table(rows, "time,temp 1,row no,temp 2")
    assert asked_of(content) == ["value", "zone"]
    again = guess(content, "temp 2")
    assert [one.name for one in again.questions] == [
        "unit",
        "zone",
    ] and again.mapping.value_column == "temp 2"


@pytest.mark.parametrize(
    "content",
    [
        b"hello\nworld\n",
        b"time,temp\n",
        table([("2026-W18-7", 4)] * 9),
        b"1,2\n3,4\n",
        table([("09:00", 4)] * 9),
    ],
)
def test_what_is_no_table_of_readings_is_refused(content):
    with pytest.raises(Refused) as no:
        guess(content)
    assert no.value.code == "file_kind"


def test_a_spreadsheet_is_found_out_in_its_second_sheet():
    at = START.replace(tzinfo=None)
    content = book(
        [[at + timedelta(minutes=5 * k), 4 + k / 10] for k in range(20)], [["when", "°C"]], ["data"]
    )
    found = guess(content)
    assert found.mapping.sheet == "data" and [one.name for one in found.questions] == ["zone"]
    assert as_guessed(content, zone="UTC").times == moments(20)


def test_days_as_numbers_are_found_out():
    zero = datetime(1899, 12, 30, tzinfo=UTC)
    rows = [
        (f"{(START + timedelta(minutes=5 * k) - zero) / timedelta(days=1):.9f}", "4.1") for k in range(30)
    ]
    content = table(rows, "time,temp °C")
    assert as_guessed(content, zone="UTC").times == moments(30)


DATES = [
    "%Y-%m-%d",
    "%Y/%m/%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%Y%m%d",
]
CLOCKS = ["%H:%M", "%H:%M:%S", "%I:%M:%S %p", "%I:%M %p"]


@settings(max_examples=250, deadline=None)
@given(
    date=st.sampled_from(DATES), at=st.sampled_from(CLOCKS), day=st.integers(0, 9000),
    minutes=st.sampled_from([1, 5, 15, 60, 180]), count=st.integers(3, 120),
    lost=st.lists(st.tuples(st.integers(0, 120), st.integers(1, 900)), max_size=3),
    sign=st.sampled_from([",", ";", "\t", "|"]), decimal=st.sampled_from(".,"), places=st.integers(0, 3),
    unit=st.sampled_from("CFK"), said=st.booleans(), foreword=st.integers(0, 3), newest=st.booleans(),
    values=st.lists(st.integers(-80_000, 30_000), min_size=5, max_size=5),
    encoding=st.sampled_from(["utf-8", "utf-16"]),
)  # fmt: skip
def test_a_random_series_under_a_random_profile_comes_back_or_is_asked(
    date, at, day, minutes, count, lost, sign, decimal, places, unit, said, foreword, newest, values, encoding
):
    """Guess and parse give the series back, ask, or refuse: never another series silently."""
    if decimal == sign:
        decimal = "."
    start = datetime(2001, 1, 1, 6, tzinfo=UTC) + timedelta(days=day)
    times, now = [], start
    for k in range(count):
        now += timedelta(minutes=minutes * (1 + sum(size for where, size in lost if where == k)))
        times.append(now)
    if unit == "K":
        values = [abs(value) + 73_000 for value in values]
    shown = [f"{Decimal(value).scaleb(-3):.{places}f}".replace(".", decimal) for value in values]
    texts = [shown[k % 5] for k in range(count)]
    rows = [f"{t:{date} {at}}{sign}{text}" for t, text in zip(times, texts, strict=True)]
    heading = f"time{sign}temp" + (" °" * (unit != "K") + (" K" if unit == "K" else unit)) * said
    heading = f"time{sign}temp Kelvin" if said and unit == "K" else heading
    content = "\n".join(
        [*["Export of a logger"] * foreword, heading, *(rows[::-1] if newest else rows), ""]
    ).encode(encoding)
    found = guess(content)
    mapping = found.mapping
    for question in found.questions:
        right = {"zone": "UTC", "unit": unit, "dates": f"{date} {at}"}[question.name]
        if question.options and right not in dict(question.options):
            return  # refused by the person who sees that none of these is right
        mapping = answered(mapping, question.name, right)
    parsed = parse(content, mapping)
    if parsed.problems:
        return
    assert parsed.times == [round(t.timestamp() * 1000) for t in times]
    exact = [Fraction(text.replace(decimal, ".")) for text in texts]
    celsius = {"C": lambda x: x, "F": lambda x: (x - 32) * 5 / 9, "K": lambda x: x - Fraction("273.15")}[unit]
    assert parsed.centi == [round(celsius(x) * 100) for x in exact]
