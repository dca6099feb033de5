"""The record of custody as values: what is kept back, who signed how, which holder when, what was amended."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from biobank.acting import perform
from biobank.handoffs import actions, custody_paper, lid, paper, receiving, tracking
from biobank.handoffs.custody_words import Discretion, party, signed
from biobank.models import Animal, Site, Unit
from custody.core.event import new_id
from tests import people as builders
from tests.biobank import boxes, parcels

TAKEN = parcels.SENT + timedelta(hours=2)
NOW = round((parcels.SENT + timedelta(days=1)).timestamp() * 1000)


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("at Gull Skerry", "at (left out)"),
        ("GULL SKERRY!", "(left out)!"),
        ("the Gullible skerry", "the Gullible skerry"),
        ("gull", "(left out)"),
        ("seagull and gulls", "seagull and gulls"),
        ("59.12345, 10.54321 it was", "(left out) it was"),
        ("chip 999000000000001", "chip (left out)"),
        ("Größe of Gull Skerry", "(left out)"),
        ("", ""),
    ],
)
def test_what_is_kept_back_and_what_is_not(people, said, shown):
    """A letter that folds into two (ß) makes places uncertain: then the whole text is left out."""
    Site.objects.update(name="Gull Skerry", code="GULL")
    assert Animal.objects.exists()
    assert Discretion()(said) == shown


@pytest.mark.parametrize(
    ("via", "rec_by", "words"),
    [
        ("live", "P1", "by own login, event 7"),
        ("paper", "P2", "on paper, typed by Lab, event 7"),
        ("link", "P1", "by a one-time link, person not proven, event 7"),
        ("sync", "P1", "by a registered device, event 7"),
        ("import:x", "P1", "from an imported table, event 7"),
    ],
)
def test_a_signature_says_how_it_came(via, rec_by, words):
    assert signed(via, "P1", rec_by, 7, {"P2": "Lab"}) == words


def test_an_agency_without_address_or_unknown_is_said_to_be_so(people):
    assert (party("NLB").name, party("NLB").address) == ("Northlight Biobank", "not given")
    assert party("XXX") == replace(party("XXX"), name="XXX", address="not given", contact="not given")


def received(store, one, results, **more):
    done = receiving.receive(store.actor("labtech"), new_id(), one.said.id, results, at=TAKEN, **more)
    return done.id


def test_who_held_what_from_when_to_when_follows_each_tube(store):
    """One of three is missing: two are with the receiver, all three were with the giver."""
    one = parcels.bare(store)
    received(store, one, dict.fromkeys(one.tubes[1:], "ok"), counted=2)
    found = custody_paper.record(one.tubes, NOW)
    held = {(row.org, row.tubes, row.end_ms is None) for row in found.periods}
    assert held == {("NLB", 3, True), ("TFL", 2, True)}
    first = next(row for row in found.periods if row.org == "NLB")
    assert first.start_ms == round(boxes.AT.timestamp() * 1000)
    assert [one.condition for one in found.samples] == ["missing", "ok", "ok"]
    [receipt] = found.transfers[0].receipts
    assert any(words.startswith("missing: K7R2N-001") for words in receipt.irregular)


def test_a_tube_that_was_given_on_is_not_received_yet_whatever_was_said_before(store):
    one = parcels.bare(store)
    received(store, one, dict.fromkeys(one.tubes, "ok"), counted=3)
    actions.hand_off(
        store.actor("labtech"), new_id(), one.tubes[:1], "NLB", how="hand", at=TAKEN + timedelta(hours=1)
    )
    found = custody_paper.record(one.tubes[:1], NOW)
    assert found.samples[0].condition == "not received yet"
    assert [(move.giver.code, move.receiver.code) for move in found.transfers] == [
        ("NLB", "TFL"),
        ("TFL", "NLB"),
    ]
    assert [row.org for row in found.periods][-2:] == ["TFL", "TFL"]  # in hand, then on the way


def test_many_odd_tubes_are_named_up_to_a_number_and_the_rest_counted(store):
    one = parcels.bare(store, 20)
    received(store, one, dict.fromkeys(one.tubes, "warm"), counted=20)
    [move] = custody_paper.record(one.tubes, NOW).transfers
    [words] = [words for words in move.receipts[0].irregular if words.startswith("warm")]
    assert words.endswith("and 8 more") and words.count("K7R2N-") == custody_paper.NAMED


def test_a_carriers_word_stands_there_as_what_it_is(store):
    one = parcels.bare(store)
    tracking.say(store.actor("curator"), new_id(), one.said.id, "Delivered at the gate", at=TAKEN)
    [move] = custody_paper.record(one.tubes, NOW).transfers
    [word] = move.receipts
    assert (word.kind, word.results) == ("A carrier's word", "Delivered at the gate")
    assert "nobody has received" in word.signed and not move.answered
    assert "name, signature of receiver" in parcels.text(paper.handoff_pdf(one))  # room for who does


def test_an_aliquot_has_the_collector_of_what_it_was_made_from_and_its_acts_until_then(store):
    tube_set = builders.drawn_set(store)
    parent = tube_set.tubes.get(parent_hint="", planned__number=2).code
    child = str(tube_set.tubes.filter(parent_hint=parent).values_list("code", flat=True)[0])
    who = store.actor("fieldtech")
    lines = [
        {"t": parent, "role": "from", "ul": 1_000}, {"t": child, "role": "to", "of": parent, "ul": 1_000,
         "label": "Serum 1", "matrix": "SER"},
    ]  # fmt: skip
    at = builders.DRAWN + timedelta(hours=1)
    perform(who, "aliquoted", key=new_id(), at=at, lines=lines)
    later = [{"t": parent, "role": "subj"}]
    perform(who, "thawed", key=new_id(), at=at + timedelta(minutes=5), lines=later)
    found = custody_paper.record([child], NOW)
    [sample] = found.samples
    assert (sample.collector, sample.collected) == ("Field tech, SSS", "3 May 2026 09:20")
    assert sample.made_from.replace("-", "") == parent
    kinds = [(act.said.kind, act.before) for act in found.acts]
    assert ("drawn", True) in kinds and ("aliquoted", False) in kinds
    assert "thawed" not in {kind for kind, _ in kinds}  # of the parent, when the child was out of it


def test_a_corrected_line_shows_old_beside_new_with_its_tube(store):
    one = parcels.bare(store)
    answer = received(store, one, dict.fromkeys(one.tubes, "ok"), counted=3)
    data = {"of": answer, "reason": "incorrect_data", "set": {"lines": [{"n": 1, "result": "warm"}]}}
    perform(store.actor("labtech"), "corrected", key=new_id(), at=TAKEN + timedelta(minutes=9), data=data)
    [move] = custody_paper.record(one.tubes, NOW).transfers
    [change] = move.receipts[0].changes
    assert (change.name[:10], change.old, change.new) == ("K7R2N-002-", "ok", "warm")
    other = custody_paper.record(one.tubes[:1], NOW)
    assert other.transfers[0].receipts[0].changes == []  # about another tube


@pytest.mark.parametrize(
    ("rows", "cols", "tubes"), [(9, 9, 81), (10, 10, 100), (8, 12, 96), (16, 24, 384), (1, 1, 1)]
)
def test_a_lid_sheet_is_one_page_however_full_the_box(store, rows, cols, tubes):
    Unit.objects.create(code="NLB-WIDE", kind="box", name="Plate", agency=store.nlb, rows=rows, cols=cols)
    slots = Unit.objects.get(code="NLB-WIDE").grid.all()
    codes = boxes.tubes(tubes)
    boxes.filled(store, codes)
    places = {tube: ("NLB-WIDE", *slot) for tube, slot in zip(codes, slots, strict=True)}
    parcel = actions.Parcel(hazard="category_b", ice_g=6_500, boxes=places)
    parcels.parties()
    done = actions.hand_off(
        store.actor("curator"),
        new_id(),
        codes,
        "TFL",
        how="sealed",
        seal="NLB-0091",
        at=parcels.SENT,
        parcel=parcel,
    )
    [page] = parcels.pages(lid.lid_pdf(parcels.look(done.id)))
    assert f"{tubes} tube" in page and all(code[5:8] in page for code in codes)
