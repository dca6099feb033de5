"""Our papers of custody beside what outside rules ask of such a paper, found by text extraction (PDFium).

Sources, as read:
EPA    the minimum of a custody form as a laboratory's quality plan lists it (lfweb.sjgov.org, documents
       560087 p. 47 and 573926 p. 384): sample number; collector's signature; date, time and place of
       collection; sample type; signatures and inclusive dates of each holder; on the laboratory's side who
       received, laboratory number, date and time received, analyses, condition and temperature
LAB    what laboratories' forms ask beside it (analyticagroup.com, phaseonline.com): number of containers,
       preservative, matrix, comments and waybill, a clock of 24 hours
SEAL   a seal shows sample number, collector, date and time (lfweb.sjgov.org, document 573926)
WADA   International Standard for Laboratories 6.2.1.2 and 6.2.1.3, as read in a copy (1library.co): at
       receipt record irregularities of the container, and at least date, time, name and signature of who
       received
CUSTODY  US EPA Region V, Manual of Custody and Non-Custody Sample Handling Procedures, 1978, 905R78115
         (nepis.epa.gov): when a sample is in custody
"""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from biobank.acting import perform
from biobank.core import codes
from biobank.handoffs import actions, lid, manifest, paper, receiving
from biobank.models import Unit
from custody.core.event import new_id
from tests import people as builders
from tests.biobank import parcels
from tests.biobank.parcels import SECRETS, correct, look, text

TAKEN = parcels.SENT + timedelta(hours=20)
ASKED = [  # source, what it asks, how our paper says it
    ("EPA", "sample number", "Sample number"),
    ("EPA", "sample number, as such", "K7R2M-001-"),
    ("EPA", "collector", "Collector, signature"),
    ("EPA", "collector, by name", "Curator, NLB by own login, event"),
    ("EPA", "date and time of collection", "Date and time of collection"),
    ("EPA", "date and time of collection, as such", "3 May 2026 12:00"),
    ("EPA", "place of collection", "Place of collection kept by the programme and not printed"),
    ("EPA", "sample type", "Sample type (matrix)"),
    ("EPA", "sample type, as such", "serum"),
    ("EPA", "signature of who relinquished", "Relinquished by Curator (P3), Northlight Biobank"),
    ("EPA", "its date and time", "Date and time 3 May 2026 14:00"),
    ("EPA", "signature of who received", "Received by Lab (P2), Tarn Field Laboratory"),
    ("EPA", "inclusive dates of each holder", "Who held them, from when to when"),
    ("EPA", "inclusive dates of the first", "3 May 2026 12:00 UTC+02:00 4 May 2026 10:00 UTC+02:00"),
    ("EPA", "inclusive dates of the second", "4 May 2026 10:00 UTC+02:00 now"),
    ("EPA", "laboratory number", "Laboratory number"),
    ("EPA", "laboratory number, as such", "T-77 (TFL)"),
    ("EPA", "date and time received", "Date and time received 4 May 2026 10:00"),
    ("EPA", "analyses", "Analyses none"),
    ("EPA", "condition", "Condition 3 ok; 1 damaged, broken"),
    ("EPA", "temperature at the laboratory", "Temperature −75.2 °C by probe"),
    ("EPA", "temperature on the way", "Temperature −78.1 °C"),
    ("LAB", "number of containers", "Number of containers 4"),
    ("LAB", "preservative", "Preservative, container"),
    ("LAB", "comments", "Comments"),
    ("LAB", "comments, as such", "keep flat"),
    ("LAB", "carrier and waybill", "Fjordbud; waybill FB 555 0199 2; logger LG-07"),
    ("LAB", "a clock of 24 hours", "Times are on the 24-hour clock"),
    ("SEAL", "number and collector", "NLB-0091, closed by Curator (P3), NLB"),
    ("SEAL", "date and time", "(P3), NLB, 3 May 2026 14:00"),
    ("WADA", "date and time of receipt", "Date and time received 4 May 2026 10:00 UTC+02:00 (Europe/Oslo)"),
    ("WADA", "name of receiver", "Received by Lab (P2)"),
    ("WADA", "signature of receiver", "Signature by own login, event"),
    ("WADA", "irregularities of the container", "Container irregularities the seal was not intact"),
    ("WADA", "number on the seal is not that on the form", "seal read as NLB-0019, sent as NLB-0091"),
    ("CUSTODY", "in possession", "In custody is what is in somebody's possession"),
    ("CUSTODY", "in view", "in view of that person"),
    ("CUSTODY", "locked up", "locked up by the holder"),
    ("CUSTODY", "secured area", "in a secured area with restricted access"),
    ("CUSTODY", "seal", "under a custody seal that opening breaks"),
]  # fmt: skip


def receive(people, one, **more):
    tubes = one.tubes
    said = {
        "counted": len(tubes), "seal_intact": False, "seal": "NLB-0019", "centi_c": -7_520, "at": TAKEN,
        "own": {tubes[0]: "T-77"}, "conditions": {tubes[3]: "broken"},
    } | more  # fmt: skip
    results = dict.fromkeys(tubes, "ok") | {tubes[3]: "damaged"}
    return receiving.receive(people.actor("labtech"), new_id(), one.said.id, results, **said)


@pytest.fixture
def parcel(store):
    one = parcels.sent(store, 4, loose=4)
    receive(store, one)
    return look(one.said.id)


def lacks(said: str, asked) -> list[str]:
    return [f"{source}: {what}" for source, what, ours in asked if ours not in said]


def test_the_paper_of_a_handoff_has_every_field_that_is_asked(parcel):
    assert lacks(text(paper.handoff_pdf(parcel)), ASKED) == []


def test_the_check_finds_a_field_that_is_missing(parcel):
    """The check above can fail: on a paper of something else, and row by row."""
    said = text(paper.handoff_pdf(parcel))
    assert len(lacks(text(lid.lid_pdf(parcel)), ASKED)) > len(ASKED) / 2
    for source, what, ours in ASKED:
        assert f"{source}: {what}" in lacks(said.replace(ours, ""), ASKED)


def test_the_paper_of_one_tube_has_them_too(parcel):
    """In the words that are about one tube; the time on the way is a line of its own there."""
    other = {
        "Condition 3 ok; 1 damaged, broken": "Condition 1 ok",
        "Number of containers 4": "Number of containers 1",
        "3 May 2026 12:00 UTC+02:00 4 May 2026 10:00 UTC+02:00":
            "3 May 2026 12:00 UTC+02:00 3 May 2026 14:00 UTC+02:00 in somebody's possession",
    }  # fmt: skip
    asked = [(source, what, other.get(ours, ours)) for source, what, ours in ASKED]
    assert lacks(text(paper.tube_pdf(parcel.tubes[0])), asked) == []
    broken = text(paper.tube_pdf(parcel.tubes[3]))
    assert "Condition 1 damaged, broken" in broken and "damaged, broken: K7R2M-004" in broken


def test_the_paper_of_a_box_has_them_too(store, parcel):
    box = Unit.objects.get(code="NLB-B001")
    places = [{"unit": box.code, "row": 1, "col": n} for n in range(1, 5)]
    lines = [{"t": tube, "role": "subj"} | place for tube, place in zip(parcel.tubes, places, strict=True)]
    at = TAKEN + timedelta(hours=1)
    perform(store.actor("labtech"), "put_away", key=new_id(), at=at, lines=lines)
    said = text(paper.box_pdf(box))
    assert lacks(said, ASKED) == []
    assert "Tubes in it now 4" in said and "Put away" in said


def test_forty_samples_and_more_are_listed_on_leaves_with_the_same_fields(store):
    one = parcels.sent(store, 60)
    receive(store, one)
    said = text(paper.handoff_pdf(look(one.said.id)))
    other = {
        "Condition 3 ok; 1 damaged, broken": "Condition 59 ok; 1 damaged, broken",
        "Number of containers 4": "Number of containers 60",
        "Curator, NLB by own login, event": "Curator, NLB",  # beside each other on their leaf
        "Preservative, container": "Sample type (matrix), preservative",
    }
    assert lacks(said, [(source, what, other.get(ours, ours)) for source, what, ours in ASKED]) == []
    assert all(said.count(codes.show(tube)) >= 1 for tube in one.tubes)
    assert "Condition received: damaged, broken." in said


# --- what is not there gets a word ----------------------------------------------------------------


@pytest.fixture
def htmls(monkeypatch) -> list[str]:
    """The HTML of every paper that is made."""
    found: list[str] = []
    for room in (paper, manifest):
        real = room.laid
        monkeypatch.setattr(room, "laid", lambda *said, _real=real: found.append(_real(*said)) or found[-1])
    return found


def test_where_a_thing_is_lacking_the_paper_says_none_and_never_nothing(store, htmls):
    one = parcels.bare(store)
    said = text(paper.handoff_pdf(one))
    for words in (
        "Seal none: the container was not sealed", "Carrier, waybill, logger none", "Comments none",
        "Reason not said", "Temperature not measured", "Received by nobody yet", "not received yet",
        "none given", "Analyses none",
    ):  # fmt: skip
        assert words in said, words
    listed = text(manifest.manifest_pdf(one))
    for words in (
        "Seals none: the container was not sealed", "Carrier none", "Waybill none", "Logger numbers none",
        "Dry ice none", "Hazard not said", "Analyses none", "Shipment number none", "Remarks none",
        "no time agreed", "Address: not given", "Temperature inside not measured", "no plan says",
        "in no box of ours 3",
    ):  # fmt: skip
        assert words in listed, words
    sheet = text(lid.lid_pdf(one))
    assert "Seal none" in sheet and "Logger none" in sheet and "Contact there not given" in sheet
    assert len(htmls) == 3
    for html in htmls:
        assert re.findall(r"<dd>\s*</dd>|<td[^>]*>\s*</td>(?!<td class=\"num\"><b>)", html) == []
        assert "None" not in re.sub(r"<style.*?</style>|<svg.*?</svg>", "", html, flags=re.S)


def test_an_empty_box_has_a_paper_that_says_so(store):
    assert "No tube is in it" in text(paper.box_pdf(Unit.objects.get(code="NLB-B001")))


# --- amendments -----------------------------------------------------------------------------------


def test_an_amendment_is_struck_out_and_not_erased(store, parcel, htmls):
    correct(store, parcel.said.id, data={"seal": "NLB-0099"})
    said = text(paper.handoff_pdf(look(parcel.said.id)))
    assert "NLB-0091" in said and "NLB-0099, closed by" in said and "Event corrected" in said
    assert htmls[-1].count('<span class="gone">NLB-0091</span> NLB-0099') == 2  # in the form and in the acts
    assert "line-through" in htmls[-1]


def test_a_voided_handoff_is_struck_out_on_the_paper_of_its_tube(store, htmls):
    one = parcels.bare(store)
    void = {"of": one.said.id, "reason": "did_not_occur"}
    perform(store.actor("curator"), "voided", key=new_id(), at=TAKEN, data=void)
    said = text(paper.tube_pdf(one.tubes[0]))
    assert "Voided: it does not count" in said and "Event voided" in said
    assert f'<h3 class="gone">Handed off: 1 container, event {one.said.seq}' in htmls[-1]
    assert "VOIDED" in text(manifest.manifest_pdf(look(one.said.id)))


# --- what may not travel --------------------------------------------------------------------------


def test_no_paper_names_a_site_an_animal_or_a_coordinate(store):
    parcels.parties()
    tube_set = builders.drawn_set(store, animal=store.animal)
    tubes = sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))
    done = actions.hand_off(
        store.actor("fieldtech"), new_id(), tubes, "TFL", how="hand", at=parcels.SENT, note=parcels.NOTE
    )
    one = look(done.id)
    papers = [manifest.manifest_pdf(one), lid.lid_pdf(one)]
    receiving.receive(
        store.actor("labtech"), new_id(), one.said.id, dict.fromkeys(tubes, "ok"), counted=len(tubes),
        at=TAKEN, note="Smells of Gull Skerry, workup " + str(tube_set.workup),
    )  # fmt: skip
    correct(store, one.said.id, data={"note": parcels.NOTE + "!"})
    one = look(done.id)
    store.sss.refresh_from_db()
    papers += [paper.handoff_pdf(one), paper.tube_pdf(tubes[0]), manifest.manifest_pdf(one)]
    assert str(tube_set.workup).startswith("GULL")
    for made in papers:
        said = text(made)
        assert [secret for secret in SECRETS if secret.casefold() in said.casefold()] == []
        assert not re.search(r"GULL-\d|Phoca|harbour seal\b", said)
    assert "(left out)" in text(papers[2]) and "keep flat" in text(papers[2])
