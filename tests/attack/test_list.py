"""The attacks that touch the ledger, by their numbers in the list of threats, and which test shows each.

A test that is renamed or gone fails here.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CUSTODY, HERE = "tests/custody", "tests/attack"

ATTACKS = {
    1: ("an insider edits the database", [
        f"{CUSTODY}/test_verify_against.py::test_this_tampering_is_found_by_the_checkpoints_that_others_kept",
        f"{CUSTODY}/test_tamper.py::test_a_changed_column_of_an_event_is_named",
        f"{HERE}/test_ledger.py::test_an_insider_who_makes_the_leaf_fit_is_still_told_by_the_root",
    ]),
    2: ("triggers are lost without a word", [
        f"{HERE}/test_ledger.py::test_after_a_field_was_altered_nothing_is_written_until_the_triggers_are_back",
    ]),
    3: ("REPLACE goes past the triggers", [
        f"{HERE}/test_ledger.py::test_insert_or_replace_puts_no_forged_event_in_the_place_of_another",
        f"{CUSTODY}/test_triggers.py::test_replace_does_not_get_past_on_sqlite",
    ]),
    4: ("the server signs two histories", [
        f"{CUSTODY}/test_verify_against.py::test_two_servers_with_one_key_are_found_by_whoever_has_both_checkpoints",
        f"{CUSTODY}/test_checkpoints.py::test_other_events_of_the_same_number_are_not_signed_on",
    ]),
    5: ("the checkpoint key is stolen", [
        f"{CUSTODY}/test_checkpoints.py::test_the_key_is_made_once_and_is_its_owners_alone",
        f"{CUSTODY}/test_checkpoints.py::test_a_change_of_key_that_the_old_key_did_not_sign_is_not_followed",
        f"{CUSTODY}/test_verify_against.py::test_two_servers_with_one_key_are_found_by_whoever_has_both_checkpoints",
    ]),
    6: ("an event is backdated", [
        f"{HERE}/test_ledger.py::test_a_backdated_event_shows_both_times_and_is_in_no_older_root",
        f"{HERE}/test_ledger.py::test_a_backdated_event_is_told_as_typed_late",
    ]),
    7: ("an event lies in the future", [
        f"{HERE}/test_ledger.py::test_a_clock_may_run_five_minutes_ahead_and_not_a_millisecond_more",
    ]),
    10: ("a batch is sent again", [
        f"{HERE}/test_bad_input.py::test_eight_senders_of_the_same_items_at_once_store_each_once",
    ]),
    11: ("an item is changed on its way", [
        f"{HERE}/test_bad_input.py::test_no_character_of_a_signed_item_can_be_changed",
    ]),
    12: ("an item of another device or person", [
        f"{HERE}/test_bad_input.py::test_the_item_of_another_device_is_held_with_whose_login_sent_it",
        f"{HERE}/test_bad_input.py::test_a_device_cannot_speak_as_another_by_writing_its_name",
    ]),
    13: ("a laptop is stolen or lost", [
        f"{HERE}/test_bad_input.py::test_after_it_was_revoked_everything_is_held_and_nothing_is_lost",
    ]),
    14: ("a poisoned item", [
        f"{HERE}/test_bad_input.py::test_one_bad_item_never_blocks_the_other_99",
    ]),
    15: ("the table of held items is flooded", [
        f"{HERE}/test_bad_input.py::test_ten_thousand_junk_items_fill_no_more_than_a_day_s_room",
    ]),
    24: ("a link is guessed, used again, late, or for another handoff", [
        f"{HERE}/test_links.py::test_guessing_addresses_is_stopped_after_ten_a_minute",
        f"{HERE}/test_links.py::test_a_closed_link_tells_a_stranger_as_much_as_one_that_never_was",
        f"{HERE}/test_links.py::test_a_link_shows_and_answers_no_other_handoff",
    ]),
    27: ("too large, too deep, no number", [
        f"{HERE}/test_bad_input.py::test_bad_input_is_held_with_its_raw_text_and_is_no_truth",
    ]),
    30: ("the server's clock is moved", [
        f"{HERE}/test_ledger.py::test_a_clock_that_is_set_back_a_day_moves_no_time_of_recording_back",
    ]),
    31: ("an old backup is put back", [
        f"{CUSTODY}/test_checkpoints.py::test_an_older_backup_is_not_signed_on_and_the_check_says_why",
    ]),
    32: ("a copy of the disk runs twice", [
        f"{CUSTODY}/test_verify_against.py::test_two_servers_with_one_key_are_found_by_whoever_has_both_checkpoints",
    ]),
    33: ("somebody with a history is deleted", [
        f"{HERE}/test_ledger.py::test_the_database_deletes_nothing_that_the_ledger_may_name",
        f"{HERE}/test_ledger.py::test_a_person_an_agency_and_a_unit_with_a_history_stay",
    ]),
}  # fmt: skip


@pytest.mark.parametrize("number", ATTACKS)
def test_each_attack_has_a_test_that_is_there(number):
    words, tests = ATTACKS[number]
    assert words and tests
    for one in tests:
        path, _, name = one.partition("::")
        tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
        assert name in {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}, one


def test_none_of_the_ledgers_attacks_is_left_out():
    asked = {*range(1, 7), *range(10, 16), *range(30, 34)}
    assert asked <= set(ATTACKS)
