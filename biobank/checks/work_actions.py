"""What people decide about findings: an override asked for and answered, a deviation filed and closed.

Promises: each function writes one event or raises Refused and changes nothing; the same key again is
answered with what it did the first time. The finding is looked for anew before it is written and once more
inside the transaction. None of these acts changes where a tube is or what is in it, so others may hold it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from django.utils import timezone

from biobank.access import may
from biobank.acting import Actor, ms
from biobank.bench.hands import repeated, write
from biobank.checks import deviations, gate, overrides
from biobank.checks.verdicts import in_force, verdicts_of
from biobank.core import codes
from biobank.models import Tube
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.rules import LEAST_VOLUME, TAKES, Finding

MOST = 1_000  # tubes in one event, as in the ledger
Wanted = Callable[[Finding], bool]


def ask_override(actor: Actor, key: str, tubes: Sequence[str], *, assay: str, rule: str, reason: str) -> str:
    """One `override_asked` for these tubes, one assay and one rule that stops each of them. Returns its id.

    Refused: override_not_yours, no_tube, tube_unknown, reason_required, assay_unknown, finding_not_open,
    override_open_already.
    """
    if repeated(actor, key, overrides.ASKED):
        return key
    _may_decide(actor)
    why, run = _stated(reason), gate.known_assay(assay)
    _ours(actor, tubes)
    found = _in_assay(tubes, run.code, rule)
    _none_asked(tubes, run.code, rule)
    one = next(iter(found.values()))
    data = {
        "assay": run.code, "rule": rule, "rules": in_force().label, "limit": one.limit, "reason": why,
    }  # fmt: skip

    def again() -> None:
        _same(found, _in_assay(tubes, run.code, rule))
        _none_asked(tubes, run.code, rule)

    return write(actor, overrides.ASKED, key, None, _lines(found), data, before=again)


def answer_override(actor: Actor, key: str, event: str, *, granted: bool, reason: str) -> str:
    """One `override_answered` by a second person, for all tubes of the asking. Returns its id.

    Refused: override_not_yours, override_unknown, second_person_needed, override_answered_already,
    reason_required, and for granting override_lapsed.
    """
    if repeated(actor, key, overrides.ANSWERED):
        return key
    _may_decide(actor)
    why = _stated(reason)
    asked = _asked(event)
    _second(actor, asked)
    tubes = [line["t"] for line in asked.lines]
    _ours(actor, tubes)

    def again() -> None:
        _waits(event, tubes)
        if granted:
            _holds(asked, tubes)

    again()
    lines = [{"t": code, "role": "subj"} for code in tubes]
    data = {"of": event, "granted": granted, "reason": why}
    return write(actor, overrides.ANSWERED, key, None, lines, data, ref=event, before=again)


def file_deviation(actor: Actor, key: str, tubes: Sequence[str], *, rule: str, reason: str) -> str:
    """One `deviation_noted` for these tubes, each of which fails this rule. Returns its id.

    Refused: no_tube, tube_unknown, reason_required, finding_not_open, deviation_open_already.
    """
    if repeated(actor, key, deviations.NOTED):
        return key
    why = _stated(reason)
    _ours(actor, tubes)
    found = _anywhere(tubes, rule)
    _none_filed(tubes, rule)
    one = next(iter(found.values()))
    data = {"rule": rule, "rules": in_force().label, "severity": one.rule.severity, "reason": why}

    def again() -> None:
        _same(found, _anywhere(tubes, rule))
        _none_filed(tubes, rule)

    return write(actor, deviations.NOTED, key, None, _lines(found), data, before=again)


def close_deviation(actor: Actor, key: str, event: str, *, reason: str) -> str:
    """One `deviation_closed` with what was done, for all its tubes. Returns its id.

    Refused: deviation_unknown, deviation_closed_already, reason_required.
    """
    if repeated(actor, key, deviations.CLOSED):
        return key
    why = _stated(reason)
    tubes = list(_open(event).tubes)
    _ours(actor, tubes)
    lines = [{"t": code, "role": "subj"} for code in tubes]
    data = {"of": event, "reason": why}
    before: Callable[[], None] = lambda: _open(event) and None  # noqa: E731
    return write(actor, deviations.CLOSED, key, None, lines, data, ref=event, before=before)


# what must be so ----------------------------------------------------------------------------------


def _may_decide(actor: Actor) -> None:
    if not may(actor.person, "override"):
        raise Refused("override_not_yours", "Your role does not include the right to override a finding.")


def _stated(reason: str) -> str:
    if not reason.strip():
        raise Refused("reason_required", "Say why.")
    return reason.strip()


def _ours(actor: Actor, tubes: Sequence[str]) -> None:
    """Tubes that the ledger knows, none of another programme."""
    if not tubes:
        raise Refused("no_tube", "Name at least one tube.")
    known = ledger.states(tubes)
    others = Tube.objects.filter(code__in=tubes, tube_set__isnull=False)
    foreign = set(
        others.exclude(tube_set__plan__programme=actor.person.programme_id).values_list("code", flat=True)
    )
    for code in tubes:
        if code in foreign or code not in known or known[code].status == "unknown":
            raise Refused("tube_unknown", f"{codes.show(code)}: no label with this code was printed.", code)


def _in_assay(tubes: Sequence[str], assay: str, rule: str) -> dict[str, Finding]:
    """What the rule says of each tube in this assay; it must stop every one."""
    found = gate.for_assay(tubes, assay, ms(timezone.now()))
    said = {code: overrides.finding(one, rule) for code, one in found.items()}
    return _all(tubes, {code: one for code, one in said.items() if one and overrides.stops(one)}, rule)


def _anywhere(tubes: Sequence[str], rule: str) -> dict[str, Finding]:
    """What the rule says of each tube in any assay; every one must fail it."""
    found = verdicts_of(tubes, ms(timezone.now()))
    said = {
        code: one
        for code, some in found.items()
        for verdict in some
        if (one := overrides.finding(verdict, rule)) and one.answer == "fail"
    }
    return _all(tubes, said, rule)


def _all(tubes: Sequence[str], said: Mapping[str, Finding], rule: str) -> dict[str, Finding]:
    if len(said) < len(tubes) and rule not in {LEAST_VOLUME, TAKES, *(one.code for one in in_force().rules)}:
        raise Refused("finding_not_open", f"No rule in force has the code “{rule}”.")
    for code in tubes:
        if code not in said:
            sentence = (
                f"{codes.show(code)}: the rule {rule} does not speak against this tube now. Leave it out."
            )
            raise Refused("finding_not_open", sentence, code)
    return {code: said[code] for code in tubes}


def _same(then: Mapping[str, Finding], now: Mapping[str, Finding]) -> None:
    for code, one in now.items():
        if (one.fact, one.limit) != (then[code].fact, then[code].limit):
            raise Refused(
                "finding_changed", f"{codes.show(code)}: the finding has just changed. Look again.", code
            )


def _lines(found: Mapping[str, Finding]) -> list[dict[str, Any]]:
    return [{"t": code, "role": "subj", "fact": one.fact} for code, one in found.items()]


def _none_asked(tubes: Sequence[str], assay: str, rule: str) -> None:
    for code, some in overrides.of(tubes).items():
        if any(one.granted is None and (one.assay, one.rule) == (assay, rule) for one in some):
            sentence = f"{codes.show(code)}: an override of this waits for a second person already."
            raise Refused("override_open_already", sentence, code)


def _none_filed(tubes: Sequence[str], rule: str) -> None:
    for code, some in deviations.open_of(tubes).items():
        if any(one.rule == rule for one in some):
            sentence = f"{codes.show(code)}: a deviation from this rule is open already."
            raise Refused("deviation_open_already", sentence, code)


def _asked(event: str) -> ledger.Told:
    """The asking, as it counts; Refused override_unknown."""
    told = ledger.told([event]).get(event)
    if told is None or told.said.header["kind"] != overrides.ASKED or told.voided:
        raise Refused("override_unknown", "There is no such override to answer; it may have been withdrawn.")
    return told


def _second(actor: Actor, asked: ledger.Told) -> None:
    said = asked.said
    if (
        actor.code in {said.header["by"], said.header["rec_by"], asked.header["by"]}
        or actor.login == said.login
    ):
        raise Refused(
            "second_person_needed", "Who asks for an override does not answer it: ask a second person."
        )


def _waits(event: str, tubes: Sequence[str]) -> None:
    """Nobody answered in between, and it was not withdrawn."""
    mine = [one for some in overrides.of(tubes).values() for one in some if one.event == event]
    if not mine:
        raise Refused("override_unknown", "This override was withdrawn.")
    if any(one.granted is not None for one in mine):
        raise Refused("override_answered_already", f"This override was {mine[0].word} already.")


def _holds(asked: ledger.Told, tubes: Sequence[str]) -> None:
    """Each finding reads as it did; else a second person would agree to something else."""
    data = asked.header["data"]
    found = gate.for_assay(tubes, data["assay"], ms(timezone.now()))
    for code, some in overrides.of(tubes).items():
        for one in some:
            if one.event == asked.said.id and (why := _gone(code, one, found)):
                raise Refused("override_lapsed", f"{codes.show(code)}: {why}", code)


def _gone(code: str, one: overrides.Override, found: Mapping[str, Any]) -> str:
    if code not in found:
        return "It has lapsed: the assay does not take this tube any more."
    return one.flaw or overrides.lapsed(found[code], one)


def _open(event: str) -> deviations.Deviation:
    told = ledger.told([event]).get(event)
    found = deviations.one_of(told) if told else None
    if found is None:
        raise Refused("deviation_unknown", "There is no such deviation; it may have been withdrawn.")
    if found.closed:
        raise Refused("deviation_closed_already", "This deviation was closed already.")
    return found
