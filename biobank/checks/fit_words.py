"""How a verdict is worded on its pages: what is missing and where to supply it, and what may be said to
whom.

Promises: pure but for the addresses. Whoever sees the catalogue alone reads durations and words: what may
name a place, a time of day or a person is said in general words instead, and never by halves.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.urls import NoReverseMatch, reverse

from biobank.access import may
from biobank.checks.passport_veil import Veil
from biobank.models import Person
from custody.core.facts import Facts
from custody.core.phase import PhaseSummary
from custody.core.rule_words import NOUN
from custody.core.rules import Finding, Verdict

WORD_ORDER = ("not_fit", "cannot_tell", "caution", "fit")
WORD_WORDS = {
    "not_fit": "not fit", "cannot_tell": "cannot tell", "caution": "fit with caution", "fit": "fit",
}  # fmt: skip
SEVERITY_MEANS = {
    "stop": "a fail makes it not fit",
    "caution": "a fail makes it fit with caution",
    "note": "shown, weighs nothing",
}
READ_MEANS = {
    "original": "read in the original",
    "abstract": "its abstract was read",
    "quoted": "read as others quote it",
    "none": "not read by us",
}

# --- what is missing ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """How something that is missing can be supplied: a sentence, and pages where this person may do it."""

    says: str
    links: tuple[tuple[str, str], ...] = ()


# (words, URL name, what the address takes, the right that is needed)
Door = tuple[str, str, str, str]
LABEL: Door = ("Correct what its label says", "event_correct", "label_printed", "handoff")
FIRST_LABEL: Door = ("Correct what the label says", "event_correct", "first label_printed", "handoff")
IMPORT: Door = ("Import readings", "logger_import", "", "loggers")
PLACE: Door = ("Say where a logger stood", "loggers", "", "see")
LIFE: Door = ("See what was measured", "tube_life", "tube", "see")
WAYS: dict[str, tuple[str, tuple[Door, ...]]] = {
    "act:net_closed": (
        "When the net closed was not noted. Note it in the clock of the workup.",
        (("Open the workup", "workup", "workup", "see"),),
    ),
    "act:drawn": (
        "When it was drawn was not logged. Log the draw, from the field sheet if need be.",
        (("Open the workup", "workup", "workup", "see"),),
    ),
    "act:spun": (
        "No spin was logged. Log it, with when, how hard and how long.",
        (("Log the spin", "spin", "", "bench"),),
    ),
    "act:aliquoted": (
        "No aliquots were made from it. Make them, or log when they were made.",
        (("Make aliquots", "aliquot_tube", "tube", "bench"),),
    ),
    "act:put_away": (
        "It was not put away. Scan it into its box.",
        (("Put it away", "put_away", "", "store"),),
    ),
    "act:frozen": (
        "It was not put into a freezer. Scan it into its box there.",
        (("Put it away", "put_away", "", "store"),),
    ),
    "readings": (
        "Part of its life was not measured. Import the readings of the logger that was with it, or say where "
        "that logger stood.",
        (IMPORT, PLACE, LIFE),
    ),
    "grade": (
        "It was not graded. Look at it against the light and grade it.",
        (("Grade it", "grade", "", "bench"),),
    ),
    "additive": (
        "What it was drawn into is not known. Correct what the label of the drawn tube says.",
        (FIRST_LABEL,),
    ),
    "matrix": ("What is in it is not known. Correct what its label says.", (LABEL,)),
    "material": ("What the tube is made of was not noted. Correct what its label says.", (LABEL,)),
    "container": ("What it is kept in was not noted. Correct what its label says.", (LABEL,)),
    "taxon": (
        "From which group of species it is is not known, because no sample plan says so.",
        (("Sample plans", "plans", "", "see"),),
    ),
    "volume": (
        "How much is in it was not measured. Correct the event that filled it.",
        (("Correct the draw", "event_correct", "drawn", "handoff"),
         ("Correct the aliquoting", "event_correct", "aliquoted", "handoff")),
    ),
    "fill": (
        "How full it was drawn is not known. Correct the draw, or the volume on its label.",
        (("Correct the draw", "event_correct", "drawn", "handoff"), LABEL),
    ),
    "spin": (
        "How hard or how long it was spun is not known. Correct the spin.",
        (("Correct the spin", "event_correct", "spun", "handoff"), ("Log the spin", "spin", "", "bench")),
    ),
    "permit:take": (
        "No permit to take it is registered for the day of the draw. Register the permit.",
        (("Register a permit", "permits", "", "curate"),),
    ),
    "permit:hold": (
        "No permit to hold it is registered for today. Register the permit.",
        (("Register a permit", "permits", "", "curate"),),
    ),
    "custody": (
        "Who held it is not shown without a gap. Note what is known, or settle the discrepancy.",
        (("Custody, with its gaps", "tube", "tube", "see"),
         ("Findings of the ledger", "findings", "", "see")),
    ),
}  # fmt: skip
OTHER = "Something is not known that this rule asks for."
EXACT = "A time is not exact enough to say, or contradicts another. If it is known better, correct it."
UNNAMED = "No rule that weighs anything is about this assay, so nobody can tell."


@dataclass(frozen=True)
class About:
    """The tube that ways lead to: its code, its workup's code, and the event to correct for each kind: its
    own latest, else that of what it was made from; `first …`: that of the tube that was drawn."""

    tube: str
    workup: str = ""
    events: tuple[tuple[str, str], ...] = ()

    def takes(self, what: str) -> list[str] | None:
        """What an address needs; None: this tube has none such."""
        if not what:
            return []
        if what == "tube":
            return [self.tube]
        found = self.workup if what == "workup" else dict(self.events).get(what, "")
        return [found] if found else None


def ways(finding: Finding, about: About, who: Person) -> list[Way]:
    """How each thing that the finding misses can be supplied. Nothing when it passed."""
    if finding.answer == "pass":
        return []
    times = [one.partition(":")[2] for one in finding.missing if one.startswith("time:")]
    exact = Way(_exact(times), _corrections(finding.events, who))
    found = [exact if one.startswith("time:") else _way(one, about, who) for one in finding.missing]
    if finding.answer == "cannot_tell" and not found and finding.by_ms is None:
        found.append(exact)
    return list(dict.fromkeys(found))


def _exact(acts: Sequence[str]) -> str:
    """Which times are in doubt, named as at the bench."""
    nouns = [NOUN[one] for one in acts if one in NOUN]
    if len(nouns) == 2:
        return (
            f"The times of {nouns[0]} and {nouns[1]} are not exact enough to say, or cannot both be right. "
            "Correct the one that is known better."
        )
    if len(nouns) == 1:
        return (
            f"The time of {nouns[0]} is not exact enough to say, or cannot be right beside the others. "
            "If it is known better, correct it."
        )
    return EXACT


def _way(name: str, about: About, who: Person) -> Way:
    says, doors = WAYS.get(name) or WAYS.get(name.partition(":")[0]) or (OTHER, ())
    if name.startswith("grade:"):
        says = says.replace("It was not graded", f"{name.partition(':')[2].capitalize()} was not graded")
    links = (_link(door, about) for door in doors if may(who, door[3]))
    return Way(says, tuple(one for one in links if one))


def _link(door: Door, about: About) -> tuple[str, str] | None:
    words, name, what, _ = door
    args = about.takes(what)
    href = address(name, *args) if args is not None else ""
    return (words, href) if href else None


def _corrections(events: Sequence[str], who: Person) -> tuple[tuple[str, str], ...]:
    if not may(who, "handoff"):
        return ()
    return tuple(("Correct a time", address("event_correct", one)) for one in events[:2])


def address(name: str, *args: str) -> str:
    """The address of a page; empty when there is no such page (or not for such an argument)."""
    try:
        return reverse(name, args=args)
    except NoReverseMatch:
        return ""


# --- what may be said to whom ---------------------------------------------------------------------------

# kinds whose words are numbers, acts and limits alone; what people typed may stand in all others
COUNTED = {
    "interval", "never", "temperature", "budget", "thaws", "volume", "fill", "grade", "spin", "spins",
}  # fmt: skip
CLOSED = {"custody", "permit"}  # kinds whose sentences name agencies, places, papers and days
CLOSED_WORDS = {
    ("custody", "pass"): "Custody is shown without a gap.",
    ("custody", "fail"): "Custody is not shown without a gap, or a discrepancy is open.",
    ("custody", "cannot_tell"): "Whether custody is without a gap cannot be told.",
    ("permit", "pass"): "A permit covers it.",
    ("permit", "fail"): "No permit covers it.",
    ("permit", "cannot_tell"): "Whether a permit covers it cannot be told.",
}


def said(finding: Finding, veil: Veil) -> str:
    """The finding's sentence; for who sees the catalogue alone without places, days, times and people."""
    if veil.full:
        return finding.sentence
    closed = CLOSED_WORDS.get((finding.rule.kind, finding.answer))
    return closed or _veiled(finding, finding.sentence, veil)


def _veiled(finding: Finding, text: str, veil: Veil) -> str:
    """Looking for every name that there is takes long in a large biobank: only where one may stand."""
    return veil.timeless(text) if finding.rule.kind in COUNTED else veil.clean(text)


def fact(finding: Finding, veil: Veil) -> str:
    """The fact; nothing where it would name what may not be named."""
    return (
        finding.fact
        if veil.full
        else ""
        if finding.rule.kind in CLOSED
        else _veiled(finding, finding.fact, veil)
    )


def limit(finding: Finding, veil: Veil) -> str:
    text = finding.limit.removeprefix("limit ")
    return text if veil.full else "" if finding.rule.kind in CLOSED else _veiled(finding, text, veil)


def decided(verdict: Verdict, veil: Veil) -> str:
    """The sentence of a verdict, in the words that this reader may read."""
    first = verdict.deciding[0] if verdict.deciding else None
    if verdict.word == "cannot_tell" and not any(_stops(one) for one in verdict.deciding):
        return UNNAMED  # what kept it from being fit is not why nobody can tell
    return verdict.sentence if veil.full or first is None else said(first, veil)


def _stops(finding: Finding) -> bool:
    return finding.rule.severity == "stop" and finding.answer == "cannot_tell"


# --- how much is known ----------------------------------------------------------------------------------


def life(facts: Facts) -> PhaseSummary:
    """The whole life so far as one phase: sums of measured, assumed and no data (ms)."""
    assumed = no_data = length = 0
    for one in facts.phases:
        whole = max((facts.asof_ms if one.end_ms is None else one.end_ms) - one.start_ms, 0)
        length, assumed, no_data = (
            length + whole, assumed + (one.assumed_ms or 0), no_data + (one.no_data_ms or 0)
        )  # fmt: skip
    return PhaseSummary("life", 0, length, max(length - assumed - no_data, 0), assumed, no_data)


def basis_points(one: PhaseSummary) -> int:
    """Share measured in hundredths of a per cent, cut off."""
    return one.measured_ms * 10_000 // one.end_ms if one.end_ms > 0 else 0


def tally(words: Iterable[str]) -> list[tuple[str, int]]:
    """How many of each word, from unfit to fit, those that occur."""
    found = list(words)
    return [(word, found.count(word)) for word in WORD_ORDER if word in found]
