"""What can be done about a finding, in a sentence, by its code.

Promises: every code that the ledger's fold can find has a sentence (a test compares).
"""

from __future__ import annotations

TIME = "Look at the time that was typed. Correct it, or void the event if it did not happen."
WRONG = "Void it if it did not happen, or correct what was typed."
ADVICE = {
    "drawn_twice": (
        "One tube is filled once. Void the draw that did not happen, or void it and say it again of the "
        "right tube."
    ),
    "already_drawn": "It was drawn and noted as not collected. Void the one that is not true.",
    "not_collected": "It was noted as not collected and then handled. Void the one that is not true.",
    "tube_unknown": (
        "No label with this code is known. Look at the tube: if the code was misread, void the event and "
        "say it again."
    ),
    "tube_void": (
        "Its label was voided and the tube was used all the same. Look at the tube, then void the one "
        "that is not true."
    ),
    "label_once": (
        "Two labels with one code exist, or one print was told twice. Look for a second tube before "
        "anything else."
    ),
    "bound_once": "It was bound to two workups. Void the one that is not true.",
    "tube_not_drawn": (
        "It was handled before anybody said that it was drawn. If a draw is missing, say it with its time."
    ),
    "time_before_parent": TIME,
    "time_in_future": "A clock was wrong. Correct the time.",
    "volume_not_negative": "More was taken than was in it. Correct the volume drawn or the volume taken.",
    "aliquot_balances": "More came out than went in. Correct the volumes.",
    "child_already_made": (
        "An aliquot was made in a tube that held something already. Look at the tube; void the one that "
        "is not true."
    ),
    "nothing_after_discard": (
        "It was discarded and then handled. Look for the tube; void the discard if it is there."
    ),
    "not_the_custodian": (
        "Somebody handled it who did not hold it. If a handoff is missing, say it with its time."
    ),
    "giver_was_custodian": (
        "It was handed off by somebody who did not hold it. If a handoff before it is missing, say it "
        "with its time."
    ),
    "handed_off_twice": "It was handed off again before it was received. Void the one that did not happen.",
    "receiver_was_addressed": (
        "It was received by somebody to whom it was not sent. If the receipt is true, say how it came."
    ),
    "handoff_answered_once": (
        "The handoff was answered twice. The first answer counts; void the one that is not true."
    ),
    "tube_already_stored": (
        "It was put away while it stood somewhere else. If it was pulled in between, say so with its time."
    ),
    "not_stored": "It was pulled from a place in which it was not. " + WRONG,
    "slot_unknown": "There is no such slot. Correct the place.",
    "nothing_to_resolve": "A discrepancy was settled that nobody had noted. " + WRONG,
    "unit_inside_itself": "Look where the unit stands, and move it there.",
}


def advice(code: str) -> str:
    return ADVICE.get(code, WRONG)
