"""A small rule set of our own and tubes to judge by it, for the tests of the verdict pages.

Promises: every limit here is invented for the tests and says so in its source; what each tube must get is
worked out by hand in the tests.
"""

from __future__ import annotations

from datetime import date

from biobank.acting import ms, perform
from biobank.checks import judging
from biobank.models import Assay, AssayTakes, Rule, RuleSet, Tube, TubeSet
from custody.core.event import new_id
from tests.people import People, drawn_set, moment

# Drawn at 09:20. At ten the gel tube was not spun yet and may still be, until 11:20.
TEN, NOON, LATE = moment(10), moment(12), moment(15)
SOURCE = "invented for the tests"


def rule_set() -> RuleSet:
    """In force: a family of two serum assays, blood counts alone, and one rule for all."""
    rules = RuleSet.objects.create(code="TEST", version=3, status="in_force", valid_from=date(2026, 1, 1))
    serum = _assay("SERA", "Serum, short lived")
    potassium = _assay("POTAS", "Potassium", ("BLD", "SST"), ("SER", ""), family=serum)
    iron = _assay("FERRO", "Iron", ("BLD", "SST"), ("SER", ""), family=serum, min_ul=6000)
    counts = _assay("COUNT", "Blood count", ("BLD", "EDTK"))
    _rule(rules, "settled", None, "custody", severity="caution")
    _rule(
        rules, "spun-2h", serum, "interval", from_act="drawn", to_act="spun", limit_s=7200,
        read="abstract", evidence="other_species", studied="bottlenose dolphins",
        hint="Spin it on the beach.",
    )  # fmt: skip
    _rule(rules, "pale", potassium, "grade", grade_name="haemolysis", max_grade=1, severity="stop")
    _rule(rules, "young", iron, "interval", from_act="drawn", to_act="now", limit_s=86400)
    _rule(rules, "same-day", counts, "interval", from_act="drawn", to_act="now", limit_s=4 * 3600)
    _rule(
        rules, "never-warm", counts, "temperature", phase="any", side="above", limit_centi=2500, allowed_s=0,
        severity="caution",
    )  # fmt: skip
    return rules


def _assay(code: str, name: str, *takes: tuple[str, str], **more: object) -> Assay:
    assay = Assay.objects.create(code=code, name=name, **more)
    for matrix, additive in takes:
        AssayTakes.objects.create(assay=assay, matrix=matrix, additive=additive)
    return assay


def _rule(rules: RuleSet, code: str, assay: Assay | None, kind: str, **more: object) -> Rule:
    said = {"severity": "stop", "evidence": "human", "source": SOURCE} | more
    return Rule.objects.create(rule_set=rules, code=code, assay=assay, kind=kind, **said)


def tube_of(tube_set: TubeSet, number: int) -> Tube:
    return tube_set.tubes.get(planned__number=number, parent_hint="")


def gel(tube_set: TubeSet) -> Tube:
    """The 5 mL gel tube, which both serum assays take."""
    return tube_of(tube_set, 3)


def edta(tube_set: TubeSet) -> Tube:
    """The 4 mL EDTA tube, which the count takes."""
    return tube_of(tube_set, 5)


def sets(people: People, many: int) -> list[TubeSet]:
    """So many sets, each drawn at 09:20, from animals that are not known yet."""
    return [drawn_set(people) for _ in range(many)]


def spun(people: People, tube: Tube, hour: int, minute: int = 0, **more: object) -> str:
    key = new_id()
    perform(
        people.actor("fieldtech"), "spun", key=key, at=moment(hour, minute), data={"g": 1500, "minutes": 10},
        lines=[{"t": tube.code, "role": "subj"}], **more,
    )  # fmt: skip
    return key


def graded(people: People, tube: Tube, grade: int) -> None:
    perform(people.actor("fieldtech"), "graded", key=new_id(), at=moment(9, 59), data={},
            lines=[{"t": tube.code, "role": "subj", "haemolysis": grade}])  # fmt: skip


def three_serum(people: People) -> list[Tube]:
    """Gel tubes of three animals, judged at noon: one spun in time, one late, one not; all graded 0."""
    found = [gel(one) for one in sets(people, 3)]
    for tube in found:
        graded(people, tube, 0)
    spun(people, found[0], 10, 20)
    spun(people, found[1], 11, 40)
    judge(found, NOON)
    return found


def judge(tubes: list[Tube], at=TEN) -> None:
    judging.judge([one.code for one in tubes], ms(at))
