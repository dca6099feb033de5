"""A table and a mapping, read together: what taking it in would make, and what is wrong with it.

Promises: pure; the page that shows a table and the action that takes it in read it by this one
function. Every row gets either its meaning or its errors; nothing is guessed or passed over.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from itertools import chain, count
from typing import Any
from zoneinfo import ZoneInfo

from biobank.imports.mapping import MICROLITRES, Rule, Said, TubeSpec
from biobank.imports.mapping import Mapping as TableMap
from biobank.imports.read import Cell, Row, Table
from custody.core.refusal import Refused

NOON_H = 12
HALF_A_DAY_S = 43_200
MINUTE_S = 60
EARLIEST = 1900
LONGEST = {"individual": 40, "species": 80, "site": 120}
SEX_WORDS = {"f": "F", "female": "F", "m": "M", "male": "M", "u": "U", "unknown": "U"}


@dataclass(frozen=True)
class KnownAnimal:
    """An animal that bears an identifier already; not `ours`: in another programme."""

    code: str
    species: str
    sex: str
    ours: bool = True


@dataclass(frozen=True)
class Known:
    """What the programme has already: animals by identifier, sites by name, site codes with their names."""

    animals: Mapping[str, KnownAnimal] = field(default_factory=dict)
    sites: Mapping[str, str] = field(default_factory=dict)
    site_names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class RowError:
    """What is wrong in one row: where, in a sentence, with a stable code."""

    row: int
    column: str
    sentence: str
    code: str


@dataclass(frozen=True)
class Outcome:
    """What became of one tube of one row. `ul` is what was measured, None when it was not."""

    tube: TubeSpec
    outcome: str
    reason: str = ""
    ul: int | None = None


@dataclass(frozen=True)
class ReadRow:
    """One row as it is understood: an animal, a day at a site, its tubes."""

    number: int
    individual: str
    species: str
    sex: str
    site: str
    site_code: str
    at: datetime
    unc_s: int
    tubes: tuple[Outcome, ...]
    comment: str = ""

    @property
    def day(self) -> date:
        return self.at.date()


@dataclass(frozen=True)
class Reading:
    """A whole table as it is understood. It can be taken in only when there are no errors."""

    rows: tuple[ReadRow, ...]
    errors: tuple[RowError, ...]
    read: int
    known: frozenset[str] = frozenset()

    @property
    def animals(self) -> int:
        return len({row.individual for row in self.rows})

    @property
    def animals_known(self) -> int:
        return len({row.individual for row in self.rows} & self.known)

    @property
    def days(self) -> int:
        return len({(row.site, row.day) for row in self.rows})

    @property
    def sites(self) -> list[str]:
        return sorted({row.site for row in self.rows})

    @property
    def outcomes(self) -> Counter[str]:
        return Counter(tube.outcome for row in self.rows for tube in row.tubes)

    @property
    def reasons(self) -> list[tuple[str, str, str, int]]:
        """(outcome, reason, tube, how many) of what is less than planned."""
        less = Counter(
            (tube.outcome, tube.reason, tube.tube.label)
            for row in self.rows for tube in row.tubes if tube.outcome != "drawn"
        )  # fmt: skip
        return [(*what, number) for what, number in sorted(less.items())]


class Wrong(Exception):
    """One cell that cannot be understood."""

    def __init__(self, column: str, sentence: str, code: str) -> None:
        super().__init__(sentence)
        self.column, self.sentence, self.code = column, sentence, code


def read_rows(table: Table, mapping: TableMap, known: Known, now: datetime, tz: str) -> Reading:
    """What every row means under this mapping. `tz` is the zone of its dates, if it names none itself.

    Refused: column_missing, table_without_rows.
    """
    lacking = [name for name in mapping.columns if name not in table.columns]
    if lacking:
        have = ", ".join(table.columns)
        raise Refused("column_missing", f"The table has no column {', '.join(lacking)}. It has: {have}.")
    if not table.rows:
        raise Refused("table_without_rows", "There is no row under the headings.")
    reader = Reader(mapping, known, now, ZoneInfo(mapping.date.tz or tz))
    rows, errors = [], []
    for row in table.rows:
        found, wrong = reader.row(row)
        errors += wrong
        if found:
            rows.append(found)
    errors += _across(rows, mapping, known)
    return Reading(tuple(rows), tuple(sorted(errors, key=lambda one: one.row)), len(table.rows),
                   frozenset(known.animals))  # fmt: skip


def individuals(table: Table, mapping: TableMap) -> set[str]:
    """Every identifier in the table, so that one can ask which of them are known."""
    reader, found = Reader(mapping, Known(), datetime.now(UTC), ZoneInfo("UTC")), set()
    for row in table.rows:
        with suppress(Wrong):
            found.add(reader.individual(row))
    return found


class Reader:
    """Reads one row after the other; each cell's trouble is gathered, so that one sees all of it."""

    def __init__(self, mapping: TableMap, known: Known, now: datetime, zone: ZoneInfo) -> None:
        self.map, self.known, self.now, self.zone = mapping, known, now, zone
        self.missing = {"", *(word.casefold() for word in mapping.missing)}

    def row(self, row: Row) -> tuple[ReadRow | None, list[RowError]]:
        broken = {bad.column: bad for bad in row.bad if bad.column in ("", *self.map.columns)}
        errors = [RowError(row.number, bad.column, bad.sentence, bad.code) for bad in broken.values()]
        got: dict[str, Any] = {}
        for name in ("individual", "species", "sex", "site", "moment", "tubes"):
            try:
                got[name] = getattr(self, name)(row)
            except Wrong as no:
                if no.column not in broken:
                    errors.append(RowError(row.number, no.column, no.sentence, no.code))
        return (None, errors) if errors else (self._whole(row, got), [])

    def _whole(self, row: Row, got: dict[str, Any]) -> ReadRow:
        (site, site_code), (at, unc_s) = got["site"], got["moment"]
        return ReadRow(
            row.number, got["individual"], got["species"], got["sex"], site, site_code, at, unc_s,
            got["tubes"], self.text(row, self.map.comments),
        )  # fmt: skip

    def text(self, row: Row, column: str) -> str:
        """The cell as text; empty for a blank one and for a word that means missing."""
        said = _as_text(row.cells.get(column, ""))
        return "" if said.casefold() in self.missing else said

    def individual(self, row: Row) -> str:
        parts = []
        for column in self.map.individual.columns:
            said = self.text(row, column)
            if not said:
                raise Wrong(column, "This row does not say which animal.", "individual_missing")
            parts.append(said)
        return _short(self.map.individual.join.join(parts), "individual", self.map.individual.columns[-1])

    def species(self, row: Row) -> str:
        said = self.value(row, self.map.species)
        if not said:
            raise Wrong(self.map.species.column, "This row does not say which species.", "species_missing")
        return _short(said, "species", self.map.species.column)

    def value(self, row: Row, said: Said) -> str:
        found = said.value or self.text(row, said.column)
        return said.word(found) or found

    def sex(self, row: Row) -> str:
        found = self.map.sex.value or self.text(row, self.map.sex.column)
        sex = self.map.sex.word(found) or SEX_WORDS.get(found.casefold(), "") if found else "U"
        if not sex:
            raise Wrong(self.map.sex.column, f"{found!r} is no word for a sex here.", "sex_unknown")
        return sex

    def site(self, row: Row) -> tuple[str, str]:
        """The site's name and code: the one it has already, else the mapping's, else made from its name."""
        column = self.map.site.column
        name = self.map.site.value or self.text(row, column)
        if not name:
            raise Wrong(column, "This row does not say where.", "site_missing")
        name = _short(name, "site", column)
        code = self.known.sites.get(name) or self.map.site.word(name) or slug(name, 12).upper()
        if not code:
            raise Wrong(column, f"Give {name!r} a site code in the mapping.", "site_needs_code")
        if self.known.site_names.get(code, name) != name:
            sentence = f"The site code {code} belongs to another site. Give {name!r} its code in the mapping."
            raise Wrong(column, sentence, "site_code_taken")
        return name, code

    def moment(self, row: Row) -> tuple[datetime, int]:
        """When, aware, and how uncertain in seconds. Never later than now: half of today may be to come."""
        column = self.map.date.column
        cell = row.cells.get(column, "")
        if not isinstance(cell, datetime):
            said = self.text(row, column)
            if not said:
                raise Wrong(column, "This row has no date.", "date_missing")
            cell = _dated(said, self.map.date.format, column)
        if cell.year < EARLIEST:
            raise Wrong(column, f"The year {cell.year} cannot be right.", "date_malformed")
        if self.map.date.has_time or cell.time() != time():
            at = cell.replace(tzinfo=cell.tzinfo or self.zone).astimezone(self.zone)
            return self._past(at, column), MINUTE_S
        noon = datetime(cell.year, cell.month, cell.day, NOON_H, tzinfo=self.zone)
        if noon.date() == self.now.astimezone(self.zone).date():
            return min(noon, self.now.astimezone(self.zone)), HALF_A_DAY_S
        return self._past(noon, column), HALF_A_DAY_S

    def _past(self, at: datetime, column: str) -> datetime:
        if at > self.now + timedelta(minutes=5):
            raise Wrong(column, "This date lies in the future.", "time_in_future")
        return at

    def tubes(self, row: Row) -> tuple[Outcome, ...]:
        return tuple(self._tube(row, tube) for tube in self.map.tubes)

    def _tube(self, row: Row, tube: TubeSpec) -> Outcome:
        rule = self._rule(row, tube)
        if rule.outcome == "not_collected":
            return Outcome(tube, rule.outcome, rule.reason)
        return Outcome(tube, rule.outcome, rule.reason, self._volume(row, tube))

    def _rule(self, row: Row, tube: TubeSpec) -> Rule:
        for rule in self.map.rules:
            if rule.tube in ("", tube.label) and rule.holds(self.text(row, rule.column or self.map.comments)):
                return rule
        said = self.text(row, self.map.comments)
        if self.map.otherwise == "refuse" and (said or self.map.rules):
            what = f"the comment {said!r}" if said else "a row without comment"
            sentence = f"No rule says what {what} means for {tube.label}. Add a rule to the mapping."
            raise Wrong(self.map.comments, sentence, "comment_unread")
        return Rule("if_present", "", "drawn")

    def _volume(self, row: Row, tube: TubeSpec) -> int | None:
        said = self.text(row, tube.volume_column) if tube.volume_column else ""
        if not said:
            return None
        try:
            ul = Decimal(said.replace(",", ".")) * MICROLITRES[tube.volume_unit]
        except InvalidOperation:
            ul = Decimal(-1)
        if not ul.is_finite() or not 0 < ul <= 2_000_000 or ul != ul.to_integral_value():
            sentence = f"{said!r} is not a volume in {tube.volume_unit}."
            raise Wrong(tube.volume_column, sentence, "volume_malformed")
        return int(ul)


def _across(rows: Iterable[ReadRow], mapping: TableMap, known: Known) -> list[RowError]:
    """One individual is one species and one sex, and one row a day; a site code names one site."""
    errors: list[RowError] = []
    first = {name: (animal.species, animal.sex, animal.code) for name, animal in known.animals.items()}
    days: dict[tuple[str, date], int] = {}
    codes: dict[str, str] = {}
    for row in rows:
        species, sex, where = first.setdefault(row.individual, (row.species, row.sex, f"row {row.number}"))
        if sex == "U" and species == row.species:
            first[row.individual] = (species, row.sex, where)
        wrong = _same(row, mapping, species, sex, where)
        if row.individual in known.animals and not known.animals[row.individual].ours:
            column = mapping.individual.columns[-1]
            wrong = [(column, "Another programme has an animal so called.", "identifier_taken")]
        if (other := days.setdefault((row.individual, row.day), row.number)) != row.number:
            sentence = f"{row.individual} was sampled on this day in row {other} already."
            wrong.append((mapping.date.column, sentence, "row_repeated"))
        if (name := codes.setdefault(row.site_code, row.site)) != row.site:
            sentence = f"{row.site!r} and {name!r} would share the code {row.site_code}. Map them to codes."
            wrong.append((mapping.site.column, sentence, "site_code_taken"))
        errors += [RowError(row.number, *one) for one in wrong]
    return errors


def _same(row: ReadRow, mapping: TableMap, species: str, sex: str, where: str) -> list[tuple[str, str, str]]:
    so = "So this identifier does not tell animals apart, or one of the two is wrong."
    if species != row.species:
        sentence = f"{row.individual} is {species} in {where} and {row.species} here. {so}"
        return [(mapping.species.column, sentence, "species_differs")]
    if "U" not in (sex, row.sex) and sex != row.sex:
        sentence = f"{row.individual} has the sex {sex} in {where} and {row.sex} here. {so}"
        return [(mapping.sex.column, sentence, "sex_differs")]
    return []


def _as_text(cell: Cell) -> str:
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == datetime.min.time() else cell.isoformat(" ")
    return cell


def _dated(said: str, form: str, column: str) -> datetime:
    try:
        return datetime.strptime(said, form)
    except ValueError as why:
        example = datetime(2024, 5, 31, 14, 30).strftime(form)
        raise Wrong(column, f"{said!r} is not a date like {example}.", "date_malformed") from why


def _short(said: str, name: str, column: str) -> str:
    if len(said) > LONGEST[name]:
        raise Wrong(column, f"The {name} may have {LONGEST[name]} characters.", "text_too_long")
    return said


def slug(name: str, longest: int) -> str:
    """A code of letters, digits and single hyphens that reminds of a name."""
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name)
    return "-".join(part for part in kept.split("-") if part)[:longest].strip("-")


def animal_codes(names: Sequence[str], taken: Iterable[str]) -> dict[str, str]:
    """A code of at most 20 characters for each new animal, like its identifier where that is free."""
    used, found = {code.upper() for code in taken}, {}
    for name in names:
        wanted = slug(name, 20) or "animal"
        tries = chain([wanted], (f"{wanted[:15].rstrip('-')}-{n}" for n in count(2)))
        found[name] = next(code for code in tries if code.upper() not in used)
        used.add(found[name].upper())
    return found
