"""Plain forms and a scanner that types for another keyboard, small letters, and an Enter too many.

Which key gives what: German and French standard layouts, from memory, as in `biobank.core.acted`; beside it
common practice, no source.
"""

from __future__ import annotations

import html
import re

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from biobank.core import codes
from biobank.forms import TubeField, TubesField, checked, codes_in
from custody import queries as ledger
from tests.biobank.boxes import more_boxes, stored
from tests.biobank.boxes import tubes as make
from tests.biobank.lab import GEL, RED, lab_set, primary

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"

# what a scanner with US keys types on a computer with these
GERMAN = str.maketrans("YZ-yz", "ZYßzy")
FRENCH = str.maketrans("1234567890-QAWZMqawzm", "&é\"'(-è_çà)AQZW?aqzw,")
WITH_Y = codes.show(codes.make("YM7Y2", 103))
PLAIN = WITH_Y.replace("-", "")


@pytest.fixture
def curator(store, sign_in):
    return sign_in("curator")


def send(client, address, **said):
    key = re.search(r'name="key" value="([0-9a-f-]{36})"', client.get(address).content.decode())[1]
    return client.post(address, {"key": key} | said)


def refusals(answer) -> set[str]:
    return set(re.findall(r'class="reason">(\w+)<', answer.content.decode()))


@pytest.mark.parametrize(
    "typed",
    [
        WITH_Y, WITH_Y.lower(), PLAIN, PLAIN.lower(), WITH_Y.translate(GERMAN),
        WITH_Y.lower().translate(GERMAN), PLAIN.translate(GERMAN), WITH_Y.translate(FRENCH),
    ],
)  # fmt: skip
def test_a_code_is_understood_as_any_of_these_keyboards_types_it(typed):
    assert checked(typed) == PLAIN
    assert TubeField().clean(typed) == PLAIN
    assert TubesField().clean(f"\n{typed}\n\n") == [PLAIN]


def test_a_comma_is_between_two_codes_or_the_m_of_a_french_keyboard():
    other = codes.make("K7R2M", 4)
    assert codes_in(f"{PLAIN}, {other},\n") == [PLAIN, other]
    assert codes_in(WITH_Y.lower().translate(FRENCH)) == [PLAIN]
    assert "," in WITH_Y.lower().translate(FRENCH)


@pytest.mark.parametrize(
    "typed, code",
    [
        (PLAIN[:-1] + ("A" if PLAIN[-1] != "A" else "B"), "code_check_digit"),
        ("K7R2Mß103ßQ", "scanner_layout"),
        ("K7R2M-000-" + codes.set_label("K7R2M")[-1], "set_where_tube"),
        ("NLB-B001", "code_malformed"),
    ],
)
def test_what_cannot_be_understood_is_said_with_its_own_code(typed, code):
    with pytest.raises(ValidationError) as no:
        checked(typed)
    assert no.value.code == code


# pages --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("keys", [GERMAN, FRENCH, {}])
def test_put_away_by_a_scanner_for_another_keyboard(store, sign_in, keys):
    red = primary(lab_set(store), RED)
    answer = send(
        sign_in("labtech"), reverse("put_away"), tubes=codes.show(red).translate(keys) + "\n\n",
        unit="nlb-b001".translate(keys), why="no other box",
    )  # fmt: skip
    assert answer.status_code == 302, refusals(answer)
    assert (ledger.state(red).unit, answer.url) == (BOX, f"{reverse('unit', args=[BOX])}?tube={red}")


@pytest.mark.parametrize("keys", [GERMAN, FRENCH, {}])
def test_carry_by_a_scanner_for_another_keyboard(store, curator, keys):
    box = more_boxes(store, 1)[0].code
    answer = send(curator, reverse("carry"), unit=box.lower().translate(keys), to="nlb-s1".translate(keys))
    assert answer.status_code == 302, refusals(answer)
    assert answer.url == f"{reverse('carry')}?to=NLB-S1" and ledger.units()[box] == "NLB-S1"


def test_a_unit_that_cannot_be_meant_is_said_to_be_another_keyboard_layout(store, curator):
    assert refusals(send(curator, reverse("carry"), unit="QQßF1", to="NLB-S1")) == {"scanner_layout"}
    assert refusals(send(curator, reverse("carry"), unit="NLB-F77", to="NLB-S1")) == {"unit_unknown"}


def test_a_tube_where_a_unit_belongs_is_said_to_be_a_tube_on_any_keyboard(store, curator):
    tube = codes.show(stored(store, make(1))[0])
    for typed in (tube, tube.translate(GERMAN)):
        assert refusals(send(curator, reverse("carry"), unit=typed, to="NLB-S1")) == {"tube_where_unit"}


def test_a_tube_and_a_unit_are_found_on_any_keyboard(store, curator):
    tube = stored(store, make(1))[0]
    for keys in (GERMAN, FRENCH):
        found = curator.get(reverse("find"), {"code": codes.show(tube).translate(keys)})
        assert found.status_code == 302 and tube in found.url
        assert curator.get(reverse("find"), {"code": BOX.translate(keys)}).url == reverse("unit", args=[BOX])


def test_the_box_of_a_rack_is_understood_on_any_keyboard(store, curator):
    tube = stored(store, make(1))[0]
    file = _file(f"position,code\nA1,{tube}\n")
    answer = curator.post(reverse("rack"), {"unit": BOX.lower().translate(GERMAN), "file": file})
    assert answer.status_code == 200 and f"Rack for {BOX}" in html.unescape(answer.content.decode())


def _file(text):
    return SimpleUploadedFile("rack.csv", text.encode())


@pytest.mark.parametrize("keys", [GERMAN, FRENCH, {}])
def test_the_box_may_be_scanned_into_the_list_after_the_tubes(store, sign_in, keys):
    """The Enter of a scanner does not leave a field of many lines."""
    red = primary(lab_set(store), RED)
    scans = f"{codes.show(red)}\n\nnlb-b001\n".translate(keys)
    answer = send(sign_in("labtech"), reverse("put_away"), tubes=scans, why="no other box")
    assert answer.status_code == 302 and ledger.state(red).unit == BOX, refusals(answer)


def test_a_box_in_the_list_must_be_the_last_and_the_only_one(store, sign_in):
    client, red = sign_in("labtech"), primary(lab_set(store), RED)
    (other,) = more_boxes(store, 1)
    for said, code in (
        ({"tubes": f"{red}\n{BOX}", "unit": other.code}, "two_places"),
        ({"tubes": f"{BOX}\n{red}", "unit": ""}, "code_malformed"),
        ({"tubes": f"{red}\nNLB-NO-SUCH", "unit": BOX}, "code_malformed"),
    ):
        assert refusals(send(client, reverse("put_away"), **said)) == {code}
    assert send(client, reverse("put_away"), tubes=BOX).status_code == 422
    assert ledger.state(red).status == "held"
    same = send(client, reverse("put_away"), tubes=f"{red}\n{BOX}", unit=BOX.lower(), why="no other box")
    assert same.status_code == 302 and ledger.state(red).unit == BOX


def test_two_enters_are_one_event(store, sign_in):
    client, tubes = sign_in("labtech"), lab_set(store)
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    page = client.get(reverse("put_away")).content.decode()
    key = re.search(r'name="key" value="([0-9a-f-]{36})"', page)[1]
    said = {"key": key, "tubes": f"{red}\n\n{gel}\n\n", "unit": BOX, "why": "no other box"}
    size = ledger.size()
    first, second = client.post(reverse("put_away"), said), client.post(reverse("put_away"), said)
    assert first.url == second.url and ledger.size() == size + 1
    assert [ledger.state(code).unit for code in (red, gel)] == [BOX, BOX]
