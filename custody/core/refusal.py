"""One way to say no: a stable code for programs and a sentence for people.

Promises: raising Refused means that nothing was changed.
"""

from __future__ import annotations


class Refused(Exception):
    """An act that may not happen on a live screen.

    code      lower-case words joined by underscores; never renamed, callers and devices rely on it
    sentence  what is wrong and what would be right, for the person who tried
    tube      the tube or unit code that the refusal is about, where there is one
    """

    def __init__(self, code: str, sentence: str, tube: str | None = None) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.tube = tube
