"""What waits in the laboratory: the bench, and handoffs that want an answer."""

from __future__ import annotations

from datetime import datetime

from django.urls import reverse

from biobank.acting import ms
from biobank.bench.queries import Waiting, bench
from biobank.models import Person
from biobank.people.lines import Line, Section, by_handoff, many, mine, since, to, tube_line
from biobank.templatetags.words import span
from custody import queries as ledger


def bench_work(who: Person, now: datetime) -> list[Section]:
    waits = bench(who.agency.code, ms(now))
    return [
        _waiting("To spin", waits.to_spin, "No tube waits for the centrifuge.", to("spin", "Spin")),
        _waiting("To aliquot", waits.to_aliquot, "No tube waits to be aliquoted.", to("aliquot", "Aliquot")),
        _waiting("To put away", waits.to_put_away, "Nothing waits on the bench.", to("put_away", "Put away")),
    ]


def _waiting(title: str, ones: list[Waiting], empty: str, action: tuple[str, str]) -> Section:
    lines = [tube_line(one.code, f"for {span(one.since_ms)}" if one.since_ms else "") for one in ones]
    return Section(title, lines, empty, action)


def to_receive(who: Person, now: datetime) -> Section:
    coming = mine(who, ledger.find(pending_to=who.agency.code))
    lines = [
        Line(
            f"From {tubes[0].custodian}: count first",  # how many were sent is shown after the count
            reverse("handoff", args=[ref]),
            since(tubes[0].last_ms, now, "handed off"),
            "now",
            "receive",
        )
        for ref, tubes in by_handoff(coming)
    ]
    empty = f"Nothing is on its way to {who.agency.name}."
    return Section("Handoffs to receive", lines, empty, to("handoffs", "All handoffs"))


def to_be_answered(who: Person, now: datetime) -> Section:
    """Those that are due first stand first. 6 queries."""
    going = by_handoff(mine(who, ledger.find(custodian=who.agency.code, pending_to__isnull=False)))
    said = ledger.told(ref for ref, _ in going)
    due = {ref: said[ref].header["data"].get("due_ms") for ref, _ in going if ref in said}
    lines = [
        Line(
            f"{many(len(tubes), 'tube')} to {tubes[0].pending_to}",
            reverse("handoff", args=[ref]),
            since(tubes[0].last_ms, now, "handed off"),
            *(("act", "overdue") if (due.get(ref) or 1 << 62) < ms(now) else ()),
        )
        for ref, tubes in sorted(going, key=lambda one: due.get(one[0]) or 1 << 62)
    ]
    return Section("Handed off, not yet answered", lines, "Every handoff has been answered.")
