"""A real table of past samples: penguins_raw, 344 rows, from the package palmerpenguins (CC0).

Source: Gorman KB, Williams TD, Fraser WR (2014), PLoS ONE 9(3): e90081; column descriptions at
https://allisonhorst.github.io/palmerpenguins/ (Individual ID "unique ID for each individual in dataset",
Date Egg "the date study nest observed with 1 egg (sampled)").

What is expected is worked out here from the raw file with the csv module, and not from the mapping's rules:
a tube was full when an isotope was measured in it (the lab's numbers, not the comment), short when there was
blood for a DNA sexing and none for isotopes, never filled otherwise. So the comments' rules are checked
against measurements.
"""

from __future__ import annotations

import csv
import json
from collections import Counter, defaultdict
from datetime import date, datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from biobank.imports import actions, queries
from biobank.imports.mapping import digest
from biobank.models import Animal, FieldDay, Identifier, TableImport, Tube, Workup
from custody import queries as ledger
from custody.core.event import new_id
from custody.rebuild import differences

RAW = (files("palmerpenguins") / "data" / "penguins-raw.csv").read_bytes()
SPEC = json.loads((Path(__file__).parent / "penguins_mapping.json").read_text())
ROWS = list(csv.DictReader(RAW.decode().splitlines()))


def expected(row: dict[str, str]) -> str:
    """From measurements. The one comment used is that primers were tried: on blood, whatever came of it."""
    if row["Delta 15 N (o/oo)"] != "NA" or row["Delta 13 C (o/oo)"] != "NA":
        return "drawn"
    if row["Sex"] != "NA" or "primers" in row["Comments"]:
        return "short"
    return "not_collected"


def read_with(people, spec):
    actor = people.actor("curator")
    mapping = actions.save_mapping(actor, "Penguins, raw table", spec)
    return actor, actions.upload(actor, mapping, "penguins-raw.csv", RAW)


def outcome(said) -> tuple[str, str]:
    """What the ledger says became of a tube, and why not more."""
    kinds = {one.kind: one for one in said}
    if "not_collected" in kinds:
        return "not_collected", kinds["not_collected"].data["reason"]
    line = kinds["drawn"].line
    return ("short", line["note"]) if line.get("short") else ("drawn", "")


def bird_of(tube) -> tuple[str, ...]:
    """(studyName, Individual ID) of the animal that the tube is bound to."""
    return tuple(tube.tube_set.workup.animal.identifiers.get().text.split(" ", 1))


@pytest.fixture
def taken(people):
    actor, draft = read_with(people, SPEC)
    return actions.take_in(actor, new_id(), draft, digest(draft.mapping.spec))


@pytest.fixture
def tubes(taken):
    found = Tube.objects.select_related("tube_set__workup__animal", "tube_set__workup__day__site")
    said = ledger.histories([tube.code for tube in found])
    return [(tube, said[tube.code]) for tube in found]


def test_the_raw_table_is_the_one_that_was_read():
    assert len(ROWS) == 344  # as the package's own documentation says
    assert Counter(map(expected, ROWS)).total() == 344
    assert min(Counter(map(expected, ROWS)).values()) > 0, "each outcome occurs, so each is tested"


def test_every_tube_is_drawn_short_or_not_collected_as_the_measurements_say(taken, tubes):
    by_bird = {(row["studyName"], row["Individual ID"]): expected(row) for row in ROWS}
    got = {bird_of(tube): outcome(said)[0] for tube, said in tubes}
    assert got == by_bird
    counts = Counter(map(expected, ROWS))
    assert (taken.drawn, taken.short, taken.not_collected) == (
        counts["drawn"], counts["short"], counts["not_collected"]
    )  # fmt: skip


def test_counts_by_island_and_season_agree(tubes):
    want = Counter((row["Island"], row["Date Egg"][:4], expected(row)) for row in ROWS)
    got = Counter(
        (tube.tube_set.workup.day.site.name, str(tube.tube_set.workup.day.date.year), outcome(said)[0])
        for tube, said in tubes
    )
    assert got == want


def test_every_reason_is_the_comment_of_its_row(tubes):
    comments = {(row["studyName"], row["Individual ID"]): row["Comments"] for row in ROWS}
    for tube, said in tubes:
        kind, reason = outcome(said)
        assert (kind == "drawn") == (reason == "")
        assert reason.lower() in comments[bird_of(tube)].lower()


def test_animals_sexes_and_species_agree(taken):
    want = Counter((row["Species"], {"MALE": "M", "FEMALE": "F"}.get(row["Sex"], "U")) for row in ROWS)
    born = Animal.objects.filter(workups__code__startswith=taken.workup_prefix)
    assert Counter(born.values_list("species", "sex")) == want
    assert taken.animals == len({(row["studyName"], row["Individual ID"]) for row in ROWS})


def test_days_sites_and_workups_agree(taken):
    days = FieldDay.objects.filter(workups__code__startswith=taken.workup_prefix).distinct()
    assert {(day.site.name, day.date.isoformat()) for day in days.select_related("site")} == {
        (row["Island"], row["Date Egg"]) for row in ROWS
    }
    assert Workup.objects.filter(code__startswith=taken.workup_prefix).count() == 344
    assert all(day.closed for day in days)


def test_a_day_without_an_hour_is_noon_there_give_or_take_half_a_day(tubes):
    zone = ZoneInfo("Antarctica/Palmer")
    for tube, said in tubes:
        for one in said:
            local = datetime.fromtimestamp(one.at_ms / 1000, zone)
            assert (local.date(), local.hour, one.unc_s) == (tube.tube_set.workup.day.date, 12, 43_200)
            assert one.off_min * 60 == local.utcoffset().total_seconds()
            assert one.tz == "Antarctica/Palmer"


def test_the_ledger_holds_as_if_it_had_happened_live(people, taken, tubes):
    assert ledger.findings() == []
    assert differences() == []
    states = ledger.states([tube.code for tube, _ in tubes])
    assert Counter(state.status for state in states.values()) == {
        "held": taken.drawn + taken.short, "not_collected": taken.not_collected
    }  # fmt: skip
    assert {state.custodian for state in states.values()} == {"NLB"}
    assert {state.volume_ul for state in states.values()} == {None}, (
        "the table gives no volume, so none is known"
    )
    assert {one.via for _, said in tubes for one in said} == {f"import:{taken.sha256[:16]}"}


def test_what_makes_an_individual_is_read_from_the_table_not_assumed(people):
    """Individual ID alone: the file itself says that it is not one animal, and the import says so too."""
    species, sexes = defaultdict(set), defaultdict(set)
    for row in ROWS:
        species[row["Individual ID"]].add(row["Species"])
        if row["Sex"] != "NA":
            sexes[row["Individual ID"], row["Species"], row["Island"]].add(row["Sex"])
    assert any(len(kinds) > 1 for kinds in species.values()), "one ID, two species"
    assert any(len(kinds) > 1 for kinds in sexes.values()), "one ID, species and island, two sexes"
    assert len({(row["studyName"], row["Individual ID"]) for row in ROWS}) == 344, (
        "with the season it is unique"
    )

    alone = SPEC | {"individual": {"columns": ["Individual ID"]}}
    _, draft = read_with(people, alone)
    differ = {one.row for one in queries.read_draft(draft).errors if one.code == "species_differs"}
    first = {}
    for row in ROWS:
        first.setdefault(row["Individual ID"], row["Species"])
    assert differ == {n for n, row in enumerate(ROWS, 2) if row["Species"] != first[row["Individual ID"]]}


def test_the_island_beside_the_id_still_mixes_species_and_sexes(people):
    groups = defaultdict(list)
    for n, row in enumerate(ROWS, 2):
        groups[row["Individual ID"], row["Island"]].append((n, row["Species"], row["Sex"]))
    two_kinds = {key for key, rows in groups.items() if len({kind for _, kind, _ in rows}) > 1}
    two_sexes = {
        key for key, rows in groups.items()
        if any(len({sex for _, kind, sex in rows if kind == one and sex != "NA"}) > 1 for _, one, _ in rows)
    }  # fmt: skip
    assert two_kinds and two_sexes
    _, draft = read_with(people, SPEC | {"individual": {"columns": ["Individual ID", "Island"]}})
    wrong = queries.read_draft(draft).errors
    key_of = {n: key for key, rows in groups.items() for n, _, _ in rows}
    assert {key_of[one.row] for one in wrong if one.code == "species_differs"} == two_kinds
    mixed = {key_of[one.row] for one in wrong if one.code == "sex_differs"}
    assert mixed <= two_sexes and two_sexes - mixed <= two_kinds


def test_the_order_of_rules_matters_and_measurements_show_it(people):
    """Without its first rule the mapping would call two measured tubes never filled."""
    _, draft = read_with(people, SPEC | {"rules": SPEC["rules"][1:]})
    counts = queries.read_draft(draft).outcomes
    assert counts["not_collected"] == Counter(map(expected, ROWS))["not_collected"] + 2


def test_a_comment_without_a_rule_is_an_error_not_a_guess(people):
    rules = [rule for rule in SPEC["rules"] if "full clutch" not in rule.get("if_contains", "")]
    _, draft = read_with(people, SPEC | {"rules": rules})
    wrong = queries.read_draft(draft).errors
    assert {one.code for one in wrong} == {"comment_unread"}
    only = [n for n, row in enumerate(ROWS, 2) if row["Comments"] == "Nest never observed with full clutch."]
    assert [one.row for one in wrong] == only


def test_identifiers_begin_on_the_day_of_the_row(taken):
    since = {(row["studyName"], row["Individual ID"]): date.fromisoformat(row["Date Egg"]) for row in ROWS}
    borne = Identifier.objects.filter(animal__workups__code__startswith=taken.workup_prefix)
    assert {tuple(one.text.split(" ", 1)): one.since for one in borne} == since


def test_what_was_done_is_kept_with_the_import(taken):
    done = TableImport.objects.get()
    assert done.mapping_spec == SPEC
    assert (done.rows, done.tubes, done.person.code) == (344, 344, "P3")
