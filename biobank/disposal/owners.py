"""Whose a tube is, whether that owner must agree before it is discarded, and whether they did.

The rule. A tube belongs to the agency that drew it, and what was made from it to the same; a handoff gives
custody and not ownership. A `ConsentRule` of the plan, or else of the programme, may name another owner. The
owner is asked before another agency discards something that still holds anything; a rule may say always or
never instead. A tube that the ledger has as empty needs no consent, because nothing is left to decide about.

Promises: a fixed number of queries however many tubes (one more for each generation of aliquots).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from biobank.core import codes
from biobank.models import Consent, ConsentRule, ConsentTube, Tube
from custody import queries as ledger
from custody.core.refusal import Refused
from custody.core.state import Happening, TubeState

NAMED = 20  # so many tubes are named in one refusal


@dataclass(frozen=True)
class Terms:
    """The owner (agency code; empty: nobody can tell), and when it is asked."""

    owner: str
    asks: str
    source: str = ""

    def wanted(self, org: str, state: TubeState) -> bool:
        """Whether this owner must agree before `org` discards a tube in this state."""
        if self.asks != "others":
            return self.asks == "always"
        return self.owner != org and state.volume_ul != 0


def terms_of(tubes: Iterable[str]) -> dict[str, Terms]:
    """The terms under which each tube is kept."""
    names = list(tubes)
    drew = who_drew(names)
    rows = Tube.objects.filter(code__in=names, tube_set__isnull=False)
    plans = {
        code: (programme, plan)
        for code, programme, plan in rows.values_list(
            "code", "tube_set__plan__programme_id", "tube_set__plan__code"
        )
    }
    rules = _rules({programme for programme, _ in plans.values()})
    return {code: _terms(drew.get(code, ""), plans.get(code), rules) for code in names}


Rules = Mapping[tuple[int, str], ConsentRule]


def _rules(programmes: Iterable[int]) -> Rules:
    found = ConsentRule.objects.select_related("owner").filter(programme__in=list(programmes))
    return {(rule.programme_id, rule.plan): rule for rule in found}


def _terms(drew: str, plan: tuple[int, str] | None, rules: Rules) -> Terms:
    rule = (rules.get(plan) or rules.get((plan[0], ""))) if plan else None
    if rule is None:
        return Terms(drew, "others")
    return Terms(rule.owner.code if rule.owner else drew, rule.asks, rule.source)


def who_drew(tubes: Iterable[str]) -> dict[str, str]:
    """The agency that drew each tube, or what it was made from; when nobody did, that printed its label."""
    names = list(tubes)
    states = ledger.states(names)
    while up := {one.parent for one in states.values() if one.parent} - set(states):
        if not (more := ledger.states(up)):
            break
        states |= more
    tops = {code: _top(code, states) for code in names}
    said = ledger.histories(set(tops.values()))
    return {code: org for code, top in tops.items() if (org := _first_hand(said.get(top, [])))}


def _top(code: str, states: Mapping[str, TubeState]) -> str:
    seen = [code]
    while (state := states.get(seen[-1])) and state.parent and state.parent not in seen:
        seen.append(state.parent)
    return seen[-1]


def _first_hand(said: Sequence[Happening]) -> str:
    live = [one for one in said if not one.voided]
    drew = [one.org for one in live if one.kind == "drawn"]
    return (drew or [one.org for one in live] or [""])[0]


# consent ----------------------------------------------------------------------------------------


def must_have(org: str, states: Mapping[str, TubeState], day: date) -> list[Consent]:
    """The consents on which these tubes may be discarded; Refused `consent_missing` when one lacks.

    day: of the discard; a consent that was given later does not count.
    """
    terms = terms_of(states)
    wanted = {code: one.owner for code, one in terms.items() if one.wanted(org, states[code])}
    given = given_for(wanted, day) if wanted else {}
    if missing := [code for code in wanted if code not in given]:
        raise Refused("consent_missing", _sentence(missing, wanted))
    return sorted({one.pk: one for one in given.values()}.values(), key=lambda one: one.pk)


def given_for(owners: Mapping[str, str], day: date) -> dict[str, Consent]:
    """Tube -> the newest consent of its owner that counts on this day. 1 query."""
    rows = ConsentTube.objects.select_related("consent__agency").filter(
        tube__in=list(owners), consent__withdrawn_at=None, consent__given_on__lte=day
    )
    found = sorted((row for row in rows), key=lambda row: (row.consent.given_on, row.consent.pk))
    return {row.tube: row.consent for row in found if row.consent.agency.code == owners[row.tube]}


def _sentence(missing: Sequence[str], owners: Mapping[str, str]) -> str:
    names = ", ".join(codes.show(code) for code in missing[:NAMED])
    more = f" and {len(missing) - NAMED} more" if len(missing) > NAMED else ""
    asked = ", ".join(sorted({owners[code] or "nobody known" for code in missing}))
    return f"The owner ({asked}) has not agreed to the discard of {names}{more}. Note its consent first."
