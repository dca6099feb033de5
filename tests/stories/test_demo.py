"""The demo is played whole, through the same actions as the pages, and says what it promises."""

from collections import Counter

import pytest
from django.utils import timezone

from biobank.acting import ms
from biobank.checks.verdicts import verdicts_of
from biobank.demo import cold, days, report, world
from biobank.models import Animal, Tube, TubeSet, Workup
from custody import queries as ledger
from custody.rebuild import differences
from custody.verify import verify


@pytest.fixture
def played(db):
    made = world.make_world()
    for _, do in days.steps(made):
        do()
    cold.chill(made, timezone.now())
    return made


def test_the_demo_shows_the_whole_job_and_what_goes_wrong(played, tmp_path):
    assert 130 <= Tube.objects.count() <= 170
    assert Workup.objects.count() == 7 and Animal.objects.count() == 6

    drawn = [one for said in ledger.events(kind="drawn") for one in said.lines]
    assert any(line.get("short") for line in drawn), "a short draw"
    assert ledger.count(status="not_collected") > 0
    assert ledger.count(copies__gt=0) == 1, "a reprinted label"
    caught = Counter(Workup.objects.values_list("animal__code", flat=True))
    assert [code for code, n in caught.items() if n > 1] == ["SB-01"], "a recapture"
    lost = ledger.find(disputes__gt=0)
    assert [(one.status, one.custodian) for one in lost] == [("in_transit", "TFL")], (
        "a tube missing at receipt"
    )
    haemolysed = [
        line for said in ledger.events(kind="graded") for line in said.lines if line["haemolysis"] == 3
    ]
    assert haemolysed, "a haemolysed tube"
    assert TubeSet.objects.filter(workup=None).count() == 1, "a set for tomorrow"

    assert ledger.findings() == []
    assert verify().wrong == []
    assert differences() == []

    words = {word: sentence for word, sentence in said_of_all()}
    assert set(words) == {"fit", "caution", "not_fit", "cannot_tell"}

    for _, path in report.papers(tmp_path):
        assert path.read_bytes()[:5] == b"%PDF-"
    assert len(list(report.examples(report.judged()))) == 4


def said_of_all():
    held = [one.tube for one in ledger.find(status__in=["held", "stored"])]
    found = verdicts_of(held, ms(timezone.now()))
    return [(verdict.word, verdict.sentence) for tube in held for verdict in found[tube]]


def test_each_answer_of_the_demo_has_the_sentence_that_its_story_calls_for(played):
    """By hand from the scenario: a spin 262 min after the needle, grade 3, no logger, an open door."""
    said = set(said_of_all())
    assert ("not_fit", "Spun 4 h 21 min after draw; limit 3 h.") in said
    above = "at most grade 1 or 149.99 mg/dL. Above that potassium reads high."
    assert ("not_fit", f"Haemolysis grade 3; {above}") in said
    assert ("cannot_tell", f"Haemolysis was not graded; {above}") in said
    assert any(word == "caution" and "above −60 °C in a freezer" in sentence for word, sentence in said)
    assert any(word == "cannot_tell" and "not measured" in sentence for word, sentence in said)
    assert any(word == "fit" and "nothing speaks against it" in sentence for word, sentence in said)


def test_the_demo_is_the_same_every_time(played):
    assert sorted(TubeSet.objects.values_list("code", flat=True)) == [
        "B7T25", "C4VW4", "CBDRC", "GHH52", "J43XD", "MJAA6", "R519D", "RFDXH",
    ]  # fmt: skip
