"""The ranked list of a unit's boxes, from what the ledger and the biobank know of their tubes.

Promises: a fixed number of queries however many boxes and tubes there are (two more for each 500 workups);
no tube is loaded, only sums. The order itself is `biobank.core.rank`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from biobank.core.rank import SMALL_UL, Group, Kind, Left, Ranked, ranked
from biobank.models import Animal, AssayTakes, PlannedAliquot, PlannedTube, Rule, RuleSet, Workup
from custody import queries as ledger

DEEP_CENTI = -6000


def rank(boxes: Mapping[str, tuple[str, ...]]) -> list[Ranked]:
    """These boxes, in the order in which they leave. boxes: each with the way down to it. 9 queries."""
    kin, animals = ledger.kin_in(boxes, SMALL_UL), animal_of()
    groups = [
        Group(
            one.unit, (animals.get(one.workup or "", ""), one.matrix), one.tubes, one.kept, one.reserved,
            one.last, one.small, one.additive == "RNA",
        )
        for one in kin
    ]  # fmt: skip
    return ranked(boxes, groups, _left(groups, animals), deep_matrices())


def animal_of() -> dict[str, str]:
    """Workup -> what names its animal: merged animals are one, an animal nobody knows yet is its workup's.
    2 queries."""
    merged = dict(Animal.objects.filter(merged_into__isnull=False).values_list("pk", "merged_into"))
    rows = Workup.objects.order_by().values_list("code", "animal")
    return {code: f"animal {_root(animal, merged)}" if animal else code for code, animal in rows}


def _root(animal: int, merged: Mapping[int, int]) -> int:
    seen = {animal}
    while animal in merged and merged[animal] not in seen:
        animal = merged[animal]
        seen.add(animal)
    return animal


def _left(groups: Iterable[Group], animals: Mapping[str, str]) -> dict[Kind, Left]:
    """All there is of the animals and matrices of these groups, in whatever unit."""
    wanted = {group.kind for group in groups}
    those = {name for name, _ in wanted}
    found: dict[Kind, Left] = {}
    for one in ledger.left_of(code for code, name in animals.items() if name in those):
        kind = animals[one.workup], one.matrix
        if kind in wanted:
            before = found.get(kind, Left(0, 0))
            ul = None if one.ul is None or before.ul is None else before.ul + one.ul
            found[kind] = Left(before.tubes + one.tubes, ul)
    return found


def deep_matrices() -> set[str]:
    """Matrices that a rule in force, or a plan, keeps below −60 °C. 4 queries."""
    rules = Rule.objects.filter(
        rule_set__status=RuleSet.Status.IN_FORCE,
        kind="temperature",
        side="above",
        limit_centi__lte=DEEP_CENTI,
    )
    assays = set(rules.values_list("assay", flat=True))
    takes = AssayTakes.objects.all() if None in assays else AssayTakes.objects.filter(assay__in=assays)
    found = set(takes.order_by().values_list("matrix", flat=True).distinct())
    for planned in (PlannedTube, PlannedAliquot):
        cold = planned.objects.filter(target_centi__lte=DEEP_CENTI).order_by()
        found |= set(cold.values_list("matrix", flat=True).distinct())
    return found
