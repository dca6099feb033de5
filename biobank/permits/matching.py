"""Whether one paper speaks of one act: its day, agency, species, part and recipient, each in three answers.

Promises: no database is asked; what a paper does not name it does not limit; what is not known about a tube
is no answer where the paper limits it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from biobank.checks.permits import WORDS, names_part, names_species
from biobank.core.balance import Use
from biobank.models import Permit
from biobank.permits.subjects import Subject
from biobank.templatetags.words import when
from custody.core.kleene import Answer, both

SENT = {"send", "export"}  # whose recipients are asked about


@dataclass(frozen=True)
class Done:
    """Something that a paper may have been used for. org None: by which agency is not known."""

    verb: str
    day: date
    org: str | None
    what: Subject
    to: str = ""
    ul: int | None = None


def name_of(permit: Permit) -> str:
    """`Permit SKV-1`, as sentences begin."""
    return f"{permit.get_sort_display().capitalize()} {permit.number}"


Reason = tuple[Answer, str]


def reasons(permit: Permit, done: Done) -> list[Reason]:
    """Each thing that the paper may limit, with what is wrong when it is not met."""
    said = [_day(permit, done.day), _species(permit, done.what.species), _recipient(permit, done)]
    return [*said, *([_part(permit, done.what.matrix)] if done.what.tube else [])]  # an animal is no part


def _day(permit: Permit, on: date) -> Reason:
    if on < permit.valid_from:
        return "fail", f"begins only on {when(permit.valid_from)}"
    if on > permit.valid_until:
        return "fail", f"ended on {when(permit.valid_until)}"
    return "pass", ""


def _species(permit: Permit, species: str) -> Reason:
    answer = names_species(permit, species)
    if answer == "cannot_tell":
        return answer, f"is for {permit.species}, and the species of this tube is not known"
    return answer, f"is for {permit.species}, not for {species}"


def _part(permit: Permit, matrix: str) -> Reason:
    answer = names_part(permit, matrix)
    if answer == "cannot_tell":
        return answer, "names parts, and what is in this tube is not known"
    return answer, f"does not name {WORDS.get(matrix, matrix)}"


def _recipient(permit: Permit, done: Done) -> Reason:
    named = {one.code for one in permit.recipients.all()} if permit.allows in SENT else set()
    return (
        ("pass", "") if not named or done.to in named else ("fail", f"does not name {done.to} as recipient")
    )


def concerns(permit: Permit, done: Done) -> Answer:
    """Was this done under that paper, as far as its text goes?"""
    if permit.allows != done.verb or done.org not in {permit.agency.code, None}:
        return "fail"
    known: Answer = "cannot_tell" if done.org is None else "pass"
    return both(known, *(answer for answer, _ in reasons(permit, done)))


def uses(permit: Permit, done: list[Done]) -> list[Use]:
    """What counts against its quantity; what only may have been done under it is marked so."""
    answers = [(one, concerns(permit, one)) for one in done]
    return [use_of(one, maybe=answer == "cannot_tell") for one, answer in answers if answer != "fail"]


def use_of(done: Done, maybe: bool = False) -> Use:
    return Use(done.day, done.what.animal, done.what.hand, done.ul, maybe)


Merged = Mapping[int | str, int | str]
