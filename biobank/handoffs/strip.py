"""The answer strip of a manifest: filled in by hand, photographed, typed in by the sender's side (grade C).

Promises: the photo is kept byte for byte and what it is follows from how it begins; the event names its hash,
the receiver's name as signed, and the local time with the receiver's own zone; it is said by somebody of the
receiver's agency without a login, and recorded by whoever typed it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.db import transaction
from django.db.models import QuerySet

from biobank.access import may
from biobank.acting import Actor
from biobank.core import codes
from biobank.handoffs import receiving
from biobank.handoffs.actions import again, offered
from biobank.handoffs.links import outsider, plain_name
from biobank.models import Agency, HandoffPaper, Person
from biobank.sheets.photos import ENDINGS, Kind, kind_of, named
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.record import Recorded

MOST_PAPERS = 10  # of one handoff
VIA = "paper"


@dataclass(frozen=True)
class PaperActor(Actor):
    """Somebody who signed a paper, in the zone that stands on it; `typist` is who types."""

    zone: str = ""

    @property
    def tz(self) -> str:
        return self.zone or self.person.programme.tz


@dataclass(frozen=True)
class Strip:
    """What stands on a strip. `at` is an aware moment; `zone` the one that the receiver wrote down."""

    name: str
    at: datetime
    zone: str
    counted: int
    seal_intact: bool | None = None
    seal: str = ""
    missing: Sequence[str] = ()
    damaged: Sequence[str] = ()
    centi_c: int | None = None
    note: str = ""


def check_may(actor: Actor, handoff: str) -> ledger.Said:
    """The handoff, when this person may write down what others say of it. Refused: handoff_unknown,
    not_yours."""
    said = offered(handoff)
    mine = said.header["org"] == actor.org and may(actor.person, "handoff")
    if not mine and not may(actor.person, "curate"):
        raise Refused(
            "not_yours", f"Only {said.header['org']}, who gave the tubes, or a curator can do this."
        )
    return said


# --- the photo ------------------------------------------------------------------------------------


def keep(actor: Actor, handoff: str, files: Sequence[tuple[str, bytes]]) -> list[HandoffPaper]:
    """Keep these files (name, bytes) as photos of the paper of a handoff: all of them or none.

    Refused: handoff_unknown, not_yours, photo_empty, photo_kind_unknown, photo_too_large, too_many_photos.
    """
    check_may(actor, handoff)
    made = [_paper(actor.person, handoff, name, content) for name, content in files]
    with transaction.atomic():
        there = {one.sha256: one for one in papers(handoff)}
        new = {one.sha256: one for one in made if one.sha256 not in there}
        if len(there) + len(new) > MOST_PAPERS:
            raise Refused("too_many_photos", f"Of one handoff {MOST_PAPERS} photos are kept, not more.")
        for one in new.values():
            one.save(force_insert=True)
    return [there.get(one.sha256) or new[one.sha256] for one in made]


def _paper(by: Person, handoff: str, name: str, content: bytes) -> HandoffPaper:
    most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    if len(content) > most:
        raise Refused("photo_too_large", f"A photo may have {most / 1e6:g} MB here, not more.")
    return HandoffPaper(
        handoff=handoff, name=named(name), kind=kind_of(content), size=len(content),
        sha256=hashlib.sha256(content).hexdigest(), content=content, by=by,
    )  # fmt: skip


def papers(handoff: str) -> QuerySet[HandoffPaper]:
    """Photos of the papers of a handoff, oldest first, without their bytes. 1 query."""
    return HandoffPaper.objects.filter(handoff=handoff).defer("content").order_by("pk")


def file_name(paper: HandoffPaper) -> str:
    return f"paper-{paper.short}.{ENDINGS[Kind(paper.kind)]}"


# --- what stands on it ----------------------------------------------------------------------------


def enter(typist: Actor, key: str, handoff: str, paper: HandoffPaper, strip: Strip) -> Recorded:
    """Write what a strip says.

    Refused: handoff_unknown, not_yours, photo_required, name_malformed, strip_says_both,
    strip_does_not_add_up, and as `receiving.receive`.
    """
    said = check_may(typist, handoff)
    if str(paper.handoff) != handoff:
        raise Refused("photo_required", "This photo belongs to another handoff. Add the one of this strip.")
    to = Agency.objects.get(code=said.header["data"]["to"])
    actor = PaperActor(outsider(to, typist), typist.login, typist.person, VIA, strip.zone)
    if done := again(actor, key, "received"):
        return done
    return receiving.receive(
        actor, key, handoff, _results(handoff, strip), counted=strip.counted, seal_intact=strip.seal_intact,
        seal=strip.seal, centi_c=strip.centi_c, grade="C", name=plain_name(strip.name), paper=paper.short,
        at=strip.at, note=strip.note,
    )  # fmt: skip


def _results(handoff: str, strip: Strip) -> dict[str, str]:
    """Every tube that is still open, as the strip says; one that it does not name has arrived."""
    open_ = {one.tube for one in ledger.find(pending_ref=handoff)}
    if not open_:
        raise Refused("handoff_answered_once", "This handoff was answered already.")
    if both := sorted(set(strip.missing) & set(strip.damaged)):
        raise Refused("strip_says_both", "Missing, or damaged? Clear one of them.", both[0])
    if odd := sorted({*strip.missing, *strip.damaged} - open_):
        raise Refused("tube_not_on_handoff", "This tube is not on this handoff, or not open.", odd[0])
    here = len(open_ - set(strip.missing))
    if here != strip.counted:
        raise Refused("strip_does_not_add_up", _sum(len(open_), strip))
    found = dict.fromkeys(sorted(open_), "ok") | dict.fromkeys(strip.damaged, "damaged")
    return found | dict.fromkeys(strip.missing, "missing")


def _sum(open_: int, strip: Strip) -> str:
    missing = ", ".join(codes.show(one) for one in sorted(strip.missing)) or "none"
    return (
        f"{open_} tubes are open, the strip counts {strip.counted} and names as missing: {missing}. "
        "Ask the receiver which tubes did not come; do not guess."
    )
