"""Whatever people do, in whatever order, the ledger says yes and no exactly as plain dicts do (model.py).

The dicts answer first: the machine compares the code of the refusal, or that there is none, and afterwards
every state and every finding. Few tubes, agencies and slots, so that they collide. FAST=1 plays less.
"""

from __future__ import annotations

import os
import time
from collections import Counter
from itertools import count
from random import Random
from typing import Any

from django.db import transaction
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from custody import queries
from custody.core.event import Act
from custody.core.refusal import Refused
from custody.rebuild import differences
from custody.record import record
from custody.verify import verify
from tests.custody.conftest import START
from tests.custody.model import World, slot

EXAMPLES, STEPS = (15, 15) if os.environ.get("FAST") else (60, 30)

# shrinking a failure can take minutes; NOSHRINK=1 shows the first one as it came
PHASES = [
    phase for phase in Phase if not (os.environ.get("NOSHRINK") and phase in {Phase.shrink, Phase.explain})
]

HEARD: Counter[str | None] = Counter()  # every answer of the ledger in this run; None: yes

tubes = st.sampled_from(["T1", "T2", "T3", "T4"])
some_tubes = st.lists(tubes, min_size=1, max_size=3, unique=True)
orgs = st.sampled_from(["SSS", "TFL", "NLB"])
often = st.sampled_from(["SSS", "SSS", "SSS", "TFL"])  # mostly the one who holds them
volumes = st.sampled_from([0, 300, 1_000])
slots = st.tuples(st.just("B1"), st.just(1), st.integers(1, 2)) | st.tuples(
    st.just("C1"), st.none(), st.none()
)
minutes_back = st.sampled_from([0, 0, 0, 0, 3, 17])
results = st.sampled_from(["ok", "ok", "ok", "missing", "extra", "damaged"])
SENDING = ["handed_off", "shipped"]
live = st.sampled_from([True, True, True, False])
nth = st.integers(0, 1_000)


class AnyOrderOfActs(RuleBasedStateMachine):
    """The ledger and the dicts, side by side."""

    def __init__(self) -> None:
        super().__init__()
        self.point = transaction.savepoint()
        self.world = World()
        self.numbers = count(1)

    def teardown(self) -> None:
        try:
            assert verify().wrong == []
            assert differences() == []
        finally:
            transaction.savepoint_rollback(self.point)

    # --- saying things -----------------------------------------------------------------------------------

    def say(
        self, kind: str, named: list[Any], *, org: str, back: int = 0, strict: bool = True,
        role: str = "subj", data: Any = None, ref: str | None = None, at_ms: int | None = None, **line: Any,
    ) -> None:  # fmt: skip
        lines = [one if isinstance(one, dict) else {"t": one, "role": role, **line} for one in named]
        lines = [{name: value for name, value in one.items() if value is not None} for one in lines]
        n = next(self.numbers)
        act = Act(
            kind=kind, at_ms=at_ms or START + (n * 5 - back) * 60_000 + n, by="p1", org=org, lines=lines,
            data=data or {}, ref=ref, id=f"0198c0de-0000-7000-8000-{n:012x}",
        )  # fmt: skip
        expected = self.world.answer(act, time.time_ns() // 1_000_000, strict)
        try:
            record([act], login="fieldtech", strict=strict)
            answered = None
        except Refused as no:
            answered = no.code
        assert answered == expected, (
            f"{kind} {lines} by {org}: the ledger says {answered}, the dicts {expected}"
        )
        HEARD[answered] += 1

    def one_of(self, pick: int, *kinds: str) -> Act | None:
        found = [act for act, _ in self.world.said if not kinds or act.kind in kinds]
        return Random(pick).choice(found) if found else None

    @initialize()
    def start(self) -> None:
        self.say("label_printed", ["T1", "T2", "T3"], org="SSS", role="new")
        self.say("drawn", ["T1", "T2"], org="SSS", ul=1_000)

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back)
    def label(self, named, org, strict, back):
        self.say("label_printed", named, org=org, strict=strict, back=back, role="new")

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back, ul=volumes | st.none())
    def draw(self, named, org, strict, back, ul):
        self.say("drawn", named, org=org, strict=strict, back=back, ul=ul)

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back)
    def do_not_collect(self, named, org, strict, back):
        self.say("not_collected", named, org=org, strict=strict, back=back, data={"reason": "hurry"})

    @rule(
        parent=tubes, child=tubes, org=often, strict=live, back=minutes_back, taken=volumes, given=volumes,
        loss=st.sampled_from([0, 0, 1]),
    )  # fmt: skip
    def aliquot(self, parent, child, org, strict, back, taken, given, loss):
        if parent != child:
            lines = [
                {"t": parent, "role": "from", "ul": taken},
                {"t": child, "role": "to", "of": parent, "ul": given},
            ]
            self.say("aliquoted", lines, org=org, strict=strict, back=back, data={"loss_ul": loss})

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back)
    def thaw(self, named, org, strict, back):
        self.say("thawed", named, org=org, strict=strict, back=back)

    @rule(named=tubes, org=often, strict=live, back=minutes_back, place=slots)
    def put_away(self, named, org, strict, back, place):
        unit, row, col = place
        self.say("put_away", [named], org=org, strict=strict, back=back, unit=unit, row=row, col=col)

    @rule(named=tubes, org=often, strict=live, back=minutes_back, place=slots)
    def move(self, named, org, strict, back, place):
        unit, row, col = place
        self.say("moved", [named], org=org, strict=strict, back=back, unit=unit, row=row, col=col)

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back)
    def pull(self, named, org, strict, back):
        self.say("pulled", named, org=org, strict=strict, back=back, data={"why": "request"})

    @rule(named=some_tubes, org=often, strict=live, back=minutes_back)
    def discard(self, named, org, strict, back):
        self.say("discarded", named[:1], org=org, strict=strict, back=back, data={"why": "expired"})

    @rule(named=some_tubes, org=often, to=orgs, strict=live, back=minutes_back, kind=st.sampled_from(SENDING))
    def hand_off(self, named, org, to, strict, back, kind):
        self.say(kind, named, org=org, strict=strict, back=back, data={"to": to, "how": "hand"})

    @rule(pick=nth, org=orgs)
    def a_carrier_says_something(self, pick, org):
        asked = self.one_of(pick, *SENDING)
        if asked:
            self.say("tracked", [], org=org, ref=asked.id, data={"said": "in the depot"})

    @rule(
        pick=nth,
        named=some_tubes,
        org=orgs,
        strict=live,
        back=minutes_back,
        result=results,
        fits=st.booleans(),
    )
    def receive(self, pick, named, org, strict, back, result, fits):
        self.reply("received", pick, named, org, strict, back, fits, result=result)

    @rule(pick=nth, named=some_tubes, org=orgs, strict=live, kind=st.sampled_from(["refused", "withdrawn"]))
    def end_the_handoff(self, pick, named, org, strict, kind):
        self.reply(kind, pick, named, org, strict, 0, strict, data={"reason": "warm"})

    def reply(self, kind, pick, named, org, strict, back, fits, data=None, **line):
        """An answer to a handoff: by whom and of what is right, if it fits; else of anything."""
        asked = self.one_of(pick, *SENDING)
        if asked is None:
            return
        if fits:
            named = [one["t"] for one in asked.lines]
            org = asked.org if kind == "withdrawn" else asked.data["to"]
        self.say(kind, named, org=org, strict=strict, back=back, ref=asked.id, data=data, **line)

    @rule(named=tubes, org=orgs)
    def say_it_happens_tomorrow(self, named, org):
        self.say("thawed", [named], org=org, at_ms=time.time_ns() // 1_000_000 + 86_400_000)

    @rule(pick=nth, strict=live)
    def void(self, pick, strict):
        wrong = self.one_of(pick)
        if wrong:
            data = {"of": wrong.id, "reason": "did_not_occur"}
            self.say("voided", [], org="SSS", strict=strict, data=data)

    @rule(pick=nth, strict=live, ul=volumes, minutes=st.sampled_from([0, -6, 6]), place=slots)
    def correct(self, pick, strict, ul, minutes, place):
        wrong = self.one_of(pick, "drawn", "put_away", "moved", "handed_off", "shipped", "thawed")
        if wrong is None:
            return
        fields: dict[str, Any] = {"at": wrong.at_ms + minutes * 60_000}
        if wrong.kind == "drawn":
            fields["lines"] = [{"n": 0, "ul": ul}]
        if wrong.kind in {"put_away", "moved"} and place[1]:
            fields["lines"] = [dict(zip(("n", "unit", "row", "col"), (0, *place), strict=True))]
        self.say(
            "corrected", [], org="SSS", strict=strict,
            data={"of": wrong.id, "reason": "incorrect_data", "set": fields},
        )  # fmt: skip

    # --- what must hold after each of them ---------------------------------------------------------------

    @invariant()
    def the_states_agree(self) -> None:
        played = self.world.play()
        claims = played.slots()
        expected = {
            name: (
                one["status"], one["holder"], one["to"], one["place"], one["ul"], one["thaws"], one["open"],
                one["parent"], bool(slot(one)) and claims[slot(one)] > 1,
            )
            for name, one in played.tubes.items()
        }  # fmt: skip
        found = {
            one.tube: (
                one.status, one.custodian, one.pending_to,
                (one.unit, one.row, one.col) if one.unit else None, one.volume_ul, one.thaws, one.disputes,
                one.parent, one.contested,
            )
            for one in queries.find()
        }  # fmt: skip
        assert found == expected

    @invariant()
    def the_findings_agree(self) -> None:
        found = {(one.code, one.subject, one.event) for one in queries.findings()}
        assert found == self.world.play().broken


def test_the_ledger_says_yes_and_no_as_plain_dicts_do(db):
    run_state_machine_as_test(
        AnyOrderOfActs,
        settings=settings(
            max_examples=EXAMPLES, stateful_step_count=STEPS, deadline=None,
            suppress_health_check=list(HealthCheck), phases=PHASES,
        ),
    )  # fmt: skip
    # otherwise it would not have tried much
    assert HEARD[None] > EXAMPLES and len(HEARD) > 8, HEARD
