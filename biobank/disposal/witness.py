"""The person who watches a discard and says so with the own password, on the form of whoever acts.

Promises: the password is asked of Django's own check and kept nowhere; whether the name or the password was
wrong is not told.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from django.contrib.auth import authenticate
from django.http import HttpRequest

from biobank.access import may
from biobank.acting import Actor
from biobank.models import Person
from custody.core.refusal import Refused


@dataclass(frozen=True)
class Claim:
    """What a witness typed. Both empty: nobody did."""

    request: HttpRequest
    login: str
    password: str = field(repr=False)

    def confirmed(self, actor: Actor) -> Person | None:
        """The witness; None: nobody signed. Refused: witness_not_known, witness_acts, witness_elsewhere."""
        if not self.login.strip() and not self.password:
            return None
        user = authenticate(self.request, username=self.login.strip(), password=self.password)
        if user is None:
            raise Refused(
                "witness_not_known",
                "The witness's user name and password do not belong together. Capitals count in both.",
            )
        return able(actor, Person.objects.filter(user_id=user.pk).first())


def able(actor: Actor, witness: Person | None) -> Person:
    """The same person, when they may witness what this actor does."""
    if witness is not None and witness.pk == actor.person.pk:
        raise Refused(
            "witness_acts", "The witness is another person than the one who discards. Ask somebody else."
        )
    if witness is None or witness.programme_id != actor.person.programme_id or not may(witness, "see"):
        raise Refused("witness_elsewhere", "The witness must be somebody who works in this programme.")
    return witness
