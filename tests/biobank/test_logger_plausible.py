"""What a person is told to look at before a logger's file is accepted.

Expected remarks follow from series made here by hand; the limits are common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from biobank.temperature import plausible
from biobank.temperature.held import ERROR
from biobank.temperature.parse import Parsed

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = round(datetime(2026, 5, 3, tzinfo=UTC).timestamp() * 1000)
NOW = T0 + 30 * DAY


def parsed(centi, minutes=5, gaps=None, **said):
    times, at = [], T0
    for k in range(len(centi)):
        times.append(at)
        at += (gaps or {}).get(k, minutes * MINUTE)
    said = {"serial": "A1"} | said
    return Parsed(
        times, list(centi), list(range(2, len(centi) + 2)), len(centi), interval_ms=minutes * MINUTE, **said
    )


def report(found, **said):
    given = {
        "now_ms": NOW,
        "interval_ms": 5 * MINUTE,
        "say": lambda at: f"{(at - T0) // MINUTE} min",
        "serial": "A1",
    }
    return plausible.report(found, **given | said)


def codes(found, **said):
    return [one.code for one in report(found, **said).remarks]


def wave(count):
    return [-8000 + 100 * (k % 3) for k in range(count)]


def test_a_plain_file_has_nothing_to_look_at():
    found = report(parsed(wave(300)))
    assert found.remarks == [] and (found.low_centi, found.high_centi, found.gaps) == (-8000, -7800, 0)
    assert (found.first_ms, found.last_ms) == (T0, T0 + 299 * 5 * MINUTE)
    assert report(Parsed()) is None


def test_silences_are_counted_and_the_longest_listed():
    found = report(parsed(wave(100), gaps={10: 15 * MINUTE, 20: 16 * MINUTE, 30: 3 * HOUR}))
    assert found.gaps == 2 and [gap.length_ms for gap in found.longest] == [3 * HOUR, 16 * MINUTE]


@pytest.mark.parametrize(("step", "jumps"), [(4000, 0), (4001, 2)])
def test_a_jump_of_more_than_40_k_in_one_step(step, jumps):
    centi = wave(50)
    centi[25] = centi[24] + step
    centi[26] = centi[24]
    said = [one.sentence for one in report(parsed(centi)).remarks if one.code == "jump"]
    assert len(said) == bool(jumps) and all("2 jumps" in one and "125 min" in one for one in said)


def test_readings_of_the_future_and_of_long_ago():
    assert codes(parsed(wave(20)), now_ms=T0 + 50 * MINUTE) == ["in_the_future"]
    assert codes(parsed(wave(20)), now_ms=T0 + 90 * MINUTE) == []
    early = parsed(wave(20))
    early.times = [at - T0 for at in early.times]
    assert "long_ago" in codes(early)


def test_a_sensor_that_does_not_move():
    assert codes(parsed([-8000] * 577 + wave(9))) == ["no_change"]  # 576 steps of 5 min: two days
    assert codes(parsed([-8000] * 576 + wave(9)[1:])) == []
    assert codes(parsed([-8000] * 3, minutes=1440), interval_ms=DAY) == []  # too few to say


def test_values_at_which_sensors_end():
    assert "sensor_end" in codes(parsed([*wave(20), 8500, *wave(20)]))
    assert "sensor_end" in codes(parsed([*wave(20), -12_700, -12_700, *wave(20)]))
    assert "sensor_end" not in codes(parsed([8400, 8500, 8600, 8500, 8400]))  # warm, and slowly so


def test_failed_readings_are_told_and_count_in_nothing_else():
    found = report(parsed([-8000, ERROR, -8000], errors=1))
    assert [one.code for one in found.remarks] == ["sensor_error"] and found.low_centi == -8000
    assert report(parsed([ERROR, ERROR], errors=2)).low_centi is None


def test_the_interval_is_not_the_one_that_was_set():
    (one,) = report(parsed(wave(20), minutes=10)).remarks
    assert one.code == "interval_differs" and "10 min" in one.sentence and "5 min" in one.sentence


def test_where_the_logger_stood():
    end = T0 + 20 * 5 * MINUTE
    for placed, expected in [
        ([(T0, None, "F1")], []),
        ([(T0 - DAY, T0 + 50 * MINUTE, "F1"), (T0 + 50 * MINUTE, None, "F2")], []),
        ([(T0 + 10 * MINUTE, None, "F1")], ["partly_placed"]),
        ([(T0, end - 5 * MINUTE, "F1")], ["partly_placed"]),  # half-open: the last one is outside
        ([(end, None, "F1")], ["not_placed"]),
        ([], ["not_placed"]),
    ]:
        assert codes(parsed(wave(20)), placed=placed) == expected


def test_a_serial_number_that_cannot_be_compared_is_a_caution():
    assert codes(parsed(wave(9), serial="")) == ["no_serial"]
    assert codes(parsed(wave(9)), serial="") == ["logger_without_serial"]
    assert {one.level for one in report(parsed(wave(9), serial="")).remarks} == {"caution"}


def test_what_reading_did_is_said():
    found = parsed(wave(9), backwards=True, after_end=3, repeated=2, switches=[41])
    assert codes(found) == ["newest_first", "after_end", "clocks_back", "said_twice"]
    assert all(one.do for one in report(found).remarks)
