"""Kept lives: what is written comes back, nothing is written twice, and whatever changes makes them stale.

The truth is the fingerprint of what went in (`recompute.fresh`); the mark `stale` is a hint. Both are tried
with everything that can change. Numbers: the story of tests/biobank/lives.py.
"""

from __future__ import annotations

import io
from datetime import date

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from biobank.checks.actions import install_starter
from biobank.models import (
    CalibrationCertificate,
    ClockCheck,
    LiveReading,
    LoggerPlacement,
    NominalTemperature,
    ReadingConflict,
    ReadingExclusion,
    ThermalEvent,
    ThermalResult,
    Unit,
)
from biobank.temperature import blocks, life_inputs, life_kept, placing, recompute, record_actions, stale
from biobank.temperature.life import lives_of
from custody.core.event import new_id
from tests.biobank.lives import BLOOD, DEEPER, MINUTE, SERUM, Field, at, feed, story

NOW = at(7440)


@pytest.fixture
def told(store):
    field = Field(store)
    story(field)
    return field


def current(code=SERUM):
    return ThermalResult.objects.get(tube=code, current=True)


def test_a_kept_life_comes_back_the_same(told):
    recompute.work_out([SERUM, BLOOD], NOW)
    for code, life in lives_of([SERUM, BLOOD], NOW).items():
        back = life_kept.read(current(code))
        assert (back.start_ms, back.asof_ms, back.open, back.limits, back.units) == (
            life.start_ms, life.asof_ms, life.open, life.limits, life.units)  # fmt: skip
        assert (list(back.used.items()), back.inputs) == (list(life.used.items()), life.inputs)
        pairs = [
            (back.whole, life.whole),
            *((a.summary, b.summary) for a, b in zip(back.phases, life.phases, strict=True)),
        ]
        for a, b in pairs:
            for name in (*life_kept.PLAIN, *life_kept.BY_LIMIT):
                assert getattr(a, name) == getattr(b, name), name
        for a, b in zip(back.phases, life.phases, strict=True):
            assert (a.phase, a.words, a.notes, a.loggers, a.open) == (
                b.phase,
                b.words,
                b.notes,
                b.loggers,
                b.open,
            )
    row = current()
    assert (row.measured_ms, row.assumed_ms, row.no_data_ms) == (5780 * MINUTE, 1440 * MINUTE, 220 * MINUTE)


def test_nothing_is_written_when_nothing_changed_and_time_goes_by(told):
    assert recompute.work_out([SERUM, BLOOD, DEEPER], NOW) == recompute.Done(2, 0, 1)
    before = list(ThermalResult.objects.order_by("pk").values())
    assert recompute.work_out([SERUM, BLOOD, DEEPER], NOW + 90 * 86_400_000) == recompute.Done(0, 2, 1)
    assert list(ThermalResult.objects.order_by("pk").values()) == before
    assert recompute.fresh([SERUM, BLOOD, DEEPER]) == {SERUM: "", BLOOD: "", DEEPER: recompute.NO_LIFE}


def test_an_older_result_stays(told):
    recompute.work_out([SERUM], NOW)
    first = current()
    told.say("pulled", 7000, [SERUM], who="curator", why="assay")
    recompute.work_out([SERUM], NOW)
    first.refresh_from_db()
    assert not first.current and first.life["phases"] and current().pk != first.pk


def test_of_a_tube_that_turns_out_never_to_have_been_filled_no_result_is_current(told):
    recompute.work_out([BLOOD], NOW)
    drawn = next(e.id for e in told_history(BLOOD) if e.kind == "drawn")
    told.say("voided", 7001, lines=[], of=drawn, reason="did_not_occur", strict=False)
    assert recompute.fresh([BLOOD]) == {BLOOD: recompute.NO_LIFE}
    recompute.work_out([BLOOD], NOW)
    assert not ThermalResult.objects.filter(tube=BLOOD, current=True).exists()
    assert ThermalResult.objects.filter(tube=BLOOD).count() == 1


def told_history(code):
    from custody import queries as ledger

    return ledger.history(code)


# --- whatever changes makes it stale --------------------------------------------------------------


def logger(told, code="T-F"):
    return told.loggers[code]


def by(told):
    return {"by": told.people.person("curator")}


def add_file(told):
    feed(logger(told), 2410, 2510, lambda m: -80)


def add_later_file(told):
    """On the story's last days freezer 2 gets a logger beforehand; here its readings come."""
    feed(logger(told, "T-2"), 20_000, 20_100, lambda m: -80)


def settle_conflict(told):
    ReadingConflict.objects.create(
        logger=logger(told), at_ms=at(1000), stored_centi=-8000, said_centi=-1000, source=None
    )


def send_live(told):
    LiveReading.objects.create(logger=logger(told, "T-2"), at_ms=at(7400), centi=-8000)


def check_clock(told):
    ClockCheck.objects.create(
        logger=logger(told), true_ms=at(900), shown_ms=at(901), method="phone", **by(told)
    )


def certify(told):
    CalibrationCertificate.objects.create(
        logger=logger(told), number="1", laboratory="Tarn", issued=date(2026, 5, 1),
        valid_from=date(2026, 5, 1), valid_to=date(2027, 5, 1), points=[[-8000, 10, 20]], **by(told),
    )  # fmt: skip


def exclude(told):
    ReadingExclusion.objects.create(
        logger=logger(told), from_ms=at(700), to_ms=at(800), reason="out", approved=timezone.now(),
        approved_by=told.people.person("labtech"), **by(told),
    )  # fmt: skip


def place_another(told):
    LoggerPlacement.objects.filter(logger=logger(told)).update(to_ms=at(5000))


def change_medium(told):
    LoggerPlacement.objects.filter(logger=logger(told)).update(medium="air")


def keep_otherwise(told):
    NominalTemperature.objects.create(
        unit=Unit.objects.get(code="F2"), from_ms=at(6500), nominal_centi=-2000, basis="the door", **by(told)
    )


def set_point(told):
    Unit.objects.filter(code="F2").update(nominal_centi=-7000)


def set_alarm(told):
    Unit.objects.filter(code="F2").update(alarm_above_centi=-7000)


def move_box(told):
    told.move_unit(7000, "B2", "NLB-F1")


def move_tube(told):
    told.put(7000, SERUM, "NLB-B001", kind="moved", who="curator", row=3)


def void_spin(told):
    spun = next(e.id for e in told_history(BLOOD) if e.kind == "spun")
    told.say("voided", 7000, lines=[], of=spun, reason="did_not_occur")


def correct_spin(told):
    spun = next(e.id for e in told_history(BLOOD) if e.kind == "spun")
    told.say("corrected", 7000, lines=[], of=spun, reason="incorrect_data", set={"at": at(130)})


def thermal_event(told):
    ThermalEvent.objects.create(
        key=new_id(), unit=Unit.objects.get(code="F2"), from_ms=at(6100), to_ms=at(6200), max_centi=-1000,
        note="Door open", by=told.people.person("curator"), at=timezone.now(),
    )  # fmt: skip


def put_rules_in_force(told):
    install_starter()


CHANGES = {
    add_file: "readings", add_later_file: "readings", send_live: "readings", settle_conflict: "corrections",
    check_clock: "corrections", certify: "corrections", exclude: "corrections", place_another: "loggers",
    change_medium: "loggers", keep_otherwise: "loggers", set_point: "loggers", set_alarm: "limits",
    move_box: "acts", move_tube: "acts", void_spin: "acts", correct_spin: "acts", thermal_event: "events",
    put_rules_in_force: "limits",
}  # fmt: skip


@pytest.fixture
def ready(told):
    """The vial's last freezer has a logger too, which has said nothing yet."""
    told.logger("T-2", "F2", start=7300)
    recompute.work_out([SERUM], NOW)
    assert recompute.fresh([SERUM]) == {SERUM: ""}
    return told


@pytest.mark.parametrize(("change", "kind"), CHANGES.items(), ids=lambda x: getattr(x, "__name__", x))
def test_a_change_makes_it_stale_and_worked_out_again_it_holds(ready, change, kind):
    change(ready)
    assert recompute.fresh([SERUM]) == {SERUM: life_inputs.WHY[kind]}
    assert recompute.work_out([SERUM], NOW).new == 1
    assert recompute.fresh([SERUM]) == {SERUM: ""}


def test_what_is_worked_out_otherwise_is_stale(ready, monkeypatch):
    monkeypatch.setattr(life_inputs, "ALGORITHM", life_inputs.ALGORITHM + 1)
    assert recompute.fresh([SERUM]) == {SERUM: life_inputs.WHY["way"]}


def test_what_does_not_touch_the_life_leaves_it_fresh(ready):
    feed(ready.loggers["T-C"], 9000, 9100, lambda m: 20)  # the cooler, days after
    ready.move_unit(7000, "NLB-B001", "F2")  # a box in which it no longer is
    ReadingExclusion.objects.create(
        logger=ready.loggers["T-F"], from_ms=at(50_000), to_ms=at(50_100), reason="out",
        approved=timezone.now(), approved_by=ready.people.person("labtech"), **by(ready),
    )  # fmt: skip
    assert recompute.fresh([SERUM]) == {SERUM: ""}


def test_an_exclusion_that_nobody_approved_changes_nothing(ready):
    exclude(ready)
    ReadingExclusion.objects.update(approved=None, approved_by=None)
    assert recompute.fresh([SERUM]) == {SERUM: ""}


def test_the_record_taken_back_makes_the_first_result_hold_again(ready):
    """The fingerprint is of what is known, not of how often it was changed."""
    first = current().inputs
    check_clock(ready)
    recompute.work_out([SERUM], NOW)
    ClockCheck.objects.update(
        withdrawn=timezone.now(), withdrawn_by=ready.people.person("curator"), withdrawn_why="slip"
    )
    recompute.work_out([SERUM], NOW)
    assert current().inputs == first and ThermalResult.objects.filter(tube=SERUM).count() == 3


def test_no_reading_is_unpacked_to_know(ready, monkeypatch):
    def never(*_):
        raise AssertionError("a block was unpacked")

    monkeypatch.setattr(blocks, "decode", never)
    assert recompute.fresh([SERUM]) == {SERUM: ""}


def test_many_tubes_need_as_many_queries_as_one_to_know(ready):
    recompute.work_out([BLOOD], NOW)
    with CaptureQueriesContext(connection) as one:
        recompute.fresh([SERUM])
    with CaptureQueriesContext(connection) as two:
        assert recompute.fresh([SERUM, BLOOD]) == {SERUM: "", BLOOD: ""}
    assert len(two) <= len(one) <= 40


# --- the hint -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "start", "end", "more", "marked"),
    [
        ("T-F", 0, 10_000, {}, True), ("T-F", 8000, 9000, {}, True),  # it still goes on
        ("T-F", -900, -800, {}, False), ("T-F", 0, None, {}, True), ("T-X", 0, 10_000, {}, False),
        ("T-X", 0, 10_000, {"placed": True}, True),
    ],
)  # fmt: skip
def test_a_logger_that_changed_marks_the_lives_it_governed(ready, who, start, end, more, marked):
    ready.unit("OTHER", "fridge", 400)
    pk = ready.logger("T-X", "OTHER").pk if who == "T-X" else ready.loggers[who].pk
    with CaptureQueriesContext(connection) as asked:
        n = stale.touched([pk], at(start), None if end is None else at(end), "readings were added", **more)
    assert (n, current().stale, len(asked)) == (marked, "readings were added" if marked else "", 1)


def test_a_unit_that_changed_marks_what_was_ever_in_it(ready):
    ready.unit("OTHER", "fridge", 400)
    units = {code: Unit.objects.get(code=code).pk for code in ("OTHER", "NLB-F1")}
    assert stale.touched_units([units["OTHER"]], at(0), None, "its set point changed") == 0
    assert stale.touched_units([units["NLB-F1"]], at(0), None, "its set point changed") == 1


def by_check(told):
    record_actions.check_clock(told.people.actor("curator"), logger(told), at(900), at(901), "phone")


def by_exclusion(told):
    made = record_actions.exclude(
        told.people.actor("curator"), logger(told), at(700), at(800), "out", "Probe out"
    )
    assert current().stale == ""  # not before a second person looked
    record_actions.approve(told.people.actor("labtech"), made)


def by_set_point(told):
    unit = Unit.objects.get(code="F2")
    record_actions.say_nominal(told.people.actor("curator"), unit, at(6500), None, -2000, 0, "The door")


def by_placement(told):
    box = Unit.objects.get(code="B2")
    spare = told.people.nlb.loggers.create(code="T-B", interval_s=600)
    placing.place(told.people.actor("curator"), spare, box, at(6200), medium="air")


@pytest.mark.parametrize("act", [by_check, by_exclusion, by_set_point, by_placement])
def test_what_people_do_marks_it_and_the_fingerprint_agrees(ready, act):
    act(ready)
    assert current().stale and recompute.fresh([SERUM])[SERUM]
    recompute.work_out([SERUM], NOW)
    assert current().stale == "" == recompute.fresh([SERUM])[SERUM]


def test_a_wrong_hint_is_taken_back_when_the_fingerprint_holds(ready):
    stale.touched([ready.loggers["T-F"].pk], 0, None, "x" * 200)
    assert current().stale == "x" * 100
    assert recompute.work_out([SERUM], NOW) == recompute.Done(0, 1, 0) and current().stale == ""


def test_each_logger_is_loaded_once_for_many_tubes(ready, monkeypatch):
    seen = []
    each = blocks.each
    monkeypatch.setattr(
        blocks, "each", lambda spans: (seen.append(pk) or (pk, one) for pk, one in each(spans))
    )
    lives_of([BLOOD, SERUM], NOW)
    assert sorted(seen) == sorted(
        ready.loggers[code].pk for code in ("T-C", "T-S", "T-F")
    )  # T-2 said nothing


# --- the command ----------------------------------------------------------------------------------


def run(*args):
    out = io.StringIO()
    call_command("thermal_recompute", *args, stdout=out)
    return out.getvalue()


def test_the_command_works_out_and_checks(told):
    with pytest.raises(SystemExit) as no:
        run("--all", "--check")
    assert no.value.code == 1 and not ThermalResult.objects.exists()
    assert run("--all") == "Worked out 2, as kept 0, never filled or yet to begin 0.\n"
    assert run("--all", "--check") == "Holds 2, no longer holds 0.\n"
    assert run("K7R2M-003-" + BLOOD[-1]) == "Worked out 0, as kept 1, never filled or yet to begin 0.\n"
    add_file(told)
    out = io.StringIO()
    with pytest.raises(SystemExit):
        call_command("thermal_recompute", "--all", "--check", stdout=out)
    assert "Holds 1, no longer holds 1." in out.getvalue() and life_inputs.WHY["readings"] in out.getvalue()


@pytest.mark.parametrize("args", [[], ["--all", SERUM], ["K7R2M001Q"]])
def test_the_command_says_what_it_does_not_understand(told, args):
    with pytest.raises(CommandError):
        run(*args)
