"""The pages of storage beyond single tubes: where is room, whole units, racks, find, maps on paper."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from io import BytesIO

import pypdfium2
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from biobank.acting import perform
from biobank.core import codes
from biobank.models import Unit
from biobank.store import actions, queries
from custody import queries as ledger
from custody.core.event import new_id
from tests.biobank.lab import GEL, HEPARIN, RED, STORED, lab_set, primary
from tests.biobank.test_places import added, made_aliquots

pytestmark = pytest.mark.django_db
BOX = "NLB-B001"
LATER = STORED + timedelta(hours=1)


@pytest.fixture
def tubes(store):
    return lab_set(store)


@pytest.fixture
def lab(store, sign_in):
    return sign_in("labtech")


def key_on(page) -> str:
    return re.search(r'name="key" value="([0-9a-f-]{36})"', page.content.decode())[1]


def send(client, address, **said):
    said.setdefault("key", key_on(client.get(address)))
    return client.post(address, said)


WORKING = {"labtech", "curator"}
SEEING = WORKING | {"fieldtech", "auditor"}


@pytest.mark.parametrize(
    "name, args, roles",
    [
        ("where", [], WORKING),
        ("carry", [], WORKING),
        ("rack", [], WORKING),
        ("find", [], SEEING),
        ("room", [], SEEING),
        ("unit_map", [BOX], SEEING),
    ],
)
def test_a_page_opens_for_those_with_the_right_and_for_nobody_else(store, sign_in, client, name, args, roles):
    address = reverse(name, args=args)
    for role in ("fieldtech", "labtech", "curator", "collaborator", "auditor"):
        assert sign_in(role).get(address).status_code == (200 if role in roles else 403), role
    assert client.get(address).status_code == 302


def stored(store, *some, unit=BOX, slot=""):
    actions.put_away(store.actor("labtech"), new_id(), list(some), unit, slot, at=STORED)


def test_what_can_be_done_stands_in_groups_and_only_what_one_may(store, sign_in):
    """Common practice, no source: who may only look is offered nothing that is refused."""
    doing = ["put_away", "pull", "move", "where", "thaw", "discard", "carry", "rack", "swaps", "empty_tubes"]
    looking = ["out", "counts", "room", "evacuations"]
    for role, shown, hidden in (("curator", doing + looking, []), ("auditor", looking, doing)):
        page = sign_in(role).get(reverse("store")).content.decode()
        groups = re.findall(r'<h2 id="doors-\w+">(.*?)</h2>\s*<ul>(.*?)</ul>', page, re.S)
        assert [name for name, _ in groups][-1] == "Look after" and len(groups) == (3 if not hidden else 1)
        links = re.findall(r'href="(.*?)"', " ".join(links for _, links in groups))
        assert sorted(links) == sorted(reverse(name) for name in shown), role
        assert not {reverse(name) for name in hidden} & set(re.findall(r'href="(.*?)"', page))


# find -------------------------------------------------------------------------------------------


def test_a_scanned_tube_is_shown_in_its_box_and_in_the_tree(store, lab, tubes):
    red = primary(tubes, RED)
    stored(store, red, slot="C4")
    answer = lab.get(reverse("find"), {"code": codes.show(red).lower()})
    assert answer.url == f"{reverse('unit', args=[BOX])}?tube={red}"
    page = lab.get(answer.url).content.decode()
    assert page.count("the tube looked at") == 1 and f"{reverse('store')}?tube={red}" in page
    tree = lab.get(reverse("store"), {"tube": red}).content.decode()
    assert tree.count("the tube is in here") == 4  # freezer, shelf, rack, box


def test_units_and_loose_tubes_are_found_and_nonsense_is_said(store, lab, tubes):
    find = reverse("find")
    assert lab.get(find, {"code": "nlb-r1"}).url == reverse("unit", args=["NLB-R1"])
    assert lab.get(find, {"code": primary(tubes, RED)}).url == reverse("tube", args=[primary(tubes, RED)])
    for text, code in [("red one", b"code_malformed"), (codes.make("Y7777", 1), b"tube_unknown")]:
        answer = lab.get(find, {"code": text})
        assert answer.status_code == 422 and code in answer.content


# where is room ------------------------------------------------------------------------------------


def test_the_suggestion_leads_to_a_filled_in_form(store, lab, tubes):
    stored(store, primary(tubes, GEL))
    page = lab.get(
        reverse("where"), {"tubes": f"{primary(tubes, RED)}\r\n{primary(tubes, 1)}"}
    ).content.decode()
    assert f"{BOX}, from A2 on" in page and "No temperature planned" in page
    link = re.search(r'href="([^"]*put-away/\?unit=[^"]*)"', page)[1].replace("&amp;", "&")
    form = lab.get(link).content.decode()
    assert codes.show(primary(tubes, RED)) in form and 'value="A2"' in form
    assert lab.get(reverse("where"), {"tubes": "red one"}).status_code == 422


def test_a_warmer_box_is_refused_on_the_page_until_a_reason_is_given(store, lab, tubes):
    added(store.actor("curator"), "NLB-F2", "freezer", nominal=-2000)
    added(store.actor("curator"), "NLB-B020", "box", "NLB-F2", rows=9, cols=9)
    said = {"tubes": primary(tubes, RED), "unit": "NLB-B020"}
    answer = send(lab, reverse("put_away"), **said)
    assert answer.status_code == 422 and b"wrong_temperature_class" in answer.content
    assert send(lab, reverse("put_away"), why="defrosting", **said).status_code == 302
    assert b"defrosting" in lab.get(reverse("tube", args=[primary(tubes, RED)])).content


def test_without_a_box_the_next_free_place_of_the_class_is_said(store, lab, tubes):
    answer = send(lab, reverse("put_away"), tubes=codes.show(primary(tubes, RED)).lower())
    assert answer.status_code == 302 and answer.url.startswith(reverse("where"))
    page = lab.get(answer.url).content.decode()
    assert f"{BOX}, from A1 on" in page and "Put away." not in page
    assert ledger.state(primary(tubes, RED)).unit is None
    assert send(lab, reverse("move"), tubes=primary(tubes, RED)).status_code == 422


def test_a_box_that_stands_nowhere_is_said_when_tubes_go_into_it(store, lab, tubes):
    added(store.actor("curator"), "NLB-B070", "box", rows=2, cols=2)
    answer = send(lab, reverse("put_away"), tubes=primary(tubes, RED), unit="nlb-b070")
    page = lab.get(answer.url).content.decode()
    assert "NLB-B070 itself stands in no unit" in page
    answer = send(lab, reverse("put_away"), tubes=primary(tubes, GEL), unit=BOX)
    assert "stands in no unit" not in lab.get(answer.url).content.decode()


def test_siblings_in_one_freezer_are_said_with_a_place_in_another(store, lab, tubes):
    actor, curator = store.actor("labtech"), store.actor("curator")
    vials = made_aliquots(actor, tubes, RED, 2)
    added(curator, "NLB-F3", "freezer", nominal=-8000)
    added(curator, "NLB-B040", "box", "NLB-F3", rows=9, cols=9)
    stored(store, vials[0])
    page = lab.get(reverse("where"), {"tubes": vials[1]}).content.decode()
    assert "other aliquots of the same tube stand in NLB-F1, so another freezer is proposed" in page
    answer = send(lab, reverse("put_away"), tubes=vials[1], unit=BOX)
    page = lab.get(answer.url).content.decode()
    assert f"All siblings of {codes.show(vials[1])} stand in NLB-F1 now" in page
    assert "NLB-B040 in NLB-F3 has room" in page


# whole units --------------------------------------------------------------------------------------


def test_two_scans_move_a_box_and_the_destination_stays(store, lab):
    added(store.actor("curator"), "NLB-R9", "rack")
    answer = send(lab, reverse("carry"), unit="nlb-b001", to="nlb-r9")
    assert answer.url == f"{reverse('carry')}?to=NLB-R9" and ledger.units()[BOX] == "NLB-R9"
    page = lab.get(answer.url).content.decode()
    assert "NLB-R9 itself stands in no unit" in page and 'value="NLB-R9"' in page
    answer = send(lab, reverse("carry"), unit="NLB-S1", to="NLB-R1")
    assert answer.status_code == 422 and b"unit_inside_itself" in answer.content


# racks --------------------------------------------------------------------------------------------


def upload(lab, *pairs, unit=BOX, naming="", content=None):
    text = "\n".join(["Well;Barcode", *(f"{slot};{code}" for slot, code in pairs)]).encode()
    file = SimpleUploadedFile("rack.csv", text if content is None else content)
    return lab.post(reverse("rack"), {"unit": unit, "file": file, "naming": naming})


def hidden(page, name) -> str:
    return html.unescape(re.search(rf'name="{name}" value="([^"]*)"', page)[1])


def test_a_rack_is_looked_at_and_then_put_away(store, lab, tubes):
    red, size = primary(tubes, RED), ledger.size()
    answer = upload(lab, ("B2", red), ("B3", "no read"))
    page = answer.content.decode()
    assert answer.status_code == 200 and ledger.size() == size
    assert "will be put away" in page and "no_read" in page
    assert 'name="partly"' in page and 'name="others"' not in page  # nothing is elsewhere
    said = {"key": key_on(answer), "unit": BOX, "rack": hidden(page, "rack")}
    answer = lab.post(reverse("rack_put"), said)
    assert answer.status_code == 422 and b"rack_incomplete" in answer.content and ledger.size() == size
    for _ in range(2):
        assert lab.post(reverse("rack_put"), said | {"partly": "on"}).status_code == 302
    assert ledger.size() == size + 1 and ledger.box(BOX) == {(2, 2): red}


def test_a_file_that_is_no_rack_is_refused_on_the_page(store, lab):
    for content, code in [(b"", b"file_empty"), (b"colour,size\nred,1", b"rack_columns")]:
        answer = upload(lab, content=content)
        assert answer.status_code == 422 and code in answer.content
    assert b"not_a_box" in upload(lab, ("A1", "x"), unit="NLB-F1").content
    assert lab.post(reverse("rack_put"), {"key": new_id(), "unit": "X", "rack": "junk"}).status_code == 422
    assert lab.get(reverse("rack_put")).url == reverse("rack")


# pictures -----------------------------------------------------------------------------------------


def test_each_cell_says_its_content_age_and_trouble_in_words(store, lab, tubes):
    red, gel = primary(tubes, RED), primary(tubes, GEL)
    stored(store, red, gel)
    actor = store.actor("labtech")
    perform(actor, "reserved", key=new_id(), at=LATER, lines=[{"t": red, "role": "subj"}])
    both = primary(tubes, HEPARIN)
    stored(store, both)
    perform(actor, "reserved", key=new_id(), at=LATER, lines=[{"t": both, "role": "subj"}])
    perform(actor, "discrepancy_noted", key=new_id(), at=LATER, data={"code": "label_torn"},
            lines=[{"t": code, "role": "subj"} for code in (gel, both)])  # fmt: skip
    page = lab.get(reverse("unit", args=[BOX])).content.decode()
    table = page[page.index('<table class="boxmap') : page.index("</table>")]
    said = dict(
        re.findall(r'<span class="unseen">([a-z, ]+), </span>.{,200}?tube ([A-Z0-9-]{11})', table, re.S)
    )
    assert said == {
        "reserved": codes.show(red), "disputed": codes.show(gel), "disputed, reserved": codes.show(both),
    }  # fmt: skip
    assert "whole blood, drawn" in table and table.count("<a href=") == 81  # every slot by keyboard


@pytest.mark.parametrize(
    "naming, first, second, last",
    [("A1", "A1", "A2", "H12"), ("1-81", "1", "2", "96"), ("down", "1", "9", "96"), ("AC", "A1", "B1", "L8")],
)
def test_a_box_shows_its_own_names(store, sign_in, naming, first, second, last):
    Unit.objects.filter(code=BOX).update(rows=8, cols=12, naming=naming)
    page = sign_in("auditor").get(reverse("unit", args=[BOX])).content.decode()
    names = re.findall(r'<span class="slot">([^<]+)</span>', page)
    assert (names[0], names[1], names[-1], len(names)) == (first, second, last, 96)


@pytest.mark.parametrize("rows, cols", [(1, 1), (6, 1), (9, 9), (10, 10), (16, 24)])
def test_a_map_is_one_page_whatever_the_shape(store, lab, tubes, rows, cols):
    Unit.objects.filter(code=BOX).update(rows=rows, cols=cols)
    stored(store, primary(tubes, RED))
    answer = lab.get(reverse("unit_map", args=[BOX]))
    assert answer["Content-Type"] == "application/pdf"
    paper = pypdfium2.PdfDocument(BytesIO(answer.content))
    text = paper[0].get_textpage().get_text_range()
    assert len(paper) == 1 and tubes.code in text and "NLB-F1 / NLB-S1 / NLB-R1" in text
    if rows * cols > 1:
        assert ("P24" in text) == (rows == 16)
    assert lab.get(reverse("unit_map", args=["NLB-F1"])).status_code == 404


def test_empty_places_are_counted_by_class_and_freezer(store, lab, tubes):
    curator = store.actor("curator")
    added(curator, "NLB-F2", "freezer", nominal=-2000)
    added(curator, "NLB-B020", "box", "NLB-F2", rows=2, cols=2)
    stored(store, primary(tubes, RED), primary(tubes, GEL), primary(tubes, HEPARIN))
    page = re.sub(r"<[^>]+>|\s+", " ", lab.get(reverse("room")).content.decode())
    assert re.search(r"−60 to −85 °C\s+NLB-F1\s+78\s+0\s+NLB-B001\s+\(78 free\)\s+0", page)
    assert re.search(r"−18 to −35 °C\s+NLB-F2\s+4\s+0\s+none\s+1", page)


def test_pages_ask_as_often_for_30_as_for_3(store, lab, tubes, django_assert_max_num_queries):
    def asked(address):
        with django_assert_max_num_queries(30) as seen:
            assert lab.get(address).status_code == 200
        return len(seen)

    some = [primary(tubes, number) for number in (RED, GEL, HEPARIN)]
    pages = [reverse("room"), reverse("carry"), reverse("rack"), reverse("unit_map", args=[BOX])]
    pages += [f"{reverse('store')}?tube={some[1]}", f"{reverse('unit', args=[BOX])}?tube={some[1]}"]
    pages += [reverse("unit", args=["NLB-R1"]), f"{reverse('put_away')}?tube={some[0]}"]
    pages.append(f"{reverse('where')}?tubes={some[0]}")
    stored(store, some[1])
    few = [asked(page) for page in pages]
    for n in range(10):
        more = lab_set(store)
        stored(store, *(primary(more, number) for number in (RED, GEL, HEPARIN)))
        added(store.actor("curator"), f"NLB-X{n:03d}", "box", "NLB-R1", rows=9, cols=9)
    many = [asked(page) for page in pages[:-1]]
    rest = "%0A".join(primary(lab_set(store), RED) for _ in range(30))
    many.append(asked(f"{reverse('where')}?tubes={rest}"))
    assert many == few


def test_a_large_store_is_drawn_by_what_holds_its_boxes(store, sign_in, monkeypatch):
    boxes = {"NLB-F1": 1}  # the freezer stands in nothing; its shelf holds a rack, the rack the box
    for many, shown, drawn, counted in [
        (400, 100, {"NLB-F1", "NLB-S1", "NLB-R1", "NLB-B001"}, {}),
        (3, 100, {"NLB-F1", "NLB-S1", "NLB-R1"}, {"NLB-R1": 1}),
        (3, 2, {"NLB-F1", "NLB-S1"}, {"NLB-S1": 1}),
    ]:
        monkeypatch.setattr(queries, "MANY", many)
        monkeypatch.setattr(queries, "SHOWN", shown)
        nodes = [node for top in queries.folded() for node in top.walk()]
        assert {node.unit.code for node in nodes} == drawn
        assert {node.unit.code: node.boxes for node in nodes if node.boxes} == counted
        (top,) = (node for node in nodes if node.unit.code in boxes)
        assert (top.slots, top.tubes) == (81, 0), "what is not drawn counts all the same"
        assert all(code in sign_in("curator").get("/store/").content.decode() for code in drawn)


def test_a_unit_of_a_large_store_draws_what_stands_right_in_it(store, sign_in, monkeypatch):
    monkeypatch.setattr(queries, "MANY", 0)
    freezer = queries.inside(queries.unit_by_code("NLB-F1"))
    assert [node.unit.code for node in freezer.node.walk()] == ["NLB-F1", "NLB-S1", "NLB-R1"]
    assert freezer.node.slots == 81
    rack = queries.inside(queries.unit_by_code("nlb-r1"))
    assert [node.unit.code for node in rack.node.walk()] == ["NLB-R1", "NLB-B001"]
    assert [node.unit.code for node in rack.trail] == ["NLB-F1", "NLB-S1", "NLB-R1"]
