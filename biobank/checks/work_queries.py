"""The work list: findings that are open, deviations that were filed, overrides that wait for a second person.

Promises: a fixed number of queries however many rows. Open findings are shown as they were when they were
judged, with the time of that; a row whose tube has changed since says so, and nothing is decided from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import Count, QuerySet

from biobank.amend.queries import names
from biobank.checks import deviations, judging, overrides
from biobank.checks.deviations import Deviation
from biobank.checks.fit_access import known
from biobank.checks.overrides import ANSWERED, ASKED, Override
from biobank.models import Assay, Judgement, OpenFinding, Person, Tube
from biobank.templatetags.words import span
from custody import queries as ledger
from custody.core.rules import Finding
from custody.core.state import TubeState

ROWS = 50


@dataclass(frozen=True)
class Row:
    """One open finding. changed: why it may hold no more, empty: nothing has happened since it was judged.

    assays  (code, name) of those that it is about
    """

    finding: OpenFinding
    state: TubeState | None
    assays: list[tuple[str, str]]
    filed: tuple[Deviation, ...]
    asked: tuple[Override, ...]
    changed: str
    age: str

    @property
    def gone(self) -> bool:
        """Discarded since it was judged."""
        return self.state is not None and self.state.status == "discarded"

    @property
    def can_file(self) -> bool:
        return self.finding.answer == "fail" and not self.filed and not self.gone

    @property
    def can_ask(self) -> bool:
        return self.finding.severity == "stop" and not self.gone


@dataclass(frozen=True)
class Work:
    """A page of the list. counts: (severity, answer, how many) of all that this person may see.

    oldest_ms, newest_ms  when the rows shown were judged; files: tubes of the one rule asked for, for a batch
    """

    page: Page[Any]
    rows: list[Row]
    counts: list[tuple[str, str, int]]
    oldest_ms: int | None
    newest_ms: int | None
    files: list[str] = field(default_factory=list)


def work(who: Person, wanted: Mapping[str, str], page: Any, now_ms: int) -> Work:
    """Open findings by severity and age. wanted: severity, answer, rule, assay, unit; empty: all. About 60
    queries."""
    mine = known(OpenFinding.objects.all(), who)
    counts = mine.values_list("severity", "answer", "rank").annotate(n=Count("pk")).order_by("rank", "answer")
    found = Paginator(_filtered(mine, wanted), ROWS).get_page(page)
    rows = _rows(list(found), now_ms)
    judged = _judged([one.finding.tube for one in rows])
    files = [one.finding.tube for one in rows if one.can_file] if wanted.get("rule") else []
    said = [(severity, answer, n) for severity, answer, _, n in counts]
    return Work(
        found, rows, said, min(judged.values(), default=None), max(judged.values(), default=None), files
    )


def _filtered(rows: QuerySet[OpenFinding], wanted: Mapping[str, str]) -> Any:
    exact = {"severity": "severity", "answer": "answer", "rule": "code"}
    rows = rows.filter(**{column: wanted[name] for name, column in exact.items() if wanted.get(name)})
    rows = rows.select_related("rule_set")
    if assay := wanted.get("assay"):
        rows = rows.filter(pk__in=_about(rows, assay))
    if unit := wanted.get("unit", "").strip():
        inside = {one.tube for one in ledger.find(unit__in=_units(unit))}
        return [one for one in rows if one.tube in inside]
    return rows


def _about(rows: QuerySet[OpenFinding], assay: str) -> list[int]:
    """`assays` is a list in a text, so the name is looked for as a whole word."""
    near = rows.filter(assays__contains=assay).values_list("pk", "assays")
    return [pk for pk, text in near if assay in _codes(text)]


def _codes(text: str) -> list[str]:
    return [one.strip() for one in text.split(",") if one.strip()]


def _units(text: str) -> list[str]:
    """Units whose code has this in it, and all that stands in them."""
    above = ledger.units()
    known_ = {*above, *above.values(), *ledger.contents()} - {None}
    found = {unit for unit in known_ if unit and text.upper() in unit.upper()}
    fresh = set(found)
    while fresh:
        fresh = {unit for unit, parent in above.items() if parent in fresh} - found
        found |= fresh
    return sorted(found)


def _rows(found: Sequence[OpenFinding], now_ms: int) -> list[Row]:
    tubes = list(dict.fromkeys(one.tube for one in found))
    states, histories = ledger.states(tubes), ledger.histories(tubes)
    filed, changed = deviations.open_of(tubes), judging.fresh(tubes, now_ms)
    asked = {code: overrides.in_history(said) for code, said in histories.items()}
    called = dict(Assay.objects.values_list("code", "name"))
    return [
        Row(
            one, states.get(one.tube), [(code, called.get(code, code)) for code in _codes(one.assays)],
            tuple(d for d in filed[one.tube] if d.rule == one.code),
            tuple(o for o in asked[one.tube] if o.rule == one.code), changed.get(one.tube, ""),
            span(now_ms - one.since_ms),
        )
        for one in found
    ]  # fmt: skip


def _judged(tubes: Sequence[str]) -> dict[str, int]:
    """When each tube was judged, UTC ms (the oldest of its assays). 1 query."""
    rows = Judgement.objects.filter(tube__in=tubes).order_by("tube", "-asof_ms")
    return dict(rows.values_list("tube", "asof_ms"))


# overrides ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Asking:
    """One asking with all its tubes (code -> fact), as a list shows it. word: waiting, granted, declined."""

    event: str
    tubes: dict[str, str]
    assay: str
    assay_name: str
    rule: str
    rules: str
    limit: str
    reason: str
    by: str
    org: str
    at_ms: int
    word: str
    answered_by: str = ""
    answered_why: str = ""
    answered_ms: int | None = None
    mine: bool = False


def askings(who: Person, waiting: bool) -> list[Asking]:
    """Overrides that wait, oldest first, or the newest that were answered. 8 queries."""
    told = [one for one in ledger.as_told(ledger.events(kind=ASKED)) if not one.voided]
    found = _askings(who, told)
    kept = [one for one in found if (one.word == "waiting") == waiting]
    return kept[::-1] if waiting else kept[: deviations.SHOWN]


def asking(who: Person, told: ledger.Told) -> Asking | None:
    """One of them; None when it was withdrawn, is something else or another programme's."""
    if told.voided or told.said.header["kind"] != ASKED:
        return None
    return next(iter(_askings(who, [told])), None)


def _askings(who: Person, told: Sequence[ledger.Told]) -> list[Asking]:
    said = ledger.as_told(ledger.events(kind=ANSWERED, refs=[one.said.id for one in told])) if told else []
    answers = {one.header["data"]["of"]: one for one in said if not one.voided}
    foreign = _foreign(who, {line["t"] for one in told for line in one.lines})
    called = {
        **names(),
        **{f"assay {code}": name for code, name in Assay.objects.values_list("code", "name")},
    }
    return [
        _asking(who, one, answers.get(one.said.id), called)
        for one in told
        if not any(line["t"] in foreign for line in one.lines)
    ]


def _asking(who: Person, told: ledger.Told, answer: ledger.Told | None, called: Mapping[str, str]) -> Asking:
    header, data = told.header, told.header["data"]
    more: dict[str, Any] = {"word": "waiting"}
    if answer is not None:
        by, said = answer.header["by"], answer.header["data"]
        more = {
            "word": "granted" if said["granted"] else "declined", "answered_by": called.get(by, by),
            "answered_why": said.get("reason") or "", "answered_ms": answer.header["at"],
        }  # fmt: skip
    return Asking(
        told.said.id, {line["t"]: line.get("fact") or "" for line in told.lines}, data["assay"],
        called.get(f"assay {data['assay']}", data["assay"]), data["rule"], data["rules"],
        data.get("limit") or "", data.get("reason") or "",
        called.get(header["by"], header["by"]), header["org"],
        header["at"], mine=header["by"] == who.code, **more,
    )  # fmt: skip


def _foreign(who: Person, tubes: Iterable[str]) -> set[str]:
    """Tubes of other programmes. 1 query for 500."""
    found: set[str] = set()
    wanted = sorted(tubes)
    for start in range(0, len(wanted), 500):
        rows = Tube.objects.filter(code__in=wanted[start : start + 500], tube_set__isnull=False)
        others = rows.exclude(tube_set__plan__programme=who.programme_id)
        found |= set(others.values_list("code", flat=True))
    return found


def waiting_for(who: Person) -> list[Asking]:
    """Overrides that this very person may answer: waiting, asked by somebody else."""
    return [one for one in askings(who, waiting=True) if not one.mine]


# deviations ---------------------------------------------------------------------------------------


def filed(who: Person, closed: bool) -> list[Deviation]:
    """Deviations with names of people, without those of other programmes. 8 queries."""
    found = deviations.all_of(closed)
    foreign = _foreign(who, {code for one in found for code in one.tubes})
    called = names()
    return [_named(one, called) for one in found if not foreign & set(one.tubes)]


def one_filed(who: Person, told: ledger.Told) -> Deviation | None:
    found = deviations.one_of(told)
    if found is None or _foreign(who, found.tubes):
        return None
    return _named(found, names())


def _named(one: Deviation, called: Mapping[str, str]) -> Deviation:
    both = {"by": called.get(one.by, one.by), "closed_by": called.get(one.closed_by, one.closed_by)}
    return Deviation(**{**vars(one), **both})


def rules_open(who: Person, answers: Iterable[str] = ("fail", "cannot_tell")) -> list[str]:
    """Codes of the rules that some tube does not pass. 1 query, or 2."""
    rows = known(OpenFinding.objects.filter(answer__in=list(answers)), who).order_by("code")
    return list(rows.values_list("code", flat=True).distinct())


# counts for the first page ------------------------------------------------------------------------


def stop_findings(who: Person) -> list[tuple[str, str, int]]:
    """(rule, answer, how many tubes) of the open findings that stop, most tubes first. 2 queries."""
    rows = known(OpenFinding.objects.filter(severity="stop"), who).values_list("code", "answer")
    return list(rows.annotate(n=Count("pk")).order_by("-n", "code", "answer"))


def stopping(found: Iterable[Finding]) -> list[Finding]:
    """Those of a verdict's findings that an override may be asked for."""
    return [one for one in found if overrides.stops(one)]
