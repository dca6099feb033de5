"""The gate: no tube goes to an assay that it is not fit for, unless two people said so.

Promises: the verdicts are worked out anew each time it is asked, from the ledger and the readings as they
are at that moment; nothing that was kept decides. Not fit and cannot tell stop a tube, and so does having no
rules; a tube that changes between the look and the writing is stopped inside the transaction
(`Passed.again`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Q
from django.utils import timezone

from biobank.acting import ms
from biobank.checks import overrides
from biobank.checks.verdicts import InForce, in_force, verdicts_of
from biobank.core import codes as tube_codes
from biobank.models import Assay
from biobank.models.verdicts import WORDS
from custody.core.refusal import Refused
from custody.core.rules import Verdict

NAMED = 10  # so many tubes a refusal names
WORD = dict(WORDS)


@dataclass(frozen=True)
class Passed:
    """Tubes that the gate lets through to an assay, when asked; `words` go into the lines of the event."""

    assay: str
    rules: str
    words: Mapping[str, str]

    @property
    def data(self) -> dict[str, str]:
        """What the event says of it."""
        return {"assay": self.assay, "rules": self.rules}

    def line(self, code: str) -> dict[str, str]:
        """What the line of this tube says of it."""
        return {"verdict": self.words[code]}

    def again(self) -> None:
        """Asks once more, when the ledger is locked: somebody may have spoilt one in between, or changed the
        rules. Refused: as `through`, and verdict_changed."""
        now = through(self.words, self.assay, ms(timezone.now()))
        if now.rules != self.rules:
            raise Refused(
                "verdict_changed", f"The rules have just changed to {now.rules}. Look, then send again."
            )
        for code, word in now.words.items():
            if word != self.words[code]:
                sentence = f"{tube_codes.show(code)} has just become {WORD[word]}. Look, then send again."
                raise Refused("verdict_changed", sentence, code)


def admit(codes: Iterable[str], assay_code: str, now_ms: int) -> dict[str, str]:
    """The word of the verdict for each tube, all of which may go to this assay; or Refused, as `through`."""
    return dict(through(codes, assay_code, now_ms).words)


def through(codes: Iterable[str], assay_code: str, now_ms: int) -> Passed:
    """All these tubes or none, at `now_ms` (UTC ms).

    Refused: assay_unknown (also one that is no longer run); tube_not_fit, naming up to ten tubes with what
    speaks against each. About 25 queries, however many tubes.
    """
    wanted = list(codes)
    assay = known_assay(assay_code)
    law = in_force()
    if not law.label:
        raise Refused("tube_not_fit", f"No rule set is in force, so for {assay.name} nobody can tell.")
    some = for_assay(wanted, assay.code, now_ms, law)
    found = {code: one for code, one in some.items() if one.asof_ms >= now_ms}  # the others were discarded
    doubtful = [code for code in wanted if not (code in found and found[code].word in overrides.GOOD)]
    said = overrides.of(doubtful) if doubtful else {}
    stopped = [
        code for code in doubtful if code not in found or not overrides.allowed(found[code], said[code])
    ]
    if stopped:
        raise _refusal(stopped, found, assay)
    return Passed(assay.code, law.label, {code: found[code].word for code in wanted})


def known_assay(code: str) -> Assay:
    """The assay with this code, when it is still run; Refused assay_unknown."""
    found = Assay.objects.filter(code=code.strip(), retired=False).first()
    if found is None:
        raise Refused("assay_unknown", f"There is no assay with the code “{code.strip()[:20]}”.")
    return found


def for_assay(
    codes: Sequence[str], assay: str, now_ms: int, law: InForce | None = None
) -> dict[str, Verdict]:
    """The verdict of each tube for one assay; without those that it does not take or that hold nothing."""
    found = verdicts_of(codes, now_ms, law, [assay])
    return {code: some[0] for code, some in found.items() if some}


def _refusal(stopped: Sequence[str], found: Mapping[str, Verdict], assay: Assay) -> Refused:
    head = f"For {assay.name} " + ("this tube may not be used." if len(stopped) == 1 else
                                   f"{len(stopped)} tubes may not be used.")  # fmt: skip
    said = [_why(code, found.get(code), assay) for code in stopped[:NAMED]]
    rest = [f"And {len(stopped) - NAMED} more."] if len(stopped) > NAMED else []
    return Refused("tube_not_fit", " ".join([head, *said, *rest]), stopped[0])


def _why(code: str, verdict: Verdict | None, assay: Assay) -> str:
    if verdict is None:
        return f"{tube_codes.show(code)}: {assay.name} does not take what is in it, or it is empty or gone."
    return f"{tube_codes.show(code)}: {WORD[verdict.word]}. {verdict.sentence}"


def meant(text: str) -> Assay | None:
    """The assay that a reason means when it is its code or name and nothing more ("for …" apart). 1 query."""
    said = text.strip().casefold().removeprefix("for ").strip()
    rows = Assay.objects.filter(retired=False) if said else []
    return next((one for one in rows if said in {one.code.casefold(), one.name.casefold()}), None)


def choices() -> list[tuple[str, str]]:
    """Assays for a form's field, the empty one first; not the head of a family, which takes nothing itself. 1
    query."""
    takes = Q(takes__isnull=False) | Q(family__takes__isnull=False)
    rows = Assay.objects.filter(takes, retired=False).distinct().order_by("name")
    return [("", "not for analysis"), *rows.values_list("code", "name")]


def called(code: str | None) -> str:
    """The name of an assay with its code, for a page or a paper; empty for none. 1 query."""
    name = Assay.objects.filter(code=code).values_list("name", flat=True).first() if code else None
    return f"{name} ({code})" if name else code or ""


def lines_for(codes: Iterable[str], passed: Passed | None) -> list[dict[str, Any]]:
    """Lines of an event about these tubes, with the verdict of each when it is for an assay."""
    return [{"t": code, "role": "subj"} | (passed.line(code) if passed else {}) for code in codes]
