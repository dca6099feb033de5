"""The facts about marking that were read in regulations and on pages about them, found on our pages.

49 CFR 173.199 (category B; read at law.lawstack.com and in a plain copy at lfweb.sjgov.org): three layers,
the rigid outer one; what soaks up liquids; 30 mL or 30 g of a preservative. 49 CFR 173.217 (dry ice; read at
law.cornell.edu): the name Dry ice or Carbon dioxide, solid; UN1845; class 9; number of packages; net mass on
the outside; a packaging that lets gas out; the operator of an aircraft is asked. Read second-hand: the square
of UN3373 with 50 mm a side and letters of 6 mm (a university's packaging page), the mark of an exempt animal
specimen (a carrier's text). What nobody read says so on the page: 95 kPa and 1.2 m are from memory.
"""

from __future__ import annotations

import html
import re

import pytest
import time_machine

from biobank.shipping import actions, points
from tests.biobank.shipped import draft, leg, on

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def monday():
    with time_machine.travel(on(0, 8), tick=False):
        yield


def page(client, one, name) -> str:
    answer = client.get(f"/shipments/{one.pk}/{name}/")
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def on_ice(people, **more):
    one = draft(people, **more)
    actions.put_leg(one, None, leg(on(0, 9), on(1, 10), mode="air", coolant_g=4500))
    return one


@pytest.mark.parametrize("name", ["packing", "marks"])
def test_category_b_says_what_173_199_asks(people, sign_in, name):
    text = page(sign_in("labtech"), on_ice(people, hazard="category_b"), name)
    for fact in [
        "UN3373", "Biological substance, Category B", "50 mm or more", "letters of 6 mm or more",
        "rigid outer box", "be punctured or leak into the second", "cushioning", "soak up all of it",
        "30 mL or 30 g", "49 CFR 173.199(a)(1)-(4)", "49 CFR 173.199(b)", "49 CFR 173.199(a)(9)(iii)",
        "telephone of a responsible person", "Consult your shipper and current regulations",
    ]:  # fmt: skip
        assert fact in text, fact


@pytest.mark.parametrize("name", ["packing", "marks"])
def test_dry_ice_says_what_173_217_asks(people, sign_in, name):
    text = page(sign_in("labtech"), on_ice(people), name)
    for fact in [
        "UN1845", "“Dry ice” or “Carbon dioxide, solid”", "class 9", "net mass of the dry ice", "number of "
        "packages", "net quantity", "The gas can leave every layer", "the operator was told",
        "49 CFR 173.217(a)", "(c)(4)",
    ]:  # fmt: skip
        assert fact in text, fact


def test_the_marks_to_print_have_the_net_mass_and_all_three_texts(people, sign_in):
    client = sign_in("labtech")
    text = page(client, on_ice(people, hazard="category_b"), "marks")
    assert "UN3373 Biological substance, Category B" in text
    assert "UN1845 Dry ice net 4.5 kg or “Carbon dioxide, solid”" in text
    exempt = page(client, on_ice(people, hazard="exempt"), "marks")
    assert "Exempt animal specimen" in exempt and "UN3373" not in exempt


def test_what_nobody_read_in_a_source_says_from_memory(people, sign_in):
    text = page(sign_in("labtech"), on_ice(people, hazard="category_b"), "packing")
    assert "95 kPa" in text and "packing instruction 650, from memory" in text
    remembered = {one.code for one in points.POINTS if one.status == points.MEMORY}
    assert remembered == {"b_pressure"}


def test_what_was_read_in_the_regulation_names_its_paragraph():
    for one in points.POINTS:
        if one.status == points.READ:
            assert re.fullmatch(r"49 CFR 173\.(199|217)\([a-c]\).*", one.source), one.code


def test_hazards_of_dry_ice_and_nitrogen_stand_on_the_shipment(people, sign_in):
    client, one = sign_in("labtech"), on_ice(people)
    text = client.get(f"/shipments/{one.pk}/").content.decode()
    assert "bursts sealed boxes" in text and "19.5 %" not in text
    actions.put_leg(one, None, leg(on(1, 11), on(2, 10), coolant="dry_shipper", ice_form=""))
    text = client.get(f"/shipments/{one.pk}/").content.decode()
    assert "about 700 of gas" in text and "19.5 %" in text and "Three litres" in text
