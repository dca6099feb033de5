"""What the verdict pages say: what is missing and where to supply it, who reads what, how much was known."""

from __future__ import annotations

import pytest
from django.urls import NoReverseMatch, reverse

from biobank.checks import fit_words as words
from biobank.checks.fit_panel import by_family
from biobank.checks.passport_veil import Veil
from biobank.models import Person, Role
from biobank.temperature.life_words import shares
from custody.core.facts import ACTS, Facts
from custody.core.phase import PhaseSummary
from custody.core.rules import Assay, Finding, Rule, Verdict

EVENT = "0190b3c1-0000-7000-8000-000000000001"
KINDS = ("label_printed", "drawn", "spun", "aliquoted")
ABOUT = words.About(
    "K7R2M103X", "W-1", tuple((f"{first}{kind}", EVENT) for first in ("", "first ") for kind in KINDS)
)
# what custody.core names as missing (docstring of custody.core.rules.Finding)
MISSING = [
    *(f"act:{act}" for act in ACTS[:6]), "readings", "grade:haemolysis", "grade:lipaemia", "grade:icterus",
    "additive", "taxon", "material", "matrix", "volume", "fill", "spin", "container", "permit:take",
    "permit:hold", "custody", "time:drawn",
]  # fmt: skip


def rule(kind="custody", code="one", **more):
    said = {"severity": "stop", "evidence": "human", "source": "invented for the tests"}
    return Rule(code, kind, **(said | more))


def finding(answer="cannot_tell", sentence="", missing=(), kind="custody", **more):
    fields = {name: more.pop(name) for name in ("fact", "limit", "events", "by_ms") if name in more}
    return Finding(rule(kind, **more), answer, sentence, missing=tuple(missing), **fields)


@pytest.mark.parametrize("missing", MISSING)
def test_whatever_is_missing_has_a_sentence_and_a_page_where_it_is_supplied(missing):
    """Asked for somebody who may everything; so no name of a page is misspelt, and each page exists."""
    (way,) = words.ways(finding(missing=[missing], events=(EVENT,)), ABOUT, Person(role=Role.ADMINISTRATOR))
    assert way.says != words.OTHER and way.says.endswith(".")
    assert way.links, missing


def test_every_door_leads_to_a_page_that_there_is():
    for name, (_, doors) in words.WAYS.items():
        for _, url, what, _ in doors:
            args = ABOUT.takes(what)
            assert args is not None, name
            try:
                reverse(url, args=args)
            except NoReverseMatch:  # pragma: no cover
                pytest.fail(f"{name}: no page {url}")


def test_who_may_not_supply_it_is_told_what_is_missing_without_a_link():
    (way,) = words.ways(finding(missing=["act:spun"]), ABOUT, Person(role=Role.AUDITOR))
    assert way.says.startswith("No spin was logged.") and way.links == ()


def test_a_tube_without_such_an_event_gets_no_broken_link():
    (way,) = words.ways(finding(missing=["volume"]), words.About("K7R2M103X"), Person(role=Role.CURATOR))
    assert way.links == ()


def test_what_passes_and_what_fails_for_good_misses_nothing():
    who = Person(role=Role.CURATOR)
    assert words.ways(finding("pass", missing=["act:spun"]), ABOUT, who) == []
    assert words.ways(finding("fail"), ABOUT, who) == []


def test_cannot_tell_for_no_named_reason_is_an_inexact_time_to_correct():
    (way,) = words.ways(finding(events=(EVENT,)), ABOUT, Person(role=Role.CURATOR))
    assert way.says == words.EXACT and way.links == (
        ("Correct a time", reverse("event_correct", args=[EVENT])),
    )


@pytest.mark.parametrize("missing, says", [
    (["time:drawn", "time:spun"], "The times of draw and spin are not exact enough"),
    (["time:spun"], "The time of spin is not exact enough"),
])  # fmt: skip
def test_times_in_doubt_are_named(missing, says):
    who = Person(role=Role.CURATOR)
    (way,) = words.ways(finding(missing=missing, events=(EVENT,)), ABOUT, who)
    assert way.says.startswith(says) and way.links[0][0] == "Correct a time"


def test_what_nobody_can_tell_is_not_explained_by_a_mere_caution():
    """No stop is in doubt, so it cannot be told because no rule names the assay; the caution is another
    matter."""
    caution = finding(sentence="Warm for an hour.", severity="caution")
    doubt = Verdict(Assay("ISO", "Isotopes"), "cannot_tell", (caution,))
    assert words.decided(doubt, Veil(True, "UTC")) == words.UNNAMED
    stop = finding(sentence="It was not graded.", severity="stop")
    told = Verdict(Assay("ISO", "Isotopes"), "cannot_tell", (stop, caution))
    assert words.decided(told, Veil(True, "UTC")) == "It was not graded."


def test_what_only_waits_is_not_missing():
    assert words.ways(finding(by_ms=5), ABOUT, Person(role=Role.CURATOR)) == []


def test_a_name_that_nobody_knows_still_has_a_sentence():
    assert words.ways(finding(missing=["moonlight"]), ABOUT, Person(role=Role.CURATOR)) == [
        words.Way(words.OTHER)
    ]


# --- who reads what -------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_catalogue_reads_durations_and_no_moments(store):
    veil = Veil(False, "Europe/Oslo")
    spin = finding("fail", "Spun 2 h 20 min after draw, at 11:40 on 3 May 2026; limit 2 h.", kind="interval",
                   from_act="drawn", to_act="spun", limit_s=7200)  # fmt: skip
    said = words.said(spin, veil)
    assert "2 h 20 min" in said and "11:40" not in said and "May" not in said
    assert words.said(spin, Veil(True, "Europe/Oslo")) == spin.sentence


@pytest.mark.django_db
@pytest.mark.parametrize("answer", ["pass", "fail", "cannot_tell"])
@pytest.mark.parametrize("kind", ["custody", "permit"])
def test_custody_and_permits_are_general_words_for_the_catalogue(store, kind, answer):
    secret = "Held by Tarn Field Laboratory, no unit named; permit SKV-12."
    more = {"permit_for": "take"} if kind == "permit" else {}
    one = finding(answer, secret, kind=kind, fact=secret, limit=secret, **more)
    veil = Veil(False, "UTC")
    assert words.said(one, veil) and not {"Tarn", "SKV-12"} & set(
        words.said(one, veil).replace(",", "").split()
    )
    assert (words.fact(one, veil), words.limit(one, veil)) == ("", "")


@pytest.mark.django_db
def test_what_people_typed_is_looked_through_for_names(store):
    one = finding("fail", "Kept in: tube of Box 1; asked for: glass.", kind="container",
                  container_has="glass",
                  fact="tube of Box 1")  # fmt: skip
    veil = Veil(False, "UTC")
    assert "Box 1" not in words.said(one, veil) + words.fact(one, veil)


def test_a_limit_is_not_called_limit_twice():
    one = finding("fail", limit="limit 2 h")
    assert words.limit(one, Veil(True, "UTC")) == "2 h"


# --- how much is known ----------------------------------------------------------------------------------


def test_the_whole_life_is_the_sum_of_its_phases():
    """By hand: 60 + 100 ms; of these 30 + 50 measured, 10 assumed, 20 + 50 without data."""
    phases = (PhaseSummary("ambient", 0, 60, 30, 10, 20), PhaseSummary("frozen", 60, 160, 50, 0, 50))
    one = words.life(Facts("K7R2M103X", 160, phases=phases))
    assert (one.end_ms, one.measured_ms, one.assumed_ms, one.no_data_ms) == (160, 80, 10, 70)
    assert [(share.name, share.percent) for share in shares(one)] == [
        ("measured", "50 %"), ("assumed", "6.2 %"), ("none", "43.7 %"),
    ]  # fmt: skip


def test_a_tube_of_which_nothing_is_known_has_no_bar():
    assert shares(words.life(Facts("K7R2M103X", 160))) == []


def test_the_tally_goes_from_unfit_to_fit_and_leaves_out_what_there_is_none_of():
    assert words.tally(["fit", "not_fit", "fit"]) == [("not_fit", 1), ("fit", 2)]


def test_a_family_itself_stands_with_its_members():
    family, member, alone = Assay("F"), Assay("M", family="F"), Assay("A")
    found = by_family([Verdict(one, "fit") for one in (member, alone, family)])
    assert {code: [one.assay.code for one in some] for code, some in found.items()} == {
        "F": ["M", "F"],
        "A": ["A"],
    }
