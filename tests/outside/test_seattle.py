"""A real hourly temperature series as the logger of an unheated store, against the raw file.

Source: `seattle-temps.csv`, hourly temperatures in Seattle for 2010, °F, from public-domain NOAA data, as
shipped in the package vega-datasets (see its dataset_info.json). The oracle below reads that file with
csv and exact fractions, walks it pair by pair and adds up by geometry (area of a triangle's foot), with
no table, no array and none of our code; extremes are also asked of pandas.

What the file taught: it says to be local time, but holds 02:00 on 14 March 2010, an hour that did not
exist in America/Los_Angeles, and holds 01:00 on 7 November once. So a reader that believes the zone
would move or double readings silently; ours must refuse it, and take it at the fixed offset -08:00.
"""

from __future__ import annotations

import csv
import math
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pandas
import pytest
import vega_datasets

from biobank.models import Logger, LoggerImport, ReadingBlock
from biobank.temperature import actions, blocks
from biobank.temperature.parse import Mapping, parse
from custody.core.event import new_id
from custody.core.refusal import Refused
from custody.core.spec import Spec
from custody.core.thermal import summary

FILE = Path(vega_datasets.__file__).parent / "_data" / "seattle-temps.csv"
LIMITS = [400, 1000, 2000, 2500]
FORMAT = "%Y/%m/%d %H:%M"
PACIFIC = Mapping("date", "temp", FORMAT, "-08:00", "F")


def raw():
    """(naive time, exact °F) of every row."""
    with FILE.open(newline="") as text:
        return [(datetime.strptime(r["date"], FORMAT), Fraction(r["temp"])) for r in csv.DictReader(text)]


def hours(rows, limit_f):
    """Exact hours above and below a limit in °F on the straight lines between rows at most 3 h apart."""
    above = below = known = Fraction(0)
    for (t, x), (u, y) in pairwise(rows):
        gap = Fraction((u - t) // timedelta(minutes=1), 60)
        if gap > 3:
            continue
        known += gap
        up, down = max(x, y) - limit_f, limit_f - min(x, y)
        if up > 0 and down > 0:
            above, below = above + gap * up / (up + down), below + gap * down / (up + down)
        elif up > 0:
            above += gap
        elif down > 0:
            below += gap
    return above, below, known


def longest_above(rows, limit_f):
    """Exact hours of the longest unbroken stretch above a limit in °F."""
    best = run = Fraction(0)
    for (t, x), (u, y) in pairwise(rows):
        gap = Fraction((u - t) // timedelta(minutes=1), 60)
        if x > limit_f and y > limit_f:
            run += gap
        elif x > limit_f:
            best, run = max(best, run + gap * (x - limit_f) / (x - y)), Fraction(0)
        elif y > limit_f:
            run = gap * (y - limit_f) / (y - x)
        best = max(best, run)
    return best


def fahrenheit(centi):
    return Fraction(centi, 100) * 9 / 5 + 32


@pytest.fixture
def stored(people):
    actor = people.actor("curator")
    logger = actions.add_logger(actor, "SEA-1", 3600, "Unheated store")
    held = actions.draft(actor, logger, PACIFIC, FILE.name, FILE.read_bytes())
    return logger, actions.store(actor, held, new_id())


@pytest.mark.django_db
def test_every_row_is_stored_once_and_the_extremes_are_those_of_the_file(stored):
    logger, result = stored
    table = pandas.read_csv(FILE)
    loaded = blocks.load(logger.pk, result.source.first_ms, result.source.last_ms)
    assert result.new == len(loaded.times) == len(table) == 8759
    assert sum(ReadingBlock.objects.values_list("n", flat=True)) == 8759
    # hundredths of °C differ from the exact value by half a hundredth at most
    low, high = ((Fraction(str(f)) - 32) * 5 / 9 for f in (table.temp.min(), table.temp.max()))
    assert abs(Fraction(int(loaded.centi.min()), 100) - low) <= Fraction(1, 200)
    assert abs(Fraction(int(loaded.centi.max()), 100) - high) <= Fraction(1, 200)


@pytest.mark.django_db
def test_times_above_and_below_limits_are_those_of_the_raw_file(stored):
    logger, result = stored
    rows, source = raw(), result.source
    loaded = blocks.load(logger.pk, source.first_ms, source.last_ms)
    found = summary(loaded.series(), source.first_ms, source.last_ms, LIMITS)
    for limit in LIMITS:
        above, below, known = hours(rows, fahrenheit(limit))
        assert known == Fraction(found.measured_ms, 3_600_000)
        # Rounding moves each reading by at most 0.005 °C, so a crossing moves by at most
        # 0.005/|slope| of an hour; the series' flattest crossings keep the whole year under 0.1 %.
        assert found.above[limit] / 3_600_000 == pytest.approx(float(above), rel=1e-3)
        assert found.below[limit] / 3_600_000 == pytest.approx(float(below), rel=1e-3)
        assert found.longest_above[limit] / 3_600_000 == pytest.approx(
            float(longest_above(rows, fahrenheit(limit))), rel=5e-3
        )


@pytest.mark.django_db
def test_from_the_rounded_readings_the_times_are_exact(stored):
    """The same walk over (F - 32) * 5/9 in hundredths, exact and rounded half to even: to the millisecond."""
    logger, result = stored
    rows = [(t, Fraction(round((f - 32) * 500 / 9))) for t, f in raw()]
    loaded = blocks.load(logger.pk, result.source.first_ms, result.source.last_ms)
    found = summary(loaded.series(), result.source.first_ms, result.source.last_ms, LIMITS)
    for limit in LIMITS:
        above, below, _ = hours(rows, Fraction(limit))
        assert abs(found.above[limit] - above * 3_600_000) <= 1
        assert abs(found.below[limit] - below * 3_600_000) <= 1
        assert abs(found.longest_above[limit] - longest_above(rows, Fraction(limit)) * 3_600_000) <= 1


def rounded():
    """(naive time, whole hundredths of °C) of every row: (F - 32) * 5/9, exact, rounded half to even."""
    return [(t, round((f - 32) * 500 / 9)) for t, f in raw()]


def spells(values, limit):
    """How many unbroken stretches above a limit, on lines through these values; a touch ends one."""
    above = [False, *(value > limit for value in values)]
    return sum(y and not x for x, y in pairwise(above))


@pytest.mark.django_db
def test_excursions_are_as_many_as_the_raw_file_has(stored):
    logger, result = stored
    values = [value for _, value in rounded()]
    first, last = result.source.first_ms, result.source.last_ms
    series = blocks.load(logger.pk, first, last).series()
    found = summary(series, first, last, LIMITS)
    for limit in LIMITS:
        assert found.excursions_above[limit] == spells(values, limit)
        assert found.excursions_below[limit] == spells([-value for value in values], -limit)
        assert len(series.excursions(limit, first, last)) == spells(values, limit)
    assert spells(values, 1000) > 100  # a limit that the year crosses every other day


@pytest.mark.django_db
def test_thaw_cycles_of_a_year_are_those_counted_by_hand(stored):
    """Frozen below 0 °C, thawed above 2 °C, thawed at first; the words of the year, one after another."""
    logger, result = stored
    words = ["thawed" if v > 200 else "frozen" if v < 0 else "" for _, v in rounded()]
    certain = ["thawed", *(word for word in words if word)]
    by_hand = sum(x == "frozen" and y == "thawed" for x, y in pairwise(certain))
    first, last = result.source.first_ms, result.source.last_ms
    series = blocks.load(logger.pk, first, last).series()
    found = summary(series, first, last + 1, Spec(thaw=(0, 200)))
    assert (found.thaws, found.frozen_after) == (by_hand, certain[-1] == "frozen")
    frozen = summary(series, first, last + 1, Spec(thaw=(400, 600)))  # a year that crosses it often
    words = ["t" if v > 600 else "f" if v < 400 else "" for _, v in rounded()]
    assert frozen.thaws == "".join(["t", *words]).count("ft") > 10


@pytest.mark.django_db
def test_its_mean_kinetic_temperature_is_that_of_a_plain_loop(stored):
    logger, result = stored
    total = hours_known = 0.0
    for (t, x), (u, y) in pairwise(rounded()):
        span = (u - t) / timedelta(hours=1)
        if span <= 3:
            total += span * sum(math.exp(-10_000 / (c / 100 + 273.15)) for c in (x, y)) / 2
            hours_known += span
    by_hand = 10_000 / -math.log(total / hours_known) - 273.15
    first, last = result.source.first_ms, result.source.last_ms
    found = summary(blocks.load(logger.pk, first, last).series(), first, last, [])
    assert found.mean_kinetic_centi == round(by_hand * 100) and found.measured_ms == hours_known * 3_600_000
    assert by_hand > sum(value for _, value in rounded()) / len(rounded()) / 100


@pytest.mark.django_db
def test_the_same_file_again_writes_nothing_and_says_so(stored, people):
    logger, _ = stored
    held = actions.draft(people.actor("curator"), logger, PACIFIC, FILE.name, FILE.read_bytes())
    again = actions.store(people.actor("curator"), held, new_id())
    assert again.source is None and again.new == 0 and again.already == 8759
    assert LoggerImport.objects.count() == 1 and ReadingBlock.objects.count() == 366


def test_as_local_time_the_file_is_refused_at_the_hour_that_never_was():
    found = parse(FILE.read_bytes(), Mapping("date", "temp", FORMAT, "America/Los_Angeles", "F"))
    assert [(p.row, p.code) for p in found.problems] == [(1732, "time_never_was"), (7442, "time_ambiguous")]
    assert found.times == []
    lines = FILE.read_text().splitlines()
    assert lines[1731].startswith("2010/03/14 02:00") and lines[7441].startswith("2010/11/07 01:00")


@pytest.mark.django_db
def test_refused_rows_store_nothing(people):
    actor = people.actor("curator")
    logger = actions.add_logger(actor, "SEA-2", 3600)
    local = Mapping("date", "temp", FORMAT, "America/Los_Angeles", "F")
    held = actions.draft(actor, logger, local, FILE.name, FILE.read_bytes())
    with pytest.raises(Refused) as no:
        actions.store(actor, held, new_id())
    assert no.value.code == "rows_refused"
    assert not ReadingBlock.objects.exists() and Logger.objects.filter(code="SEA-2").exists()
