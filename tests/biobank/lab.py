"""A tube set as Tarn Field Laboratory has it on the bench, for the tests of bench and store.

Said to the ledger directly, so that these tests do not depend on the pages of the field.
"""

from __future__ import annotations

from datetime import datetime

from biobank.acting import perform
from biobank.core import codes
from biobank.models import TubeSet
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests import people as builders

RED, GEL, HEPARIN, EDTA, SWAB = 2, 3, 4, 5, 6  # numbers in builders.TUBES
DRAWN, SPUN, MADE, STORED = (
    builders.moment(hour, minute) for hour, minute in [(9, 20), (10, 5), (10, 40), (11, 30)]
)


def lab_set(people: builders.People, at: datetime = DRAWN, role: str = "labtech") -> TubeSet:
    """A printed set whose six primaries are drawn full, in the hands of this role's agency."""
    tube_set = builders.printed_set(people)
    tubes = tube_set.tubes.filter(parent_hint="").select_related("planned")
    lines = [{"t": tube.code, "role": "subj", "ul": tube.planned.volume_ul} for tube in tubes]
    perform(people.actor(role), "drawn", key=new_id(), at=at, lines=lines)
    return tube_set


def primary(tube_set: TubeSet, number: int) -> str:
    return codes.make(tube_set.code, number)


def aliquots(tube_set: TubeSet, number: int) -> list[str]:
    """Codes of the labels printed for aliquots of this primary."""
    return [tube.code for tube in tube_set.tubes.filter(parent_hint=primary(tube_set, number))]


class Nothing:
    """`with refused("slot_taken"): …` holds that this very code is raised and the ledger is as before."""

    def __init__(self, code: str, about: str = "") -> None:
        self.code, self.about = code, about

    def __enter__(self) -> None:
        self.before = ledger.size(), ledger.find()

    def __exit__(self, kind: type | None, no: BaseException | None, trace: object) -> bool:
        assert isinstance(no, Refused), f"nothing was refused, {self.code} was expected: {no!r}"
        assert no.code == self.code, f"{no.code}: {no.sentence}"
        assert self.about in no.sentence
        assert (ledger.size(), ledger.find()) == self.before
        return True


refused = Nothing
