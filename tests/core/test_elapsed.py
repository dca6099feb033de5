"""Time in hand against a limit. The limits are the programme's; the words are ours."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core.elapsed import HURRY, IN_TIME, OVER, WORDS, Elapsed

START = 1_780_000_000_000
MINUTE = 60_000


def after(minutes: float, **more) -> Elapsed:
    return Elapsed(START, START + round(minutes * MINUTE), **more)


@pytest.mark.parametrize(
    "minutes, word, left",
    [
        (0, IN_TIME, 60), (44.99, IN_TIME, 16), (45, HURRY, 15), (59.99, HURRY, 1), (60, OVER, 0),
        (61, OVER, -1), (-3, IN_TIME, 60),
    ],
)  # fmt: skip
def test_the_word_changes_on_the_minute(minutes, word, left):
    said = after(minutes, limit_min=60, hurry_pct=75)
    assert (said.word, said.left_min) == (word, left)


def test_without_a_limit_there_is_no_word():
    assert (after(200).word, after(200).left_min, after(200).minutes) == ("", None, 200)


@given(st.integers(0, 10**9), st.integers(1, 1000), st.integers(1, 100))
def test_the_word_only_ever_gets_worse(passed, limit, pct):
    now, later = (Elapsed(START, START + passed + more, limit, pct) for more in (0, 61_000))
    assert WORDS.index(now.word) <= WORDS.index(later.word)
    assert now.minutes * MINUTE <= passed < (now.minutes + 1) * MINUTE
