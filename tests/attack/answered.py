"""One row of each thing that people answer for and that `biobank.kept` keeps beside what the ledger names."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

from biobank.models import (
    Alarm,
    AlarmMail,
    AlarmTest,
    AnimalMerge,
    CalibrationCertificate,
    ClockCheck,
    Consent,
    ConsentRule,
    ConsentTube,
    Count,
    CountDraw,
    Evacuation,
    HandoffCase,
    HandoffPaper,
    Logger,
    LoggerImport,
    LoggerPlacement,
    NominalTemperature,
    OwnNumber,
    Permit,
    PermitFile,
    ReadingConflict,
    ReadingExclusion,
    Rotor,
    Shipment,
    Swap,
    ThawAnswer,
    ThermalEvent,
    ThermalResult,
    TransferLetter,
)
from biobank.temperature import blocks
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
    measured(store)
    given(store)


def given(store: People) -> None:
    """A permit with its paper; a handoff's letter, signed paper, case and receiver's number; a shipment."""
    who, programme, key = store.person("curator"), store.programme, uuid.uuid4
    paper = {"name": "a.png", "kind": "image/png", "size": 1, "sha256": "0" * 64, "content": b"a", "by": who}
    permit = Permit.objects.create(
        programme=programme, number="1", allows="hold", agency=store.nlb, issued_by="the office",
        valid_from=DAY, valid_until=DAY,
    )  # fmt: skip
    PermitFile.objects.create(permit=permit, **paper)
    HandoffPaper.objects.create(handoff=key(), **paper)
    HandoffCase.objects.create(
        handoff=key(), event=key(), code="seal", said="broken", owner=who, due=DAY, opened=AT
    )
    OwnNumber.objects.create(agency=store.nlb, tube="K7R2M103X", number="N-1", event=key())
    TransferLetter.objects.create(
        programme=programme, year=2026, n=1, handoff=key(), purpose="serology", by=who, at=AT
    )
    Shipment.objects.create(
        programme=programme,
        number="S-1",
        giver=store.nlb,
        receiver=store.tfl,
        terms="service",
        made_by=who,
        made=AT,
    )


def measured(store: People) -> None:
    """A logger with one row of everything that is known of it, and an alarm."""
    who, unit, key = store.person("curator"), store.box, uuid.uuid4
    logger = Logger.objects.create(code="T-99", agency=store.nlb)
    LoggerPlacement.objects.create(logger=logger, unit=unit, from_ms=1)
    source = LoggerImport.objects.create(
        key=key(), logger=logger, person=who, file_name="a.csv", sha256="0" * 64, content=b"",
        mapping_spec={}, rows=1, stored=1, first_ms=1, last_ms=1,
    )  # fmt: skip
    blocks.block(logger.pk, logger.code, 0, blocks.of([1], [-8000], 9), 1, source.pk).save()
    ReadingConflict.objects.create(logger=logger, source=source, at_ms=1, stored_centi=1, said_centi=2)
    ClockCheck.objects.create(logger=logger, true_ms=1, shown_ms=2, method="radio", by=who)
    CalibrationCertificate.objects.create(
        logger=logger, number="1", laboratory="A", issued=DAY, valid_from=DAY, valid_to=DAY, points=[], by=who
    )
    ReadingExclusion.objects.create(logger=logger, from_ms=1, to_ms=2, reason="out", by=who)
    NominalTemperature.objects.create(unit=unit, from_ms=1, nominal_centi=-8000, basis="set point", by=who)
    ThermalResult.objects.create(
        tube="K7R2M103X", computed=AT, asof_ms=1, open=True, algorithm=1, inputs="0" * 64, life={},
        measured_ms=0, assumed_ms=0, no_data_ms=0,
    )  # fmt: skip
    alarm = Alarm.objects.create(unit=unit, kind="above", begun_ms=1, raised=AT)
    AlarmMail.objects.create(alarm=alarm, email="k.lund@skarvik.example", about="raised", at=AT)
    AlarmTest.objects.create(key=key(), unit=unit, by=who, at=AT)
