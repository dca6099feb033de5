"""What waits for a person today, by role: the sections of the first page.

Promises: every line is asked of the ledger or the reference data when the page is drawn; the number
of queries does not grow with the number of tubes; what has something to do stands first.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from biobank.models import Person, Role
from biobank.people.lines import Section
from biobank.people.panels import alarms, cases, decide, field, lab, permits, store, watch

Panels = Callable[[Person, datetime], list[Section]]


def sections(who: Person, now: datetime) -> list[Section]:
    return sorted(BY_ROLE[who.role](who, now), key=lambda section: not section.lines)


def for_field(who: Person, now: datetime) -> list[Section]:
    panels = [field.open_workups, field.sets_to_do, field.in_our_hands, lab.to_be_answered, field.field_days]
    return [*cases.when_any(who, now), *(panel(who, now) for panel in panels)]


def for_lab(who: Person, now: datetime) -> list[Section]:
    answers = [lab.to_receive(who, now), lab.to_be_answered(who, now)]
    return [
        *alarms.when_open(who, now),
        *cases.when_any(who, now),
        answers[0],
        *lab.bench_work(who, now),
        answers[1],
    ]


def for_curator(who: Person, now: datetime) -> list[Section]:
    panels = [
        store.beyond_alarm, store.disputes, lab.to_receive, store.silent_loggers, store.broken,
        decide.stopping, lab.to_be_answered, store.imports,
    ]  # fmt: skip
    first = [
        *alarms.when_open(who, now),
        *cases.when_any(who, now),
        *decide.to_answer(who, now),
        *permits.ending(who, now),
    ]
    return [*first, *(panel(who, now) for panel in panels)]


def for_collaborator(who: Person, now: datetime) -> list[Section]:
    return [watch.holdings(who, now)]


def for_auditor(who: Person, now: datetime) -> list[Section]:
    return [panel(who, now) for panel in (watch.ledger_size, store.broken, store.disputes)]


BY_ROLE: dict[str, Panels] = {
    Role.FIELD: for_field,
    Role.LAB: for_lab,
    Role.CURATOR: for_curator,
    Role.COLLABORATOR: for_collaborator,
    Role.AUDITOR: for_auditor,
    Role.ADMINISTRATOR: for_curator,
}
