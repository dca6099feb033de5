"""What waits for a decision about findings: overrides for a second person, and what stops tubes."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from biobank.checks import work_queries
from biobank.models import Person
from biobank.people.lines import Line, Section, many, to
from biobank.templatetags.words import when


def to_answer(who: Person, now: datetime) -> list[Section]:
    """Overrides that this very person may answer; nothing when none waits. 8 queries."""
    lines = [
        Line(
            f"{one.assay_name}, {one.rule}", reverse("override_answer", args=[one.event]),
            _asked(one, who.programme.tz), "now", "answer",
        )
        for one in work_queries.waiting_for(who)
    ]  # fmt: skip
    return [Section("Overrides to answer", lines, action=to("overrides", "All overrides"))] if lines else []


def _asked(one: work_queries.Asking, tz: str) -> str:
    return f"{many(len(one.tubes), 'tube')}, asked by {one.by} on {when(one.at_ms, tz)}"


def stopping(who: Person, now: datetime) -> Section:
    """Open findings that stop tubes, a line for each rule, as they were last judged. 3 queries."""
    found = work_queries.stop_findings(who)
    lines = [
        Line(
            rule, f"{reverse('work')}?rule={rule}&answer={answer}",
            f"{many(n, 'tube')}: {'fails' if answer == 'fail' else 'cannot tell'}",
        )
        for rule, answer, n in found
    ]  # fmt: skip
    total = sum(n for _, _, n in found)
    empty = "No finding stops a tube that was judged."
    return Section("Findings that stop", lines, empty, to("work", "All open findings"), total)
