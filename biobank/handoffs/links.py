"""One-time links: how a receiver answers one handoff without a login (evidence grade B).

Promises: the secret of a link (128 bits) and its code are told once and kept only as hashes; a link opens one
handoff for its addressee, until it is used, revoked, out of date, locked by wrong codes, or has nothing left
to answer; of two browsers that answer at once one wins. Nobody is told which of these closed a link.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth.hashers import check_password, make_password
from django.core.cache import cache
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from biobank.access import may
from biobank.acting import Actor, saving
from biobank.handoffs import receiving
from biobank.handoffs.actions import offered
from biobank.models import Agency, HandoffLink, Person, Role
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.record import Recorded

LEAST_DAYS, DAYS, MOST_DAYS = 1, 7, 30
MOST_TRIES = 5  # wrong codes; five of a million leave a guesser one chance in 200,000
PAUSE = timedelta(seconds=5)  # after a wrong code. Common practice, no source
MISSES, WITHIN_S = (
    10,
    60,
)  # openings of nothing, from one address, in so many seconds. Common practice, no source
LOGIN = "by link"  # what the ledger's entry says in place of a login; no login has a space
VIA = "link"
# these sentences name who answered and when, which is nothing for a stranger
CLOSING = {"handoff_unknown", "receiver_was_addressed", "handoff_answered_once", "handoff_withdrawn",
           "handoff_refused", "handoff_voided", "handoff_not_open"}  # fmt: skip
GIVEN = "No login: a one-time link, or paper"


@dataclass(frozen=True)
class Made:
    """A link as it is told, once: the secret of its address, and the code that is told apart."""

    link: HandoffLink
    secret: str
    code: str


# --- the sender's side ----------------------------------------------------------------------------


def make(actor: Actor, handoff: str, days: int, now: datetime) -> Made:
    """A new link for the addressee of a handoff; an older one counts no longer.

    Refused: handoff_unknown, not_yours, link_days, handoff_answered_once, link_made_twice.
    """
    to = _may_make(actor, handoff)
    if not LEAST_DAYS <= days <= MOST_DAYS:
        raise Refused("link_days", f"A link is good for {LEAST_DAYS} to {MOST_DAYS} days.")
    secret, code = secrets.token_urlsafe(16), f"{secrets.randbelow(10**6):06d}"
    link = HandoffLink(
        handoff=handoff, to=to, token_hash=_hash(secret), code_hash=make_password(code),
        made_by=actor.person, made=now, expires=now + timedelta(days=days),
    )  # fmt: skip
    try:
        with transaction.atomic():
            _unused(handoff).update(revoked=now)
            link.save(force_insert=True)
            outsider(to, actor)
    except IntegrityError as why:
        raise Refused("link_made_twice", "Somebody made a link at the same moment. Look again.") from why
    return Made(link, secret, code)


def revoke(actor: Actor, handoff: str, now: datetime) -> None:
    """The link of this handoff counts no longer. Again: nothing. Refused: handoff_unknown, not_yours."""
    check_giver(actor, handoff)
    _unused(handoff).update(revoked=now)


def check_giver(actor: Actor, handoff: str) -> ledger.Said:
    """The handoff, when this person may speak for the agency that gave it. Refused: handoff_unknown,
    not_yours."""
    said = offered(handoff)
    if said.header["org"] != actor.org or not may(actor.person, "handoff"):
        raise Refused("not_yours", f"Only {said.header['org']}, who gave the tubes, can do this.")
    return said


def of_handoff(handoff: str) -> QuerySet[HandoffLink]:
    """All links of a handoff, newest first. 1 query."""
    return (
        HandoffLink.objects.filter(handoff=handoff).select_related("made_by", "to").order_by("-made", "-pk")
    )


def state(link: HandoffLink, now: datetime) -> str:
    """What became of a link: used, revoked, locked, out of date, opened, made."""
    if link.used or link.revoked:
        return "used" if link.used else "revoked"
    if link.tries >= MOST_TRIES:
        return "locked"
    if link.expires <= now:
        return "out of date"
    return "opened" if link.opened else "made"


def _may_make(actor: Actor, handoff: str) -> Agency:
    said = check_giver(actor, handoff)
    if not ledger.find(pending_ref=handoff):
        raise Refused("handoff_answered_once", "Nothing of this handoff is left to be answered.")
    return Agency.objects.get(code=said.header["data"]["to"])


def _unused(handoff: str) -> QuerySet[HandoffLink]:
    return HandoffLink.objects.filter(handoff=handoff, used=None, revoked=None)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


# --- somebody without a login ---------------------------------------------------------------------


def outsider(agency: Agency, actor: Actor) -> Person:
    """Whom the ledger names when somebody of this agency answers without a login. Made when first needed.

    One for each agency and programme: agencies whose codes begin alike get codes of their own.
    """
    programme = actor.person.programme
    mine = Q(agency=agency, programme=programme, user=None, code__startswith="BYLINK-")
    if found := Person.objects.filter(mine).order_by("pk").first():
        return found
    name = f"Somebody at {agency.name}"[:104] + ", without login"
    code = _free_code(agency.code)
    made = Person(code=code, name=name, agency=agency, programme=programme, role=Role.COLLABORATOR)
    with saving(actor.person.user, GIVEN, made):
        made.save(force_insert=True)
    return made


def _free_code(agency: str) -> str:
    """`BYLINK-TFL`, at most twelve characters; with a number at its end when another agency has that one."""
    taken = set(Person.objects.filter(code__startswith="BYLINK-").values_list("code", flat=True))
    whole = f"BYLINK-{agency}"
    tails = ["", *(f"-{n}" for n in range(2, 10_000))]
    return next(code for tail in tails if (code := whole[: 12 - len(tail)].rstrip("-") + tail) not in taken)


# --- the receiver's side --------------------------------------------------------------------------


def closed() -> Refused:
    """One sentence for every cause: whoever tries links learns nothing."""
    return Refused("link_closed", "This link opens nothing, or nothing any more.")


def find(secret: str) -> HandoffLink | None:
    """The link with this secret, whatever became of it. 1 query; what is looked up is its hash."""
    return HandoffLink.objects.select_related("to").filter(token_hash=_hash(secret)).first()


def opened(link: HandoffLink, now: datetime) -> None:
    """Note that the address was opened, the first time."""
    HandoffLink.objects.filter(pk=link.pk, opened=None).update(opened=now)


def live(pk: Any, now: datetime) -> HandoffLink:
    """The link of this number while it can be answered. Refused `link_closed`, whatever the cause."""
    link = HandoffLink.objects.select_related("to", "made_by__programme").filter(pk=pk).first()
    if link is None or state(link, now) not in {"made", "opened"}:
        raise closed()
    if not ledger.count(pending_ref=str(link.handoff), pending_to=link.to.code):
        raise closed()  # answered otherwise, refused, withdrawn or void
    return link


def check_code(pk: Any, code: str, now: datetime) -> None:
    """Whether this code belongs to the link. Wrong ones are counted, one at a time, also of many browsers.

    Refused: link_closed, link_wait, link_code_wrong.
    """
    with transaction.atomic():
        link = HandoffLink.objects.select_for_update().filter(pk=pk).first()
        if link is None or state(link, now) not in {"made", "opened"}:
            raise closed()
        if link.last_try and now - link.last_try < PAUSE:
            raise Refused("link_wait", f"Wait {PAUSE.seconds} seconds after a wrong code, then try again.")
        right = check_password(code, link.code_hash)  # compares in constant time
        if not right:
            link.tries, link.last_try = link.tries + 1, now
            link.save(update_fields=["tries", "last_try"])
    if not right:
        raise Refused("link_code_wrong", "This is not the code. Ask whoever sent the tubes, by telephone.")


@dataclass(frozen=True)
class Answer:
    """What a receiver without a login says."""

    results: Mapping[str, str]
    counted: int
    name: str
    seal_intact: bool | None = None
    seal: str = ""
    centi_c: int | None = None
    foreign: Sequence[str] = ()
    again: Sequence[str] = ()
    note: str = ""


def answer(link: HandoffLink, key: str, said: Answer, now: datetime) -> Recorded:
    """Write the answer and use the link up, both or neither.

    Refused: name_malformed, link_closed, and as `receiving.receive`.
    """
    actor = Actor(outsider(link.to, Actor(link.made_by, LOGIN)), LOGIN, via=VIA)

    def use_up() -> None:
        if not HandoffLink.objects.filter(pk=link.pk, used=None, revoked=None, expires__gt=now).update(
            used=now
        ):
            raise closed()

    try:
        return receiving.receive(
            actor, key, str(link.handoff), said.results, counted=said.counted, seal_intact=said.seal_intact,
            seal=said.seal, centi_c=said.centi_c, foreign=said.foreign, again=said.again, grade="B",
            name=plain_name(said.name), note=said.note, before=use_up,
        )  # fmt: skip
    except Refused as no:
        raise (closed() if no.code in CLOSING else no) from no


def plain_name(text: str) -> str:
    """A name as it can stand in the ledger. Refused `name_malformed`: nothing, too much, or signs unseen."""
    name = " ".join(text.split())
    if not 2 <= len(name) <= 80 or not name.isprintable():
        raise Refused("name_malformed", "Write your name in 2 to 80 letters, without control characters.")
    return name


# --- how often one address may miss ---------------------------------------------------------------


def missed(address: str) -> None:
    """Somebody at this address opened nothing."""
    cache.add(_counter(address), 0, WITHIN_S)
    try:
        cache.incr(_counter(address))
    except ValueError:  # it ran out in between
        cache.set(_counter(address), 1, WITHIN_S)


def too_many(address: str) -> bool:
    """Whether this address has missed so often that it waits."""
    return int(cache.get(_counter(address), 0)) >= MISSES


def _counter(address: str) -> str:
    return f"answer-missed-{hashlib.sha256(address.encode()).hexdigest()}"
