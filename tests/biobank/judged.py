"""A small law of our own and tubes on the laboratory's bench, for the tests of the gate and of decisions.

Two assays and four rules of plain kinds; the limits are made up for these tests and stand for no assay.
"""

from __future__ import annotations

from datetime import date, timedelta

from django.utils import timezone

from biobank.acting import ms, perform
from biobank.checks import judging
from biobank.models import Assay, OpenFinding, Role, Rule, RuleSet
from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.lab import DRAWN, EDTA, GEL, HEPARIN, RED, lab_set, primary
from tests.people import People

SPIN, HAEM, LIP, ICT = "SPUN-IN-2H", "HAEM", "LIP", "ICT"
BOX = "NLB-B001"


def make_law(version: int = 1, spin_s: int = 7200, haem: int = 1) -> RuleSet:
    """Cortisol (three stop rules, one caution) and PCR (one stop rule), in force."""
    RuleSet.objects.filter(status="in_force").update(status="retired")
    made = RuleSet.objects.create(
        code="HARBOUR", version=version, status="in_force", valid_from=date(2026, 1, version)
    )
    cort, pcr = (_assay(code, name) for code, name in [("CORT", "Cortisol"), ("PCR", "Virus PCR")])
    _assay("SALT", "Salt", matrix="URN")
    same = {
        "severity": "stop",
        "evidence": "common_practice",
        "source": "made up for a test",
        "rule_set": made,
    }
    Rule.objects.create(
        code=SPIN, assay=cort, kind="interval", from_act="drawn", to_act="spun", limit_s=spin_s, **same
    )
    Rule.objects.create(code=HAEM, assay=cort, kind="grade", grade_name="haemolysis", max_grade=haem, **same)
    Rule.objects.create(code=ICT, assay=pcr, kind="grade", grade_name="icterus", max_grade=1, **same)
    Rule.objects.create(
        code=LIP,
        assay=cort,
        kind="grade",
        grade_name="lipaemia",
        max_grade=1,
        **(same | {"severity": "caution"}),
    )
    return made


def _assay(code: str, name: str, matrix: str = "BLD") -> Assay:
    found, new = Assay.objects.get_or_create(code=code, defaults={"name": name})
    if new:
        found.takes.create(matrix=matrix)
    return found


def make_tubes(people: People) -> list[str]:
    """Four tubes that the laboratory holds, each spun in time and graded clean: fit for both assays."""
    made = lab_set(people)
    tubes = [primary(made, number) for number in (RED, GEL, HEPARIN, EDTA)]
    say(people, "spun", tubes, at=DRAWN + timedelta(hours=1), data={"g": 2000, "minutes": 10})
    grade(people, tubes)
    return tubes


def say(people: People, kind: str, tubes, at=None, role: str = "labtech", line=None, **more) -> str:
    """One event about these tubes; its id."""
    lines = [{"t": code, "role": "subj"} | (line or {}) for code in tubes]
    return perform(people.actor(role), kind, key=new_id(), at=at, lines=lines, **more).id


def grade(people: People, tubes, haemolysis: int = 0, lipaemia: int = 0, icterus: int = 0) -> str:
    """Graded now; the latest grade counts."""
    at = DRAWN + timedelta(hours=2, seconds=ledger.size())
    line = {"haemolysis": haemolysis, "lipaemia": lipaemia, "icterus": icterus}
    return say(people, "graded", tubes, at=at, line=line)


def second_curator(people: People) -> str:
    """Another curator; `people.actor("curator2")`."""
    made = builders.make_person(people.programme, people.nlb, Role.CURATOR, "P9", "curator2")
    people.persons["curator2"] = made
    return "curator2"


def note_finding(rule_set: RuleSet, tube: str, code: str = HAEM, **more) -> OpenFinding:
    """A row of the work list, made up, for a tube that is judged now."""
    said = {
        "severity": "stop", "rank": 0, "answer": "fail", "sentence": f"{code} speaks against it.",
        "fact": "grade 3",
        "assays": "CORT", "since_ms": 1_777_000_000_000, "rule_set": rule_set,
    } | more  # fmt: skip
    judging.judge([tube], ms(timezone.now()))
    OpenFinding.objects.filter(tube=tube, code=code).delete()
    return OpenFinding.objects.create(tube=tube, code=code, **said)
