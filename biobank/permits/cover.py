"""Whether permits and agreements cover what is sent, tube by tube: to send it, and to receive it.

Promises: what is not on file covers nothing; a tube of which too little is known is never covered by chance;
every answer names the paper, or says what is missing. A quantity is shared out in the order of the tubes, so
that of twelve under a paper for ten, ten pass. A fixed number of queries, however many tubes (but for slices
of 500).

An agreement is no authority and never takes the place of a permit. Where the party has one on file for the
other side, it is a line of its own, which can fail as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from biobank.core.balance import Meter, fits
from biobank.models import Agency, Permit, Programme, Shipment
from biobank.permits import matching, queries, subjects, uses
from biobank.permits.matching import Done, Merged, name_of, reasons, use_of
from biobank.templatetags.words import when
from custody.core.kleene import Answer, both

PARTY = {"send": "giver", "receive": "receiver"}
RANK: dict[Answer, int] = {"pass": 0, "cannot_tell": 1, "fail": 2}


@dataclass(frozen=True)
class Line:
    """The answer for one tube and one act. permit: the paper it rests on; none on file: None."""

    verb: str
    answer: Answer
    sentence: str
    permit: Permit | None = None


def lines(
    what: Shipment | Iterable[str],
    giver: Agency | str,
    receiver: Agency | str,
    programme: Programme,
    on: date,
) -> dict[str, list[tuple[str, Answer, str]]]:
    """For each tube (verb, answer, sentence): "send" by the giver, "receive" by the receiver."""
    found = judged(what, giver, receiver, programme, on)
    return {code: [(one.verb, one.answer, one.sentence) for one in said] for code, said in found.items()}


def kept(programme: Programme, verb: str) -> bool:
    """Does the programme keep any permit of that sort at all? 1 query."""
    return Permit.objects.filter(programme=programme, sort="permit", allows=verb).exists()


def judged(
    what: Shipment | Iterable[str],
    giver: Agency | str,
    receiver: Agency | str,
    programme: Programme,
    on: date,
    without: str = "",
) -> dict[str, list[Line]]:
    """The same with the papers themselves. without: a handoff that counts as no use yet."""
    tubes, sent = _tubes(what), str(getattr(what, "handoff", "") or without)
    parties = {"send": _code(giver), "receive": _code(receiver)}
    papers = [one for one in queries.papers(programme) if one.allows in PARTY]
    mine = [one for one in papers if one.agency.code == parties[one.allows]]
    told = uses.done(programme, mine, on, without=sent)
    merged = uses.merged() if any(one.counted == "animals" for one in mine) else {}
    desk = _Desk(mine, told, merged, set(parties.values()))
    acts = {
        code: [Done(verb, on, org, what_, parties["receive"], what_.ul) for verb, org in parties.items()]
        for code, what_ in subjects.of(tubes).items()
    }
    return {code: [line for act in acts[code] for line in desk.lines(act, papers)] for code in tubes}


def _tubes(what: Shipment | Iterable[str]) -> list[str]:
    if isinstance(what, Shipment):
        return list(what.tubes.values_list("tube", flat=True))
    return list(dict.fromkeys(what))


def _code(party: Agency | str) -> str:
    return party if isinstance(party, str) else party.code


class _Desk:
    """The papers of both parties, and what was used of each so far, these tubes among it."""

    def __init__(self, papers: Sequence[Permit], told: list[Done], merged: Merged, parties: set[str]) -> None:
        self.papers, self.parties = papers, parties
        self.meters: Mapping[int, Meter] = {
            one.pk: _meter(one, told, merged) for one in papers if one.quantity is not None
        }

    def lines(self, done: Done, on_file: Sequence[Permit]) -> list[Line]:
        mine = [one for one in self.papers if one.allows == done.verb]
        permits = [one for one in mine if one.sort == "permit"]
        first = self._best(permits, done) if permits else _none(done, on_file)
        between = [one for one in mine if one.sort == "agreement" and self._between(one)]
        return [first, *([self._best(between, done)] if between else [])]

    def _between(self, permit: Permit) -> bool:
        """Is this an agreement with the other side, or with nobody named?"""
        others = {one.code for one in permit.recipients.all()} - {permit.agency.code}
        return not others or bool(others & self.parties)

    def _best(self, papers: Sequence[Permit], done: Done) -> Line:
        """Of the paper that covers it, else of the one that comes nearest. It is used up by this."""
        said = [(self._one(permit, done), permit) for permit in papers]
        (answer, wrong, _), permit = min(said, key=lambda one: (RANK[one[0][0]], one[0][2]))
        if answer != "fail" and permit.pk in self.meters:
            self.meters[permit.pk].add(use_of(done, maybe=answer == "cannot_tell"))
        return Line(done.verb, answer, _sentence(permit, answer, wrong, done), permit)

    def _one(self, permit: Permit, done: Done) -> tuple[Answer, str, int]:
        """What one paper answers, the worst reason, and how many things are wrong."""
        said = [*reasons(permit, done), self._quantity(permit, done)]
        answer = both(*(one for one, _ in said))
        worst = next((why for one, why in said if one == answer), "")
        return answer, worst, sum(one != "pass" for one, _ in said)

    def _quantity(self, permit: Permit, done: Done) -> matching.Reason:
        if permit.quantity is None:
            return "pass", ""
        after = self.meters[permit.pk].would(use_of(done))
        answer: Answer = fits(permit.quantity, after)  # type: ignore[assignment]
        whole = queries.amount(permit.counted, permit.quantity)
        if answer == "cannot_tell":
            return answer, f"is for {whole}, and how many are used of it cannot be told"
        return answer, f"is used up: it is for {whole}"


def _meter(permit: Permit, told: list[Done], merged: Merged) -> Meter:
    meter = Meter(permit.counted, merged)
    for use in matching.uses(permit, told):
        meter.add(use)
    return meter


def _none(done: Done, on_file: Sequence[Permit]) -> Line:
    """Of a party that has no permit for this act."""
    if any(one.allows == done.verb and one.sort == "permit" for one in on_file):
        return Line(done.verb, "fail", f"No permit on file lets {done.org} {done.verb} it.")
    return Line(done.verb, "cannot_tell", f"No permit to {done.verb} is on file.")


def _sentence(permit: Permit, answer: Answer, wrong: str, done: Done) -> str:
    if answer == "pass":
        until = when(permit.valid_until)
        return f"{name_of(permit)} lets {done.org} {done.verb} it until {until}."
    return f"{name_of(permit)} of {done.org} {wrong}."


def papers_named(said: Mapping[str, Sequence[Line]]) -> list[Permit]:
    """The papers that cover at least one tube, in their order."""
    found = {
        one.permit.pk: one.permit
        for each in said.values()
        for one in each
        if one.permit and one.answer == "pass"
    }
    return list(found.values())
