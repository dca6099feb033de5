"""Receiving: the answer to a handoff, one event.

Promises: nothing arrives twice; a tube that is not named or not sure stays with whoever gave it; whatever did
not match is a case, opened in the transaction of the answer. One answer counts; a later one is refused here
with who and when, and kept as a finding when it comes from the field.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.utils import timezone

from biobank.acting import Actor, perform
from biobank.bench.hands import named
from biobank.handoffs import cases, own_numbers, receive_checks, receive_found
from biobank.handoffs.actions import again as sent_before
from biobank.handoffs.actions import both, offered
from biobank.handoffs.conditions import BY_WORD, IN_HAND
from custody.core.refusal import Refused
from custody.record import Recorded

LATER, MISSING = "later", "missing"


@dataclass(frozen=True)
class Answer:
    """What a receiver says.

    results     tube -> ok, damaged, warm, missing, unreadable, or extra: a tube of ours that is not on the
                list and that somebody has confirmed is here
    conditions  tube -> a word of `conditions`; it makes an ok worse where the word does
    foreign     codes that are none of ours; again: codes scanned once more, or that are on two tubes when the
                count is larger
    """

    results: Mapping[str, str]
    counted: int
    seal_intact: bool | None = None
    seal: str = ""
    centi_c: int | None = None
    low_centi: int | None = None
    high_centi: int | None = None
    logger: str = ""
    coolant: str = ""
    own: Mapping[str, str] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    foreign: Sequence[str] = ()
    again: Sequence[str] = ()
    rest: str = MISSING
    grade: str = ""
    name: str = ""
    paper: str = ""
    note: str = ""

    @property
    def words(self) -> dict[str, str]:
        """What the ledger will say of each named tube."""
        found = dict(self.results)
        for tube, word in self.conditions.items():
            if found.get(tube) == "ok" and word in BY_WORD:
                found[tube] = BY_WORD[word].result
        return found

    @property
    def here(self) -> int:
        """Tubes that the answer tells of as being here; a second tube with one code is not among them."""
        return sum(word != MISSING for word in self.results.values()) + len(self.foreign)

    @property
    def twins(self) -> list[str]:
        """Codes of ours that are, or one of which is, on two tubes."""
        return sorted(set(self.again) & set(self.results)) if self.counted > self.here else []

    @property
    def agrees(self) -> bool:
        """Whether the count by hand is what is told of; a code that was scanned again may be on two tubes."""
        again = [tube for tube in self.again if tube in self.results]
        return 0 <= self.counted - self.here <= len(again)

    @property
    def data(self) -> dict[str, Any]:
        """Fields of the event; what was not said is not in it."""
        said: dict[str, Any] = {
            name: getattr(self, name)
            for name in (
                "counted", "seal_intact", "seal", "centi_c", "low_centi", "high_centi", "logger", "coolant",
                "grade", "name", "paper", "note",
            )
        }  # fmt: skip
        said |= {"foreign": ", ".join(self.foreign), "again": ", ".join(sorted(self.again))}
        return {name: value for name, value in said.items() if value not in ("", None)}

    def line(self, tube: str, word: str) -> dict[str, Any]:
        more = {"own": self.own.get(tube), "condition": self.conditions.get(tube)}
        return {"t": tube, "role": "subj", "result": word} | {k: v for k, v in more.items() if v}


def receive(
    actor: Actor,
    key: str,
    handoff: str,
    results: Mapping[str, str],
    *,
    counted: int,
    seal_intact: bool | None = None,
    seal: str = "",
    centi_c: int | None = None,
    low_centi: int | None = None,
    high_centi: int | None = None,
    logger: str = "",
    coolant: str = "",
    own: Mapping[str, str] | None = None,
    conditions: Mapping[str, str] | None = None,
    foreign: Sequence[str] = (),
    again: Sequence[str] = (),
    rest: str = MISSING,
    grade: str = "",
    name: str = "",
    paper: str = "",
    at: datetime | None = None,
    note: str = "",
    before: Callable[[], None] | None = None,
) -> Recorded:
    """Answer for tubes of a handoff; see `Answer` for what is said.

    rest    of tubes that are not named: "missing" (but for those that an earlier answer spoke of), or
            "later": they stay open. Custody of an extra tube never passes; its giver must hand it off.
    before  is called in the transaction of the answer, last
    Refused: handoff_unknown, those of `receive_checks` and `own_numbers`.
    """
    if done := sent_before(actor, key, "received"):
        return done
    said = Answer(
        results, counted, seal_intact, seal, centi_c, low_centi, high_centi, logger, coolant, own or {},
        conditions or {}, foreign, again, rest, grade, name, paper, note,
    )  # fmt: skip
    try:
        return _answered(actor, key, handoff, said, at, before)
    except Refused:  # the same form, sent twice at once: the other one was first
        if done := sent_before(actor, key, "received"):
            return done
        raise


def _answered(
    actor: Actor,
    key: str,
    handoff: str,
    said: Answer,
    at: datetime | None,
    before: Callable[[], None] | None,
) -> Recorded:
    given = offered(handoff)
    lines = _lines(said, receive_checks.still_open(actor, given, said, at))
    if not lines:
        raise Refused("no_tube", "Scan at least one tube.")
    found = receive_found.found(given.header, said, lines)
    now = timezone.now()

    def open_cases() -> None:
        cases.opened(handoff, key, found, given.header["by"], now)

    def close_cases() -> None:
        here = [line["t"] for line in lines if line["result"] in IN_HAND]
        cases.arrived(handoff, here, key, now)

    def keep_numbers() -> None:
        own_numbers.keep(actor, said.own, key)

    steps = both(keep_numbers if said.own else None, close_cases, open_cases if found else None, before)
    try:
        return perform(
            actor, "received", key=key, at=at, data=said.data, lines=lines, ref=handoff, before=steps
        )
    except Refused as no:
        raise named(no) from no


def _lines(said: Answer, silent: set[str]) -> list[dict[str, Any]]:
    """`silent`: open tubes that nobody has spoken of, neither here nor in an earlier answer."""
    words = dict.fromkeys(silent, MISSING) if said.rest == MISSING else {}
    words |= said.words
    return [said.line(tube, word) for tube, word in sorted(words.items())]
