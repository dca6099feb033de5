"""What a curator looks after: alarms, silent loggers, discrepancies, findings, tables taken in."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.db.models import F, Max, OuterRef, Q, Subquery
from django.urls import reverse

from biobank.acting import ms
from biobank.models import LiveReading, LoggerPlacement, Person, ReadingBlock, TableImport
from biobank.models.loggers import DAY_MS
from biobank.people.lines import Line, Section, many, mine, to, tube_line
from biobank.templatetags.words import celsius, tube_code, when
from custody import queries as ledger

WATCHED_DAYS = 30  # how far back a reading beyond an alarm is still shown
SILENT_DAYS = 2  # a governing logger that gave nothing for longer is said to be silent


def beyond_alarm(who: Person, now: datetime) -> Section:
    """Days on which a governing logger saw more, or less, than the alarm of the unit it stood in. 1 query."""
    unit = "logger__placements__unit__"
    there = (
        Q(logger__placements__governing=True)
        & Q(logger__placements__from_ms__lt=(F("day") + 1) * DAY_MS)
        & (Q(logger__placements__to_ms=None) | Q(logger__placements__to_ms__gt=F("day") * DAY_MS))
    )
    warm = Q(**{"high_centi__gt": F(f"{unit}alarm_above_centi")})
    cold = Q(**{"low_centi__lt": F(f"{unit}alarm_below_centi")})
    first = ms(now) // DAY_MS - WATCHED_DAYS
    rows = (
        ReadingBlock.objects.filter(there & (warm | cold), current=True, day__gte=first)
        .values(f"{unit}code", f"{unit}name", "day", f"{unit}alarm_above_centi", "low_centi", "high_centi")
        .order_by("-day")
    )
    lines = [_alarm(row, unit) for row in rows]
    empty = f"No reading of the last {WATCHED_DAYS} days is beyond an alarm."
    return Section("Freezers out of range", lines, empty, to("loggers", "Loggers"))


def _alarm(row: dict[str, object], unit: str) -> Line:
    above, high = row[f"{unit}alarm_above_centi"], row["high_centi"]
    warm = isinstance(above, int) and isinstance(high, int) and high > above
    seen = f"up to {celsius(row['high_centi'])}" if warm else f"down to {celsius(row['low_centi'])}"
    name = f"{row[f'{unit}name']} ({row[f'{unit}code']})"
    return Line(
        name, reverse("unit", args=[row[f"{unit}code"]]), f"{seen} on {utc_day(row['day'])}", "now", "look"
    )


def utc_day(day: object) -> str:
    """Days since 1970 as `3 May 2026, UTC`: blocks of readings are cut at midnight UTC."""
    return f"{when(date(1970, 1, 1) + timedelta(days=int(str(day))))}, UTC"


def silent_loggers(who: Person, now: datetime) -> Section:
    placed = LoggerPlacement.objects.filter(to_ms=None, governing=True).select_related("logger", "unit")
    sent = LiveReading.objects.filter(logger=OuterRef("logger")).order_by("-at_ms").values("at_ms")[:1]
    standing = list(placed.annotate(sealed=Max("logger__blocks__day"), sent=Subquery(sent)))
    for one in standing:
        one.last = max((day for day in (one.sealed, one.sent and one.sent // DAY_MS) if day), default=None)
    lines = [
        Line(
            f"{one.logger} in {one.unit.code}",
            reverse("logger", args=[one.logger.code]),
            f"last reading on {utc_day(one.last)}" if one.last else "no reading yet",
        )
        for one in standing
        if one.last is None or one.last < ms(now) // DAY_MS - SILENT_DAYS
    ]
    none = "Every governing logger has reported." if standing else "No governing logger stands in a unit."
    return Section("Loggers without fresh readings", lines, none)


def disputes(who: Person, now: datetime) -> Section:
    open_ones = mine(who, ledger.find(disputes__gt=0))
    lines = [tube_line(one.tube, f"held by {one.custodian}", "disputed", "look") for one in open_ones]
    return Section("Open discrepancies", lines, "No discrepancy is open.")


def broken(who: Person, now: datetime) -> Section:
    lines = [
        Line(tube_code(one.subject), hint=one.sentence, mark="stop", word=one.code.replace("_", " "))
        for one in ledger.findings()
    ]
    return Section(
        "Findings of the ledger",
        lines,
        "Every rule of custody holds for every tube and unit.",
        to("findings", "All findings"),
    )


def imports(who: Person, now: datetime) -> Section:
    found = TableImport.objects.filter(mapping__programme=who.programme_id).select_related("person")
    lines = [
        Line(one.file_name, hint=f"{many(one.tubes, 'tube')}, {when(one.made)}, {one.person.name}")
        for one in found[:5]
    ]
    return Section("Tables taken in", lines, "No table has been taken in.", to("imports", "Imports"))
