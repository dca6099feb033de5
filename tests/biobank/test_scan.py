"""The pass of a person at the bench, and a badge, a paper and another programme's tube, without a page."""

from __future__ import annotations

import pytest

from biobank.handoffs.actions import hand_off
from biobank.models import Pass, Programme
from biobank.scan import actions, passes
from biobank.scan.turn import Answer
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.biobank.lab import GEL, RED, SPUN, lab_set, primary, refused

pytestmark = pytest.mark.django_db


@pytest.fixture
def lab(store):
    return store.actor("labtech")


def scanned(actor, mode, text):
    return actions.scan(actor, new_id(), mode, text)


def test_two_devices_that_scan_at_once_lose_nothing(lab):
    """Each decided on a pass that the other had not changed yet."""
    for code in ("K7R2M103X", "K7R2M104V"):
        answer = Answer(
            code, taken=code, change=lambda bag, one=code: bag.setdefault("tubes", []).append(one)
        )
        passes.keep(lab, "discard", passes.entry("discard", new_id(), code, answer), answer.change)
    row = Pass.objects.get()
    assert row.held["discard"]["tubes"] == ["K7R2M103X", "K7R2M104V"]
    assert [one["n"] for one in row.said] == [2, 1]


def test_the_list_stays_short_and_its_numbers_go_on(lab):
    for _ in range(passes.KEPT + 5):
        passes.keep(lab, "look-up", passes.entry("look-up", new_id(), "x", Answer("x")))
    numbers = [one["n"] for one in Pass.objects.get().said]
    assert len(numbers) == passes.KEPT and numbers[0] == passes.KEPT + 5


def test_what_is_refused_changes_neither_ledger_nor_what_is_collected(lab, store):
    tube_set = lab_set(store)
    scanned(lab, "spin", primary(tube_set, RED))
    before = Pass.objects.get().held
    for mode, text, code in [
        ("spin", "smudge", "scan_unknown"), ("spin", "DO-SKIP", "action_not_here"),
        ("aliquot", tube_set.code, "scan_not_here"), ("put-away", "NLB-F1", "not_a_box"),
        ("pull", primary(tube_set, GEL), "reason_first"), ("discard", "WHO-P9", "badge_of_another"),
    ]:  # fmt: skip
        with refused(code):
            scanned(lab, mode, text)
    held = Pass.objects.get().held
    assert {mode: bag for mode, bag in held.items() if bag} == before


def test_a_tube_of_another_handoff_waits_until_this_one_is_ended(lab, store):
    giver, one, other = (
        store.actor("fieldtech"),
        lab_set(store, role="fieldtech"),
        lab_set(store, role="fieldtech"),
    )
    first, second = (
        hand_off(giver, new_id(), [primary(some, RED)], "TFL", how="hand", at=SPUN).id
        for some in (one, other)
    )
    scanned(lab, "receive", first.replace("-", "ß"))  # the paper of the handoff, by a German keyboard
    scanned(lab, "receive", primary(one, RED))
    with refused("other_handoff"):
        scanned(lab, "receive", primary(other, RED))
    with refused("other_handoff"):
        scanned(lab, "receive", second)
    assert scanned(lab, "receive", "DO-DONE").sentence == "Received from SSS: 1."
    with refused("handoff_answered_once"):
        scanned(lab, "receive", first)
    assert ledger.state(primary(other, RED)).pending_to == "TFL"


def test_a_tube_of_another_programme_is_not_known_here(lab, store):
    tube_set = lab_set(store)
    tube_set.plan.programme = Programme.objects.create(code="OTHER", name="Other seals")
    tube_set.plan.save()
    with refused("tube_unknown"):
        scanned(lab, "look-up", primary(tube_set, RED))
    with refused("set_unknown"):
        scanned(lab, "look-up", tube_set.code)


def test_the_key_of_another_persons_act_is_refused(lab, store):
    tube_set, key = lab_set(store), new_id()
    actions.scan(lab, new_id(), "put-away", "NLB-B001")
    actions.scan(lab, key, "put-away", primary(tube_set, RED))
    actions.scan(store.actor("curator"), new_id(), "put-away", "NLB-B001")
    with pytest.raises(Refused) as no:
        actions.scan(store.actor("curator"), key, "put-away", primary(tube_set, GEL))
    assert no.value.code == "key_reused"
