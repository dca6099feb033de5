"""The writer: one transaction, one number each, nothing twice, nothing half."""

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from custody import queries
from custody.core.event import Act, new_id
from custody.core.refusal import Refused
from custody.models import Event, Fill, Line, TubeState
from custody.rebuild import differences, rebuild
from custody.record import known, record
from custody.verify import verify
from tests.custody.conftest import START


def everything():
    return (
        list(Event.objects.order_by("seq").values()),
        list(Line.objects.order_by("pk").values()),
        list(TubeState.objects.order_by("tube").values()),
    )


def test_events_are_numbered_without_gaps_and_agree_with_their_hashes(drawn, say):
    say("spun", drawn, 10, data={"g": 1500, "minutes": 10})
    assert list(Event.objects.order_by("seq").values_list("seq", flat=True)) == [0, 1, 2]
    assert verify().wrong == []
    assert differences() == []


def test_one_event_of_many_tubes_is_one_event(drawn, say):
    done = say("handed_off", drawn, 5, data={"to": "TFL", "how": "sealed", "seal": "S1"})
    assert len(queries.event(done.id).lines) == 3
    assert {one.pending_to for one in queries.find(status="in_transit")} == {"TFL"}


def test_the_same_act_again_is_the_same_event(drawn, say):
    key = new_id()
    first = say("put_away", "T1", 9, key=key, unit="B1", row=1, col=1)
    again = say("put_away", "T1", 9, key=key, unit="B1", row=1, col=1)
    assert (first.seq, first.new, again.seq, again.new) == (again.seq, True, first.seq, False)
    assert Event.objects.filter(event_id=key).count() == 1
    assert known(key) and not known(new_id())


def test_a_key_used_for_something_else_is_refused(drawn, say):
    key = new_id()
    say("put_away", "T1", 9, key=key, unit="B1", row=1, col=1)
    with pytest.raises(Refused) as no:
        say("put_away", "T1", 9, key=key, unit="B1", row=1, col=2)
    assert no.value.code == "key_reused"


@pytest.mark.parametrize(
    ("act", "code"),
    [
        (("drawn", "T1", 5, {"ul": 1}), "drawn_twice"),
        (("drawn", "T9", 5, {"ul": 1}), "tube_unknown"),
        (("spun", "T1", 0, {}), "time_before_parent"),
        (("put_away", "T1", 5, {"unit": "B1", "row": 0, "col": 1}), "slot_unknown"),
        (("no_such_kind", "T1", 5, {}), "kind_unknown"),
        (("put_away", "T1", 5, {}), "line_malformed"),
        (("put_away", "T1", 5, {"unit": "B1", "shelf": 1}), "line_malformed"),
        (("drawn", "T1", 5, {"ul": -1}), "line_malformed"),
        (("drawn", "T1", 5, {"ul": 1.5}), "line_malformed"),
        (("thawed", "T1", 10_000_000, {}), "time_in_future"),
    ],
)
def test_a_refusal_changes_nothing(drawn, say, act, code):
    before = everything()
    kind, tube, minute, line = act
    data = {"g": 1, "minutes": 1} if kind == "spun" else {}
    with pytest.raises(Refused) as no:
        say(kind, tube, minute, data=data, **line)
    assert no.value.code == code
    assert everything() == before


def test_a_taken_slot_is_refused_live_and_contested_when_it_comes_from_the_field(drawn, say):
    say("put_away", "T1", 9, unit="B1", row=1, col=1)
    with pytest.raises(Refused) as no:
        say("put_away", "T2", 10, unit="B1", row=1, col=1)
    assert no.value.code == "slot_taken"
    say("put_away", "T2", 10, strict=False, unit="B1", row=1, col=1)
    assert {one.tube for one in queries.find(contested=True)} == {"T1", "T2"}
    assert queries.box("B1") == {}
    say("moved", "T2", 20, unit="B1", row=1, col=2)
    assert queries.box("B1") == {(1, 1): "T1", (1, 2): "T2"}
    assert differences() == []


def test_two_tubes_can_change_places_in_one_act(drawn, say):
    say("put_away", "T1", 9, unit="B1", row=1, col=1)
    say("put_away", "T2", 9, unit="B1", row=1, col=2)
    lines = [{"t": "T1", "role": "subj", "unit": "B1", "row": 1, "col": 2},
             {"t": "T2", "role": "subj", "unit": "B1", "row": 1, "col": 1}]  # fmt: skip
    record([Act(kind="moved", at_ms=START + 600_001, by="p1", org="SSS", lines=lines)], login="labtech")
    assert queries.box("B1") == {(1, 1): "T2", (1, 2): "T1"}


def test_what_comes_from_the_field_is_kept_and_becomes_a_finding(drawn, say):
    say("drawn", "T1", 5, strict=False, ul=700)
    assert [(one.code, one.subject) for one in queries.findings()] == [("drawn_twice", "T1")]
    assert queries.state("T1").volume_ul == 1_000
    assert differences() == []


def test_a_volume_never_goes_below_zero(drawn, say):
    say("aliquoted", "T1", 5, strict=False, role="from", ul=1_200)
    assert queries.state("T1").volume_ul == 0
    assert [one.code for one in queries.findings("T1")] == ["volume_not_negative"]


def test_more_cannot_come_out_than_was_taken(drawn):
    lines = [{"t": "T1", "role": "from", "ul": 500}, {"t": "A1", "role": "to", "of": "T1", "ul": 501}]
    with pytest.raises(Refused) as no:
        record(
            [Act(kind="aliquoted", at_ms=START + 300_000, by="p1", org="SSS", lines=lines)], login="labtech"
        )
    assert no.value.code == "aliquot_balances"


def test_an_aliquot_knows_its_parent_and_the_parent_its_aliquots(drawn):
    lines = [{"t": "T1", "role": "from", "ul": 500}, {"t": "A1", "role": "to", "of": "T1", "ul": 500}]
    record([Act(kind="aliquoted", at_ms=START + 300_000, by="p1", org="SSS", lines=lines)], login="labtech")
    assert queries.state("A1").parent == "T1"
    assert queries.children("T1") == ["A1"]
    assert queries.state("T1").volume_ul == 500


def test_a_void_and_a_correction_refold_the_tubes_they_are_about(drawn, say):
    thaw = say("thawed", "T1", 9)
    assert queries.state("T1").thaws == 1
    void = Act(
        kind="voided", at_ms=START, by="p1", org="SSS", data={"of": thaw.id, "reason": "did_not_occur"}
    )
    record([void], login="curator")
    assert queries.state("T1").thaws == 0
    record(
        [
            Act(
                kind="voided",
                at_ms=START,
                by="p1",
                org="SSS",
                data={"of": void.id, "reason": "did_not_occur"},
            )
        ],
        login="x",
    )
    assert queries.state("T1").thaws == 1
    assert [one.voided for one in queries.history("T1")] == [False, False, False]
    assert differences() == []


def test_amending_what_is_not_there_is_refused(drawn):
    with pytest.raises(Refused) as no:
        record(
            [
                Act(
                    kind="voided",
                    at_ms=START,
                    by="p",
                    org="SSS",
                    data={"of": new_id(), "reason": "did_not_occur"},
                )
            ],
            login="x",
        )
    assert no.value.code == "event_unknown"


def test_units_stand_in_units_and_never_in_themselves(db):
    def move(unit, to):
        lines = [{"u": unit, "role": "subj", "to": to} if to else {"u": unit, "role": "subj"}]
        record([Act(kind="moved", at_ms=START, by="p", org="NLB", lines=lines)], login="curator")

    move("F1", None)
    move("R1", "F1")
    move("B1", "R1")
    assert queries.units() == {"F1": None, "R1": "F1", "B1": "R1"}
    for unit, to in [("F1", "B1"), ("F1", "F1")]:
        with pytest.raises(Refused) as no:
            move(unit, to)
        assert no.value.code == "unit_inside_itself"
    assert queries.units() == {"F1": None, "R1": "F1", "B1": "R1"}
    assert differences() == []


def test_several_acts_are_all_or_none_and_take_their_rows_with_them(drawn, django_user_model):
    good = Act(kind="thawed", at_ms=START + 600_000, by="p", org="SSS", lines=[{"t": "T1", "role": "subj"}])
    bad = Act(kind="thawed", at_ms=START + 600_000, by="p", org="SSS", lines=[{"t": "T9", "role": "subj"}])
    before = everything()
    with pytest.raises(Refused):
        record([good, bad], login="x", before=lambda: django_user_model.objects.create_user("half"))
    assert everything() == before
    assert not django_user_model.objects.filter(username="half").exists()


@pytest.mark.parametrize("table", ["custody_event", "custody_line"])
@pytest.mark.parametrize("sql", ["UPDATE {0} SET {1} = {1}", "DELETE FROM {0}"])
def test_the_database_itself_refuses_to_change_the_ledger(drawn, table, sql):
    from django.db import connection

    column = "login" if table == "custody_event" else "text"
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql.format(table, column))
    assert verify().wrong == []


def test_replacing_a_row_is_refused_too(drawn):
    from django.db import connection

    event = Event.objects.get(seq=1)
    if connection.vendor == "sqlite":
        columns = "id, event_id, n, what, subject"
        sql = f"INSERT OR REPLACE INTO custody_line ({columns}, text) SELECT {columns}, 'x' FROM custody_line"
    else:
        sql = "INSERT INTO custody_line SELECT * FROM custody_line ON CONFLICT (id) DO UPDATE SET text = 'x'"
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert Line.objects.filter(event=event, text="x").count() == 0


def test_the_database_holds_the_invariants_itself(drawn, say):
    say("put_away", "T1", 9, unit="B1", row=1, col=1)
    for change in [
        {"volume_ul": -1},
        {"unit": None, "row": None, "col": None},
        {"custodian": None},
        {"status": "lost"},
        {"row": None},
        {"status": "discarded"},
    ]:
        with pytest.raises(IntegrityError), transaction.atomic():
            TubeState.objects.filter(tube="T1").update(**change)
    with pytest.raises(IntegrityError), transaction.atomic():
        TubeState.objects.filter(tube="T2").update(status="stored", unit="B1", row=1, col=1)


def test_a_rebuild_remakes_what_was_tampered_with_and_the_check_names_it(drawn):
    TubeState.objects.filter(tube="T1").update(volume_ul=999)
    TubeState.objects.filter(tube="T2").delete()
    assert len(differences()) == 2
    rebuild()
    assert differences() == []


def test_a_rebuild_keeps_a_contested_slot_contested(drawn, say):
    say("put_away", "T1", 5, unit="B1", row=1, col=1)
    say("put_away", "T2", 6, unit="B1", row=1, col=1, strict=False)
    assert differences() == []
    rebuild()
    assert {one.tube for one in queries.find(contested=True)} == {"T1", "T2"}
    assert differences() == []
    TubeState.objects.filter(tube="T3").update(contested=True)
    assert differences() == ["tube T3: contested is True, the ledger says False"]


def test_how_full_a_unit_is_follows_its_tubes_in_and_out(drawn, say):
    say("put_away", ["T1"], 5, unit="B1", row=1, col=1)
    say("put_away", ["T2"], 6, unit="C1")
    say("thawed", ["T1", "T2"], 7)
    assert queries.contents() == {"B1": 1, "C1": 1} and queries.contents(["C1", "C2"]) == {"C1": 1}
    say("moved", ["T1"], 8, unit="C1")
    assert queries.contents() == {"C1": 2}
    say("pulled", ["T1", "T2"], 9, data={"why": "to spin"})
    assert queries.contents() == {} and differences() == []


def test_a_count_of_tubes_that_somebody_changed_is_named_and_remade(drawn, say):
    say("put_away", ["T1"], 5, unit="B1", row=1, col=1)
    say("put_away", ["T2"], 6, unit="B2", row=1, col=1)
    Fill.objects.filter(unit="B1").update(tubes=2)
    Fill.objects.filter(unit="B2").delete()
    Fill.objects.create(unit="B3", tubes=7)
    assert differences() == [
        "unit B1: 2 tubes are counted in it, 1 are there",
        "unit B2: 0 tubes are counted in it, 1 are there",
        "unit B3: 7 tubes are counted in it, 0 are there",
    ]
    rebuild()
    assert differences() == [] and queries.contents() == {"B1": 1, "B2": 1}


def test_queries_do_not_grow_with_the_tubes_asked_for(say, django_assert_max_num_queries):
    tubes = [f"T{n}" for n in range(40)]
    say("label_printed", tubes, 0, role="new")
    say("drawn", tubes, 1, ul=1_000)
    with django_assert_max_num_queries(4):
        assert len(queries.histories(tubes)) == 40
    with django_assert_max_num_queries(1):
        assert len(queries.states(tubes)) == 40
