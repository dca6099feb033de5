"""A tube's passport: every section against what was said to the ledger; nothing in it that may not leave the
house.

Outside readers: PDFium for the text and the pages, zxing-cpp for the symbols.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pypdfium2
import pytest
import zxingcpp
from django.db import connection
from django.test.utils import CaptureQueriesContext

from biobank.acting import ms, perform
from biobank.checks import passport_paper
from biobank.checks.passport import FROM_MEMORY, MOST, READ_IN, Passport, passport, passports
from biobank.checks.passport_custody import joined
from biobank.checks.passport_methods import NOT_RECORDED
from biobank.checks.passport_thermal import concerning, thermals
from biobank.checks.passport_tree import Kin, tree
from biobank.checks.passport_veil import OUT, Veil
from biobank.checks.passport_words import Told
from biobank.core import codes
from biobank.models import Assay, Role, Rule, RuleSet, Site, Tube, Unit
from biobank.templatetags.words import tube_code
from custody import checkpoints, keys
from custody.core import note
from custody.core.event import new_id
from custody.core.gaps import Hold
from custody.core.refusal import Refused
from tests import people as builders

GEL, SWAB = 3, 6  # numbers in builders.TUBES
NOW = builders.moment(9, 20) + timedelta(days=3)
REASON = "Freezer 1 stood open at 09:20, 59.12345, 10.54321, near Gull Skerry; the titre is robust"


@dataclass
class World:
    """A gel tube drawn at 09:20 of a known seal, and an aliquot of its serum in Northlight's box."""

    people: builders.People
    blood: str
    serum: str
    kin: str

    def say(
        self, kind, after, tubes=(), *, who="fieldtech", lines=None, line=None, strict=True, **data
    ) -> str:
        lines = lines or [{"t": code, "role": "subj"} | (line or {}) for code in tubes]
        at, key = builders.DRAWN + timedelta(minutes=after), new_id()
        perform(self.people.actor(who), kind, key=key, at=at, data=data, lines=lines, strict=strict)
        return key

    def paper(self, code="", role="curator", assay=None) -> Passport:
        return passport(self.tube(code or self.serum), ms(NOW), self.people.person(role), assay)

    def tube(self, code: str) -> Tube:
        return Tube.objects.get(code=code)


@pytest.fixture
def law(db):
    """Two assays that take serum; one rule that the tube passes, one that it fails, one that nobody can
    answer.
    """
    rules = RuleSet.objects.create(
        code="TEST", version=3, status=RuleSet.Status.IN_FORCE, valid_from=date(2026, 1, 1)
    )
    sero, pcb = (
        Assay.objects.create(code=code, name=name) for code, name in [("SERO", "Serology"), ("PCB", "PCBs")]
    )
    for one in (sero, pcb):
        one.takes.create(matrix="SER", additive="")
    shared = {"rule_set": rules, "severity": "stop", "evidence": "human", "read": "abstract"}
    Rule.objects.create(
        **shared,
        code="spun-hard",
        kind="spin",
        min_g=1000,
        min_minutes=10,
        source="A. Author 2001",
        assay=sero,
    )
    Rule.objects.create(
        **shared, code="spun-soon", kind="interval", from_act="drawn", to_act="spun", limit_s=1800,
        source="B. Author 2002, table 4", assay=sero,
    )  # fmt: skip
    Rule.objects.create(
        **shared, code="in-glass", kind="container", container_has="glass", source="C 2003", assay=pcb
    )
    return rules


@pytest.fixture
def world(store, law) -> World:
    Site.objects.update(name="Gull Skerry", code="GULL")
    tube_set = builders.drawn_set(store, animal=store.animal)
    blood = codes.make(tube_set.code, GEL)
    serum, kin = tube_set.tubes.filter(parent_hint=blood).values_list("code", flat=True)
    made = World(store, blood, serum, kin)
    made.say("spun", 45, [blood], g=2000, minutes=10)
    lines = [{"t": blood, "role": "from", "ul": 2000}]
    lines += [{"t": code, "role": "to", "of": blood, "ul": 1000, "matrix": "SER"} for code in (serum, kin)]
    made.say("aliquoted", 70, lines=lines)
    made.say("graded", 71, [serum], line={"haemolysis": 1})
    made.say("put_away", 90, [serum], line={"unit": "NLB-B001", "row": 1, "col": 1})
    return made


def printed(*papers: Passport, cover=False) -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(passport_paper.pdf(papers, "Europe/Oslo", cover))


def text(document: pypdfium2.PdfDocument) -> str:
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_range() for page in document))


def symbols(document: pypdfium2.PdfDocument) -> list[str]:
    images = [page.render(scale=200 / 72, grayscale=True).to_pil() for page in document]
    return [found.text for image in images for found in zxingcpp.read_barcodes(image)]


# --- sections --------------------------------------------------------------------------------------


def test_identity_says_what_it_is_and_of_what(world):
    said = dict(world.paper().identity)
    assert said["Content"] == "serum" and said["Blood drawn with"] == "clot activator and gel"
    assert (said["Species"], said["Species group"], said["Sex"]) == ("Phoca vitulina", "Mammal", "Female")
    assert (said["Animal"], said["Drawn"], said["Volume left"]) == ("A-0001", "3 May 2026", "1 mL")
    assert said["Programme"] == "Skarvik Bay harbour seals"


def test_lineage_is_drawn_from_the_blood_down_with_its_siblings(world):
    paper = world.paper()
    assert [one.code for one in paper.line] == [world.blood, world.serum]
    assert (paper.siblings, paper.children, world.paper(world.blood).children) == (1, 0, 2)
    assert {tube_code(world.blood), "1 sibling"} <= set(
        re.findall(r"[\w-]{11}|1 sibling", text(printed(paper)))
    )


def test_custody_runs_from_the_needle_to_now(world):
    held = world.paper().custody.held
    assert "Skarvik Seal Survey had it in somebody's possession, for 1 h 10 min." in [
        one.sentence for one in held
    ]
    assert held[0].tube == world.blood and held[-1].sentence.endswith("so far.") and not held[-1].tube
    assert sum(one.length_ms for one in held) == ms(NOW) - ms(builders.DRAWN)


def test_a_gap_is_named_in_a_sentence_with_agencies_and_without_a_time(world):
    world.say("graded", 200, [world.serum], who="labtech", line={"haemolysis": 1}, strict=False)
    [gap] = [one for one in world.paper().custody.open if one.words.startswith("Custody passed")]
    assert gap.sentence == (
        "Graded by Tarn Field Laboratory on 03 May 2026, while Skarvik Seal Survey answered for the tube: "
        "no handoff to Tarn Field Laboratory is written down."
    )
    assert gap.sentence in text(printed(world.paper()))


def test_findings_have_fact_limit_source_evidence_and_the_rule_set(world):
    fit = world.paper().fitness
    assert {one.assay: (one.word, one.passed) for one in fit.rows} == {
        "SERO": ("not_fit", 1),
        "PCB": ("not_fit", 0),
    }
    one = next(told for told in fit.told if told.code == "spun-soon")
    assert (one.fact, one.limit, one.source) == ("45 min", "30 min", "B. Author 2002, table 4")
    assert (one.evidence, one.assays, one.answer) == ("human", ("Serology",), "fails")
    assert [(one.code, one.fact) for one in fit.passed] == [("spun-hard", "2000 × g for 10 min")]
    said = text(printed(world.paper()))
    for words in ("TEST version 3", "B. Author 2002, table 4", "Evidence: human", "spun-hard", "not fit"):
        assert words in said


def test_assays_alike_stand_in_one_line_and_rules_that_say_the_same_are_one_finding(world, law):
    kidney, liver = (
        Assay.objects.create(code=code, name=name) for code, name in [("UREA", "Urea"), ("ALT", "ALT")]
    )
    for one in (kidney, liver):
        one.takes.create(matrix="SER", additive="")
        Rule.objects.create(
            rule_set=law, severity="caution", evidence="human", read="abstract", code=f"{one.code}-soon",
            kind="interval", from_act="drawn", to_act="spun", limit_s=600, source="D 2004", assay=one,
        )  # fmt: skip
    fit = world.paper().fitness
    told = next(one for one in fit.told if one.source == "D 2004")
    assert set(told.code.split(", ")) == {"ALT-soon", "UREA-soon"} and told.about == "ALT, Urea"
    alike = next(one for one in fit.alike if told.number in one.first.against)
    assert alike.names == "ALT · Urea" and alike.first.word == "caution"
    assert [len(one.rows) for one in fit.alike] == [1, 1, 2], "what differs in word or finding stands apart"
    assert "ALT · Urea" in text(printed(world.paper()))


def test_a_finding_about_nearly_all_names_the_others():
    every = ("A", "B", "C", "D", "E")
    few = Told(1, "x", "fails", "stop", "", "", "", "", "", "", "", "", every[:4], every[4:])
    assert few.about == "every assay here but E"
    assert replace(few, assays=()).about == "every assay here" and replace(few, but=()).about == "A, B, C, D"


def test_what_passed_stands_by_what_was_asked(world):
    [good] = world.paper().fitness.good
    assert (good.words, good.facts) == (
        "Spin", (("2000 × g for 10 min", (("at least 1000 × g for 10 min", ("spun-hard",)),)),),
    )  # fmt: skip


def test_only_limits_that_concern_the_tube_are_told_and_those_alike_in_one(world, law):
    heat = thermals([world.serum], ms(NOW), draws=False)[world.serum]
    whole = replace(
        heat.whole, above={-15000: 900, -6000: 40, -2000: 40, 0: 0, 800: 0},
        below={-15000: 0, -6000: 860, -2000: 860, 0: 900, 800: 900},
        longest_above={-15000: 900, -6000: 40, -2000: 40, 0: 0, 800: 0},
    )  # fmt: skip
    heat = replace(heat, whole=whole, limits=(-15000, -6000, -2000, 0, 800))
    said = concerning(heat, set(), "draw")
    assert [one.words for one in said.told] == ["−60 °C and −20 °C"] and said.never == 0
    asked = concerning(heat, {-15000}, "draw")
    assert [one.words for one in asked.told] == ["−150 °C", "−60 °C and −20 °C"]


def test_only_blood_is_drawn(world):
    swab = world.tube(codes.make(world.tube(world.serum).tube_set.code, SWAB))
    assert swab.matrix == "SWB"
    paper = world.paper(swab.code)
    assert (paper.since, dict(paper.identity)["Collected"], paper.line[0].how) == (
        "collection", "3 May 2026", "collected",
    )  # fmt: skip
    assert "drawn into" not in paper.methods.paragraph and "after the draw" not in paper.methods.paragraph


def test_places_of_one_holder_are_one_stretch(world):
    a = Hold("T", "NLB", "unit", "in NLB-B001", 0, 10)
    b, other = (
        replace(a, where="in NLB-B002", start_ms=10, end_ms=30),
        replace(a, org="TFL", start_ms=30, end_ms=40),
    )
    assert [(one.start_ms, one.end_ms) for one in joined([a, b, other])] == [(0, 30), (30, 40)]
    apart = replace(b, start_ms=11)
    assert joined([a, apart]) == [a, apart], "a stretch that nobody answers for stays open"


def test_where_a_letter_was_read_is_said_in_words(world):
    assert {row[3] for row in world.paper().letters.rows} <= {*READ_IN.values(), FROM_MEMORY}
    assert "Letter read in" in (said := text(printed(world.paper()))) and READ_IN["original"] in said


def test_the_proof_is_at_an_address_with_its_host_when_that_is_known(world, settings):
    assert f"on this biobank's site, at /fit/{world.serum}/proof" in re.sub(
        r"/ ", "/", text(printed(world.paper()))
    )
    settings.SITE_URL = "https://biobank.example"
    assert f"https://biobank.example/fit/{world.serum}/proof" in text(printed(world.paper())).replace(
        "/ ", "/"
    )


def test_one_assay_alone(world):
    paper = world.paper(assay="SERO")
    assert [one.assay for one in paper.fitness.rows] == ["SERO"] and paper.assay == "Serology"
    assert "in-glass" not in text(printed(paper))


def test_an_assay_that_takes_other_tubes_says_so(world):
    assert (
        world.paper(world.blood, assay="SERO").fitness.none == "This assay does not take this kind of tube."
    )


def test_temperature_counts_what_is_assumed_and_what_nobody_knows(world):
    heat = world.paper().thermal
    whole = heat.whole
    assert (whole.measured_ms, whole.no_data_ms) == (0, 90 * 60_000)
    assert whole.assumed_ms == ms(NOW) - ms(builders.DRAWN) - 90 * 60_000
    assert [row.words for row in heat.rows] == [
        "Draw to spin",
        "Spin to aliquot",
        "Aliquot to freezer",
        "Frozen storage",
    ]
    assert "assumed from a set point" in text(printed(world.paper()))


def test_an_override_appears_with_roles_and_its_reason_but_no_name_or_place(world):
    administrator = builders.make_person(world.people.programme, world.people.nlb, Role.ADMINISTRATOR, "P9")
    world.people.persons["administrator"] = administrator
    row = next(one for one in world.paper().fitness.told if one.code == "spun-soon")
    asked = world.say(
        "override_asked", 300, who="curator", lines=[{"t": world.serum, "role": "subj", "fact": row.fact}],
        assay="SERO", rule="spun-soon", rules="TEST version 3", limit="limit 30 min", reason=REASON,
    )  # fmt: skip
    world.say(
        "override_answered", 310, [world.serum], who="administrator", of=asked, granted=True, reason="agreed"
    )
    [said] = world.paper().overrides
    assert said.title == "Override of spun-soon for Serology, under TEST version 3" and said.word == "granted"
    assert "by a curator of Northlight Biobank" in said.sentences[0]
    assert "by an administrator of Northlight Biobank: “agreed”." in said.sentences[1]
    assert "the titre is robust" in said.sentences[0]
    words = text(printed(world.paper()))
    assert "Override of spun-soon" in words
    for hidden in ("Freezer 1", "Gull Skerry", "59.12345", "10.54321", "09:20"):
        assert hidden not in words


def test_a_deviation_appears_until_it_is_closed_and_after(world):
    filed = world.say(
        "deviation_noted", 300, who="labtech", lines=[{"t": world.serum, "role": "subj", "fact": "45 min"}],
        rule="spun-soon", rules="TEST version 3", severity="stop", reason="rotor was out of order",
    )  # fmt: skip
    [one] = world.paper().deviations
    assert one.word == "filed" and "rotor was out of order" in one.sentences[0]
    world.say("deviation_closed", 310, [world.serum], who="curator", of=filed, reason="repaired")
    [one] = world.paper().deviations
    assert one.word == "closed" and "by a curator of Northlight Biobank: “repaired”" in one.sentences[1]


def test_the_methods_paragraph_says_what_is_known_and_names_what_is_not(world):
    made = world.paper().methods
    assert made.paragraph.startswith(
        "Serum of Phoca vitulina; the blood was drawn into a PET tube (clot activator and gel) in 2026 by "
        "the programme Skarvik Bay harbour seals. It was spun 45 min after the draw, at 2000 × g for 10 min. "
        "It was divided 1 h 10 min after the draw. It was put in a freezer 1 h 30 min after the draw."
    )
    said = {one.name: one.said for one in made.elements}
    unknown = {name for name, words in said.items() if words == NOT_RECORDED}
    assert unknown == {
        "Anatomical site of collection", "Disease or health status of the source",
        "Vital state of the source", "Clinical and pathological diagnosis", "Selection of the specimen",
    }  # fmt: skip
    assert said["Composition assessment"] == "haemolysis grade 1 of 4 by eye"
    assert said["Storage temperature"] == "set point of the unit only, not measured"
    assert said["Shipping temperature"] == "not shipped"
    assert "Not recorded: anatomical site of collection, disease" in made.paragraph
    assert NOT_RECORDED in text(printed(world.paper()))


def test_the_methods_paragraph_invents_nothing_for_a_bare_tube(store, law):
    line = {"t": (code := codes.make("K7R2M", 9)), "role": "new", "label": "Tube", "matrix": "SER"}
    perform(store.actor("curator"), "label_printed", key=new_id(), at=builders.PRINTED, data={}, lines=[line])
    tube = Tube.objects.create(code=code, label="Tube", matrix="SER", additive="")
    perform(
        store.actor("curator"),
        "drawn",
        key=new_id(),
        at=builders.DRAWN,
        data={},
        lines=[{"t": code, "role": "subj"}],
    )
    made = passport(tube, ms(NOW), store.person("curator")).methods
    known = {one.name: one.value for one in made.elements if one.value}
    assert set(known) == {"Biospecimen type", "Shipping temperature"}, known
    for word in ("vein", "healthy", "alive", "frozen", "PET", "needle"):
        assert word not in made.paragraph


# --- what may not be said ----------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["curator", "auditor", "collaborator"])
def test_no_place_time_of_day_or_person_is_on_paper_for_anybody(world, role):
    world.say("graded", 200, [world.serum], who="labtech", line={"haemolysis": 1}, strict=False)
    world.say("moved", 210, [world.serum], line={"unit": "NLB-B001", "row": 2, "col": 2})
    words = text(printed(world.paper(role=role)))
    assert tube_code(world.serum) in words
    for unit in Unit.objects.all():
        assert unit.code not in words and unit.name not in words
    workup = world.tube(world.serum).tube_set.workup
    for hidden in ("Gull Skerry", "GULL", workup.code, "999000000000001", "Field tech", "P1"):
        assert not re.search(rf"(?<!\w){re.escape(hidden)}(?!\w)", words), hidden
    made = re.findall(r"\d{1,2}:\d{2}", words.partition("Made ")[0])
    assert made == [], "a time of day before the line that says when the paper was made"


def test_the_catalogue_reads_years_and_no_animal(world):
    paper = world.paper(role="collaborator")
    said = dict(paper.identity)
    assert said["Drawn"] == "2026" and "Animal" not in said and not paper.full
    words = text(printed(paper))
    assert "A-0001" not in words and "May 2026" not in words and "2026-05-03" not in words
    assert "given out by the curator" in words and "/proof" not in words


@pytest.mark.parametrize(
    ("given", "full", "catalogue"),
    [
        ("seen on 3 May 2026 09:12 there", "seen on 3 May 2026 there", "seen on 2026 there"),
        ("at 09:12 sharp", f"at{OUT} sharp", f"at{OUT} sharp"),
        ("2026-05-03T07:20:00Z", "2026-05-03", "2026"),
        ("ratio of 2 h 41 min at −80 °C", "ratio of 2 h 41 min at −80 °C", "ratio of 2 h 41 min at −80 °C"),
        ("59°12′N", OUT, OUT), ("59.1234, 10.5678", OUT, OUT),
    ],
)  # fmt: skip
def test_the_veil_takes_times_and_coordinates_out_of_typed_text(db, given, full, catalogue):
    assert Veil(True, "Europe/Oslo").clean(given) == full
    assert Veil(False, "Europe/Oslo").clean(given) == catalogue


# --- ledger ------------------------------------------------------------------------------------------


def test_the_symbols_are_the_code_and_a_checkpoint_that_covers_the_tube(world):
    paper = world.paper()
    first, second = symbols(printed(paper))
    assert first == paper.code
    signed = note.expanded(second, [keys.secret().public])
    assert signed == checkpoints.newest().note and checkpoints.newest().size > paper.seq


def test_without_a_checkpoint_it_says_so(world, monkeypatch):
    monkeypatch.setattr(checkpoints, "for_paper", lambda seq: None)
    document = printed(world.paper())
    assert "No checkpoint yet." in text(document) and symbols(document) == [world.serum]


def test_the_event_that_is_proven_names_no_place_and_is_not_the_draw(world):
    assert world.paper().proof.kind == "graded"
    assert world.paper(world.blood).proof.kind == "aliquoted"


# --- paper -------------------------------------------------------------------------------------------


def test_every_page_says_which_tube_and_how_many_pages(world):
    document = printed(world.paper())
    for n, page in enumerate(document, 1):
        assert (
            f"{tube_code(world.serum)} · page {n} of {len(document)}" in page.get_textpage().get_text_range()
        )


def test_a_batch_has_a_cover_and_each_passport_its_own_page_numbers(world):
    papers = passports(
        [world.tube(world.serum), world.tube(world.blood)], ms(NOW), world.people.person("curator")
    )
    document = printed(*papers, cover=True)
    assert "2 tubes" in document[0].get_textpage().get_text_range()
    assert [words.count("page 1 of") for words in [text(document)]] == [3]


def test_long_words_stay_on_the_paper(world):
    world.say(
        "deviation_noted", 300, who="labtech", lines=[{"t": world.serum, "role": "subj"}], rule="spun-soon",
        rules="TEST version 3", severity="stop", reason="x" * 400,
    )  # fmt: skip
    for page in printed(world.paper()):
        words = page.get_textpage()
        rights = [words.get_charbox(n)[2] for n in range(words.count_chars())]
        assert max(rights) <= page.get_width() - 40


def test_the_tree_counts_the_generations_that_it_does_not_draw():
    drawn = tree([Kin(f"T{n}", "", "") for n in range(9)], siblings=2, children=1)
    assert [one.code or one.title for one in drawn.nodes] == [
        "T0",
        "5 tubes between",
        "T6",
        "T7",
        "T8",
        "2 siblings",
        "1 tube",
    ]


# --- refused, and how much is asked --------------------------------------------------------------------


def test_a_tube_that_holds_nothing_has_no_passport(store, law):
    empty = builders.printed_set(store).tubes.first()
    with pytest.raises(Refused) as no:
        passport(empty, ms(NOW), store.person("curator"))
    assert (no.value.code, no.value.tube) == ("tube_holds_nothing", empty.code)


def test_an_unknown_assay_and_too_many_tubes_are_refused(world):
    with pytest.raises(Refused) as no:
        world.paper(assay="NOPE")
    assert no.value.code == "assay_unknown"
    with pytest.raises(Refused) as no:
        passports([world.tube(world.serum)] * (MOST + 1), ms(NOW), world.people.person("curator"))
    assert no.value.code == "too_many_tubes"


def test_without_rules_in_force_it_says_that_nothing_can_be_said(world):
    RuleSet.objects.update(status=RuleSet.Status.RETIRED)
    assert world.paper().fitness.none.startswith("No set of rules is in force")
    assert "No set of rules was in force" in text(printed(world.paper()))


def test_queries_do_not_grow_with_the_tubes(world):
    tubes = list(Tube.objects.filter(code__in=[world.serum, world.kin, world.blood]))
    counts = []
    for some in (tubes[:2], tubes):
        with CaptureQueriesContext(connection) as asked:
            passports(some, ms(NOW), world.people.person("curator"))
        counts.append(len(asked))
    assert counts[1] <= counts[0] + 2
