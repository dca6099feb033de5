"""Transfer letters: their numbers, also when several are asked for at once, and what stands on the paper."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import pytest

from biobank.acting import perform
from biobank.handoffs import letters, queries
from biobank.models import Agency, Programme
from custody.core.event import new_id
from tests import people as builders
from tests.biobank.papers import DAY, SEAL, give, permit, primaries
from tests.custody import apart

NOW = datetime(2026, 5, 3, 12, tzinfo=UTC)


def number(people, handoff, now=NOW, programme=None, purpose="Iron", terms="A loan."):
    return letters.number_for(
        handoff, programme or people.programme, people.person("fieldtech"), purpose, terms, now
    )


def ids(n):
    return [str(uuid.UUID(int=n)) for n in range(1, n + 1)]


# --- numbers ---------------------------------------------------------------------------------------


def test_a_handoff_has_one_letter_and_it_stays_as_it_was_made(people):
    first = number(people, ids(1)[0])
    again = number(people, ids(1)[0], purpose="Something else", terms="Other")
    assert (first.pk, first.number) == (again.pk, "SKARVIK-2026-001") and again.purpose == "Iron"


def test_numbers_run_in_their_year_and_programme(people):
    other = Programme.objects.create(code="TARN", name="Tarn otters", tz="UTC")
    found = [number(people, key).number for key in ids(2)]
    assert found == ["SKARVIK-2026-001", "SKARVIK-2026-002"]
    assert number(people, new_id(), programme=other).number == "TARN-2026-001"
    late = datetime(2026, 12, 31, 23, 30, tzinfo=UTC)  # after midnight in Skarvik Bay, before it in UTC
    assert number(people, new_id(), late).number == "SKARVIK-2027-001"
    assert number(people, new_id(), late, other).number == "TARN-2026-002"


@pytest.fixture
def address(tmp_path: Path):
    with apart.database(tmp_path) as found:
        yield found


def test_eight_at_once_give_seven_numbers_because_two_ask_for_one_handoff(address, tmp_path):
    said = apart.run(address, tmp_path, "tests.biobank.letterers")
    assert [words for one in said["hands"] for code, words in [one["said"]] if code == "error"] == []
    assert [n for n, _ in said["letters"]] == list(range(1, 8))
    given = {
        one["handoff"]: str(n) for n, ref in said["letters"] for one in said["hands"] if one["handoff"] == ref
    }
    assert [one["said"][1] for one in said["hands"]] == [given[one["handoff"]] for one in said["hands"]]


def test_a_number_that_was_taken_meanwhile_is_asked_for_again(people, monkeypatch):
    number(people, ids(1)[0])
    asked = []

    def slow(programme, year):
        asked.append(year)
        return 1 if len(asked) < 3 else 2  # somebody else had the first one in the meantime

    monkeypatch.setattr(letters, "_next", slow)
    assert number(people, ids(2)[1]).n == 2 and len(asked) == 3


# --- the paper -------------------------------------------------------------------------------------


def text_of(pdf):
    with pypdfium2.PdfDocument(pdf) as paper:
        return [re.sub(r"\s+", " ", page.get_textpage().get_text_range()) for page in paper]


@pytest.fixture
def parcel(people):
    """Six tubes of A-0001 given to Tarn Field Laboratory."""
    Agency.objects.filter(code="SSS").update(address="Quay 4, Skarvik", contact="Runa Vike, 11 22")
    tubes = primaries(builders.drawn_set(people, animal=people.animal))
    return tubes, give(people, tubes, people.tfl)


def paper(people, ref, terms="A loan, ownership stays, due back by 3 May 2027."):
    one = queries.handoff(ref, 0)
    return text_of(letters.pdf(one, number(people, ref, terms=terms, purpose="Iron in serum"), DAY))


def test_it_says_who_what_under_which_papers_and_on_which_terms(people, parcel):
    permit(people, species=SEAL, conditions="A copy goes with each parcel.", recipients=[people.tfl])
    permit(
        people, allows="receive", number="R-1", agency=people.tfl, parts="BLD", conditions="Report in May."
    )
    permit(people, number="S-NOT", valid_until=DAY.replace(month=2), conditions="Never mind.")
    tubes, ref = parcel
    first, *_, last = pages = paper(people, ref)
    for said in (
        "SKARVIK-2026-001", "3 May 2026", "Skarvik Seal Survey", "Quay 4, Skarvik", "Runa Vike, 11 22",
        "Tarn Field Laboratory", "address not on file", "6 tubes", "Iron in serum",
        "A loan, ownership stays, due back by 3 May 2027.", "S-1", "R-1", "31 Dec 2026", "The office",
        "1 tube: Permit R-1 of TFL does not name swab.",
    ):  # fmt: skip
        assert said in first, said
    whole = " ".join(pages)
    for said in ("A copy goes with each parcel.", "Report in May.", "By signing, the recipient takes"):
        assert said in whole, said
    assert "S-NOT" not in whole and "Never mind." not in whole
    assert "For the giver: name, signature, date" in whole and "For the recipient" in whole
    shown = [f"{tube[:5]}-{tube[5:8]}-{tube[8]}" for tube in tubes]
    assert [code for code in shown if code not in last] == [] and shown[0] not in first
    assert "10 mL" in last and "not measured" in last


def test_what_no_paper_covers_is_said(people, parcel):
    whole = " ".join(paper(people, parcel[1]))
    assert "No permit or agreement on file covers a tube of this letter." in whole
    assert "6 tubes: No permit to send is on file." in whole


def test_no_site_animal_or_identifier_is_on_it(people, parcel):
    permit(people, species=SEAL)
    whole = " ".join(paper(people, parcel[1])).replace(people.programme.name, "")
    secrets = [people.site.name, people.site.code + "-", people.animal.code, "999000000000001", "T001"]
    assert [one for one in secrets if one in whole] == []


def test_its_own_tubes_are_no_use_before_it(people, parcel):
    permit(people, quantity=6, counted="tubes")
    assert "used up" not in " ".join(paper(people, parcel[1]))


def test_the_letter_of_a_void_handoff_says_so(people, parcel):
    data = {"of": parcel[1], "reason": "did_not_occur"}
    perform(people.actor("fieldtech"), "voided", key=new_id(), data=data)
    assert "The handoff of this letter is void" in paper(people, parcel[1])[0]


def test_the_list_runs_over_pages_and_the_head_of_the_table_with_it(people):
    found = [code for _ in range(12) for code in primaries(builders.drawn_set(people))]
    ref = give(people, found, people.tfl)
    pages = paper(people, ref)
    listed = [page for page in pages if "No. Code What" in page]
    assert len(listed) == 2 and "72 tubes" in pages[0]
    assert sum(page.count("-") >= 2 for page in listed) == 2
    assert all(f"of {len(pages)}" in page for page in pages)


def test_one_tube_is_one_tube(people):
    tubes = primaries(builders.drawn_set(people))
    assert "1 tube, given on" in paper(people, give(people, tubes[:1], people.tfl))[0]
