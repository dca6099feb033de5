"""The receiver's own accession numbers, kept beside our codes.

Promises: in an agency a number names one tube and a tube has one number, for good. What is typed or pasted is
one tube a line: its code, a tab (or blanks, or a comma), its number.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from django.db import IntegrityError, transaction

from biobank.acting import Actor
from biobank.core import codes
from biobank.models import OwnNumber
from custody.core.refusal import Refused

LONGEST = 40


def find(agency: str, number: str) -> str:
    """The tube that this agency calls so; empty when there is none. 1 query."""
    rows = OwnNumber.objects.filter(agency__code=agency, number=clean(number))
    return rows.values_list("tube", flat=True).first() or ""


def listed(text: str) -> dict[str, str]:
    """Numbers by tube. Refused, naming the line: own_number_malformed, own_number_twice, those of a code."""
    found: dict[str, str] = {}
    for n, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        parts = re.split(r"\t+" if "\t" in line.strip() else r",\s*|;\s*|\s+", line.strip(), maxsplit=1)
        if len(parts) < 2 or not parts[1].strip():
            raise Refused("own_number_malformed", f"Line {n}: write the tube's code, a tab, and your number.")
        tube = _tube(n, parts[0])
        if found.get(tube, parts[1]) != parts[1]:
            raise Refused("own_number_twice", f"Line {n}: {codes.show(tube)} has two numbers.", tube)
        found[tube] = parts[1]
    return {tube: clean(number) for tube, number in found.items()}


def _tube(n: int, text: str) -> str:
    try:
        return codes.tube(text)
    except Refused as no:
        raise Refused(no.code, f"Line {n}: {no.sentence}") from no


def clean(number: str) -> str:
    """One blank between words, none at the ends."""
    return " ".join(number.split())


def check(own: Mapping[str, str], here: set[str]) -> None:
    """Refused: own_number_absent, own_number_malformed, own_number_twice."""
    if absent := sorted(set(own) - here):
        sentence = f"{codes.show(absent[0])} did not arrive, so it gets no number of yours."
        raise Refused("own_number_absent", sentence, absent[0])
    first: dict[str, str] = {}
    for tube, number in own.items():
        if not number or len(number) > LONGEST:
            raise Refused(
                "own_number_malformed", f"A number of your own has 1 to {LONGEST} characters.", tube
            )
        other = first.setdefault(number, tube)
        if other != tube:
            sentence = f"{number} is given to two tubes, {codes.show(other)} and {codes.show(tube)}."
            raise Refused("own_number_twice", sentence, tube)


def keep(actor: Actor, own: Mapping[str, str], event: str) -> None:
    """Inside the transaction of the answer. Refused: own_number_taken, own_number_stays."""
    agency = actor.person.agency
    mine = OwnNumber.objects.filter(agency=agency)
    taken = dict(mine.filter(number__in=list(own.values())).values_list("number", "tube"))
    has = dict(mine.filter(tube__in=list(own)).values_list("tube", "number"))
    for tube, number in own.items():
        if taken.get(number, tube) != tube:
            raise Refused(
                "own_number_taken", f"{number} is your number of {codes.show(taken[number])}.", tube
            )
        if has.get(tube, number) != number:
            raise Refused("own_number_stays", f"{codes.show(tube)} is {has[tube]} with you already.", tube)
    rows = [
        OwnNumber(agency=agency, tube=tube, number=number, event=event)
        for tube, number in own.items() if tube not in has
    ]  # fmt: skip
    try:
        with transaction.atomic():
            OwnNumber.objects.bulk_create(rows)
    except IntegrityError as why:
        raise Refused(
            "own_number_taken", "One of these numbers was given at this moment. Look again."
        ) from why
