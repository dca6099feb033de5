"""One row of each thing that people answer for and that `biobank.kept` keeps beside what the ledger names."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

from biobank.models import (
    AnimalMerge,
    Consent,
    ConsentRule,
    ConsentTube,
    Count,
    CountDraw,
    Evacuation,
    Rotor,
    Swap,
    ThawAnswer,
    ThermalEvent,
)
from tests.people import DAY, People, make_animal

AT = datetime(2026, 5, 3, 12, tzinfo=UTC)


def one_of_each(store: People) -> None:
    """Plain rows: what the actions refuse is no matter here."""
    who, unit, key = store.person("curator"), store.box, uuid.uuid4
    agreed = Consent.objects.create(
        key=key(), agency=store.sss, given_by="K. Lund", given_on=DAY, how="mail", reference="mail of 3 May",
        noted_at=AT, noted_by=who,
    )  # fmt: skip
    ConsentTube.objects.create(consent=agreed, tube="K7R2M103X")
    ConsentRule.objects.create(programme=store.programme, asks="always", source="agreement, 4")
    ThawAnswer.objects.create(key=key(), returned=key(), counted=False, why="still hard", at=AT, by=who)
    Evacuation.objects.create(key=key(), unit=unit, opened=AT, by=who, why="power")
    ThermalEvent.objects.create(key=key(), unit=unit, from_ms=1, to_ms=2, note="door", by=who, at=AT)
    Swap.objects.create(key=key(), why="too old", listed=[], opened=AT, opened_by=who)
    drawn = CountDraw.objects.create(key=key(), at=AT, by=who, seed="1", wanted=1, considered=[], chosen=[])
    Count.objects.create(unit=unit, draw=drawn, why="chosen", asked=AT)
    other = make_animal(store.programme, "A-0009", "999000000000009")
    AnimalMerge.objects.create(kept=store.animal, gone=other, kind="chip", proof="same chip", by=who, at=AT)
    Rotor.objects.create(agency=store.tfl, name="A", places=24, radius_mm=100, max_rpm=4_000)
