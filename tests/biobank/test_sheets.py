"""Field sheets: read back by an independent reader from the rendered page; and what is typed from them."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from io import BytesIO
from itertools import pairwise

import pypdfium2
import pytest
import zxingcpp
from django.db import DatabaseError, connection, transaction
from PIL import Image

from biobank.core import codes
from biobank.field.drawing import REASONS, Filled, Missed
from biobank.labels.actions import print_sets
from biobank.models import FieldDay, PlannedTube, Role, SamplePlan, SheetPhoto, TubeSet, Workup
from biobank.sheets import actions, queries
from biobank.sheets.actions import Sheet
from biobank.sheets.letters import LETTERS, WORDS
from biobank.sheets.paper import PAPERS, day_pdf, sheet_pdf
from custody import queries as ledger
from custody.core.event import new_id
from custody.core.refusal import Refused
from tests.people import BOUND, DRAWN, PRINTED, bound_set, make_person, moment, printed_set

pytestmark = pytest.mark.django_db
MM = 72 / 25.4
NASTY = "<b>&lt;\u202eyes</b>\x07" + "W" * 20


def planned_set(people, primaries: int, aliquots: int = 0, **more) -> TubeSet:
    """A set of a plan with so many tubes to draw; its first three have the labels for aliquots."""
    code = f"P{primaries}A{aliquots}"
    plan = SamplePlan.objects.create(programme=people.programme, code=code, name="Full health check")
    for n in range(1, primaries + 1):
        said = {
            "label": f"Tube {n}", "matrix": "BLD", "additive": ["EDTK", "F10", "C32"][n % 3],
            "volume_ul": 4000, "priority": 1 + n % 4, "inversions": 8,
        } | more  # fmt: skip
        tube = PlannedTube.objects.create(plan=plan, number=n, order_of_draw=n, **said)
        if n <= 3 and aliquots:
            tube.made.create(count=aliquots // 3 + (aliquots % 3 if n == 1 else 0), matrix="SER", ul=1000)
    return print_sets(people.actor("fieldtech"), new_id(), plan, people.day, 1, at=PRINTED)[0]


def images(pdf: bytes, dpi: int) -> list[Image.Image]:
    """Pages as an office printer without grey would print them."""
    made = pypdfium2.PdfDocument(pdf)
    return [
        made[n].render(scale=dpi / 72).to_pil().convert("L").point(lambda v: 255 * (v > 127))
        for n in range(len(made))
    ]


def symbols(image: Image.Image) -> list[tuple[str, str]]:
    return [(one.format.name, one.text) for one in zxingcpp.read_barcodes(image)]


def texts(pdf: bytes) -> list[str]:
    made = pypdfium2.PdfDocument(pdf)
    return [made[n].get_textpage().get_text_bounded() for n in range(len(made))]


def places(pdf: bytes) -> list[tuple[int, str, float, float, float, float]]:
    """Every letter: page, text, left, top, right, bottom in mm."""
    found = []
    for n, page in enumerate(pypdfium2.PdfDocument(pdf)):
        letters, high = page.get_textpage(), page.get_height()
        for at in range(letters.count_chars()):
            left, bottom, right, top = letters.get_charbox(at)
            box = (left / MM, (high - top) / MM, right / MM, (high - bottom) / MM)
            found.append((n, letters.get_text_range(at, 1), *box))
    return found


# the paper ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dpi", [203, 300])
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(("primaries", "aliquots"), [(8, 0), (99, 11)])
def test_every_symbol_of_a_sheet_is_read_back(people, primaries, aliquots, paper, dpi):
    """Read by zxing-cpp from pages drawn by pdfium: exactly the codes of the set, each once."""
    tube_set = planned_set(people, primaries, aliquots)
    pages = images(sheet_pdf(tube_set, paper), dpi)
    found = [one for image in pages for one in symbols(image)]
    tubes = sorted(text for kind, text in found if kind == "DataMatrix")
    assert tubes == sorted(tube_set.tubes.values_list("code", flat=True))
    bags = {text for kind, text in found if kind == "QRCode"}
    assert bags == {codes.set_label(tube_set.code)}
    assert len(found) - len(tubes) == len(pages) + 1  # each head, and the strip


@pytest.mark.parametrize("paper", PAPERS)
def test_all_rows_stand_in_order_of_draw_with_the_head_on_every_page(people, paper):
    tube_set = planned_set(people, 99, 11)
    said = texts(sheet_pdf(tube_set, paper))
    shown = [codes.show(codes.make(tube_set.code, n)) for n in range(1, 100)]
    whole = "\n".join(said)
    assert [whole.count(code) for code in shown] == [1] * 99
    assert sorted(shown, key=whole.index) == shown
    for n, page in enumerate(said, 1):
        assert f"Page {n} of {len(said)}" in page and tube_set.code in page
    rows = [page for page in said if any(code in page for code in shown)]
    assert len(rows) > 3 and all("What, in order of draw" in page and "Not coll." in page for page in rows)
    assert "Released by" in whole and "Received by" in whole and "tear off here" in whole


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_runs_over_the_paper_and_rows_are_high_enough_for_wet_hands(people, paper):
    """A row of 7 mm, 5 mm of light along the paper's edge: common practice, no source."""
    tube_set = planned_set(people, 40, 0, handling="on ice, upright, in the dark, " * 5, label="W" * 40)
    pdf = sheet_pdf(tube_set, paper)
    width, height = PAPERS[paper].page
    letters = places(pdf)
    assert all(left >= 5 and right <= width - 5 for _, said, left, _, right, _ in letters if said.strip())
    assert all(top >= 5 and bottom <= height - 5 for _, said, _, top, _, bottom in letters if said.strip())
    plain = "".join(one[1] for one in letters)
    starts = [plain.index(codes.show(codes.make(tube_set.code, n))) for n in range(1, 41)]
    tops = [(letters[at][0], letters[at][3]) for at in starts]
    gaps = [b[1] - a[1] for a, b in pairwise(tops) if a[0] == b[0]]
    assert len(gaps) > 30 and min(gaps) >= 7


def test_what_people_typed_is_text_and_nothing_else(people):
    people.plan.name = f"{NASTY}<img src=x>"
    people.plan.save()
    people.plan.tubes.filter(number=1).update(
        label="<i>Red</i> & \u202eten\x07", handling="<script>1</script>"
    )
    tube_set = printed_set(people)
    whole = " ".join(" ".join(texts(sheet_pdf(tube_set))).split())
    assert "<i>Red</i> & ten" in whole and "<script>1</script>" in whole
    assert "\u202e" not in whole and "\x07" not in whole


def test_the_sheet_says_what_to_do_when_blood_is_short_and_what_is_dangerous(people):
    people.plan.tubes.filter(number=1).update(short_rule="void")
    (tube_set,) = [printed_set(people)]
    said = " ".join(" ".join(texts(sheet_pdf(tube_set))).split())
    assert "fill in this order: 1: 005; 2: 003; 3: 002; 4: 004; 5: 001." in said  # plan of tests/people.py
    assert "Useless when short, leave out instead: 001." in said
    assert "sharps box" in said and "infections" in said and "local rules" in said
    assert "Formalin" not in said
    people.plan.tubes.filter(number=6).update(additive="F10")
    assert "Formalin" in " ".join(texts(sheet_pdf(printed_set(people))))


def test_numbers_of_tubes_are_shortened_and_none_is_lost():
    assert queries.spans([5, 1, 2, 3, 9]) == "001–003, 005, 009"
    assert queries.spans([]) == ""


def test_copies_are_counted_on_the_sheet_and_limited(people):
    tube_set = printed_set(people)
    said = texts(sheet_pdf(tube_set, copies=2))
    assert len(said) == 2 * len(texts(sheet_pdf(tube_set)))
    assert "Copy 1 of 2" in said[0] and "Copy 2 of 2" in said[-1]
    with pytest.raises(Refused, match="copies") as no:
        sheet_pdf(tube_set, copies=5)
    assert no.value.code == "count_out_of_range"


def test_a_void_set_has_no_sheet(people):
    tube_set = printed_set(people)
    tube_set.state = TubeSet.State.VOID
    with pytest.raises(Refused) as no:
        sheet_pdf(tube_set)
    assert no.value.code == "set_is_void"


def test_the_pack_of_a_day_has_every_set_the_crew_and_what_to_do(people):
    sets = [printed_set(people), bound_set(people)]
    pdf = day_pdf(FieldDay.objects.select_related("site__programme", "lead").get(pk=people.day.pk))
    said = texts(pdf)
    first = " ".join(said[0].split())
    assert "When every device is dead" in first and "Nothing is lost as long as somebody writes" in first
    assert "Field tech" in first and "Skarvik Seal Survey" in first
    assert sets[1].workup.code in first
    found = {one for image in images(pdf, 300) for one in symbols(image)}
    wanted = {code for one in sets for code in one.tubes.values_list("code", flat=True)}
    assert {text for kind, text in found if kind == "DataMatrix"} == wanted
    assert all(f"Page 1 of {len(texts(sheet_pdf(one)))}" in "".join(said) for one in sets)


def test_a_day_without_sets_still_says_what_to_do(people):
    day = FieldDay.objects.select_related("site__programme", "lead").get(pk=people.day.pk)
    assert "No tube set was printed" in texts(day_pdf(day))[0]


def test_every_reason_of_a_draw_has_a_letter_that_never_changed():
    assert set(LETTERS.values()) == {reason for reason, _ in REASONS}
    assert (
        LETTERS["F"] == "flow stopped"
        and LETTERS["L"] == "blood limit reached"
        and set(WORDS) == set(LETTERS)
    )


# photos -------------------------------------------------------------------------------------------


def jpeg(shade: int = 128) -> bytes:
    out = BytesIO()
    Image.new("L", (40, 30), shade).save(out, "JPEG")
    return out.getvalue()


def made_by_pillow(kind: str) -> bytes:
    out = BytesIO()
    Image.new("RGB", (8, 8), 200).save(out, kind)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "kind"),
    [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp"), ("PDF", "application/pdf")],
)
def test_photos_as_another_library_writes_them_are_kept_byte_for_byte(people, name, kind):
    tube_set, content = printed_set(people), made_by_pillow(name)
    (kept,) = actions.keep(people.actor("fieldtech"), tube_set, [(f"C:\\sheets\\IMG.{name}", content)])
    again = SheetPhoto.objects.get(pk=kept.pk)
    assert bytes(again.content) == content and again.kind == kind and again.size == len(content)
    assert again.sha256 == hashlib.sha256(content).hexdigest() and again.name == f"IMG.{name}"


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "photo_empty"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>", "photo_kind_unknown"),
        (b"<!doctype html><script>1</script>", "photo_kind_unknown"),
        (b"GIF89a" + bytes(20), "photo_kind_unknown"),
        (b"RIFF\x10\x00\x00\x00WAVEfmt ", "photo_kind_unknown"),
        (b"\xff\xd8", "photo_kind_unknown"),
    ],
)
def test_a_file_that_is_no_photo_is_refused_and_takes_the_others_with_it(people, content, code):
    tube_set = printed_set(people)
    with pytest.raises(Refused) as no:
        actions.keep(people.actor("fieldtech"), tube_set, [("good.jpg", jpeg()), ("bad.jpg", content)])
    assert no.value.code == code and not SheetPhoto.objects.exists()


def test_a_photo_may_be_as_large_as_a_file_may_be_and_not_one_byte_more(people, settings):
    tube_set, content = printed_set(people), jpeg()
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = len(content)
    actions.keep(people.actor("fieldtech"), tube_set, [("a.jpg", content)])
    with pytest.raises(Refused) as no:
        actions.keep(people.actor("fieldtech"), tube_set, [("b.jpg", content + b"\x00")])
    assert no.value.code == "photo_too_large"


def test_the_same_photo_is_kept_once_a_set_and_thirty_are_enough(people):
    tube_set, actor = printed_set(people), people.actor("fieldtech")
    first = actions.keep(actor, tube_set, [("a.jpg", jpeg())])
    again = actions.keep(actor, tube_set, [("b.jpg", jpeg()), ("c.jpg", jpeg())])
    assert [one.pk for one in again] == [first[0].pk] * 2 and SheetPhoto.objects.count() == 1
    other = printed_set(people)
    assert actions.keep(actor, other, [("a.jpg", jpeg())])[0].tube_set == other
    actions.keep(actor, tube_set, [(f"{n}.jpg", jpeg() + bytes([n])) for n in range(29)])
    with pytest.raises(Refused) as no:
        actions.keep(actor, tube_set, [("z.jpg", jpeg(3))])
    assert no.value.code == "too_many_photos"


@pytest.mark.parametrize(
    "sql", ["UPDATE biobank_sheetphoto SET name = 'x'", "DELETE FROM biobank_sheetphoto"]
)
def test_the_database_changes_no_photo_and_deletes_none(people, sql):
    actions.keep(people.actor("fieldtech"), printed_set(people), [("a.jpg", jpeg())])
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert SheetPhoto.objects.get().name == "a.jpg"


# typing it in -------------------------------------------------------------------------------------


def fresh(tube_set: TubeSet) -> TubeSet:
    found = TubeSet.objects.select_related(
        "plan__programme", "day__site__programme", "workup__day__site__programme"
    )
    return found.get(pk=tube_set.pk)


def tube(tube_set: TubeSet, number: int) -> str:
    return codes.make(tube_set.code, number)


def photo(people, tube_set: TubeSet) -> SheetPhoto:
    return actions.keep(people.actor("fieldtech"), tube_set, [("sheet.jpg", jpeg())])[0]


def said_of(people, tube_set: TubeSet, **more) -> Sheet:
    """Tubes 1 and 2 filled, 2 short; 3 not collected; 1 graded."""
    filled = [Filled(tube(tube_set, 1), DRAWN), Filled(tube(tube_set, 2), DRAWN + timedelta(minutes=3), 4000)]
    given = {
        "filled": filled, "missed": [Missed(tube(tube_set, 3), "flow stopped")],
        "at": DRAWN + timedelta(minutes=3), "photos": [photo(people, tube_set)],
        "grades": {tube(tube_set, 1): 2},
    }  # fmt: skip
    return Sheet(**(given | more))


def happenings(code: str) -> dict:
    return {one.kind: one for one in ledger.history(code)}


def test_what_is_typed_from_paper_says_so_and_names_the_photo(people):
    tube_set = fresh(bound_set(people))
    sheet = said_of(people, tube_set)
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    one, two, three = (happenings(tube(tube_set, n)) for n in (1, 2, 3))
    named = f"sheet {sheet.photos[0].sha256[:16]}"
    for said in (one["drawn"], one["graded"], two["drawn"], three["not_collected"]):
        assert said.via == "paper" and said.data["note"] == named
    assert one["bound"].via == "live"
    assert (two["drawn"].line["ul"], two["drawn"].line["short"]) == (4000, True)
    assert one["drawn"].at_ms == DRAWN.timestamp() * 1000 and one["drawn"].line["ul"] == 2700
    assert one["graded"].line["haemolysis"] == 2 and three["not_collected"].data["reason"] == "flow stopped"
    workup = Workup.objects.get(pk=tube_set.workup_id)
    assert (workup.first_needle, workup.last_tube) == (DRAWN, DRAWN + timedelta(minutes=3))


def test_the_same_form_twice_is_one_act(people):
    tube_set, key = fresh(bound_set(people)), new_id()
    actions.enter(people.actor("fieldtech"), key, tube_set, said_of(people, tube_set))
    size = ledger.size()
    assert actions.enter(people.actor("fieldtech"), key, fresh(tube_set), said_of(people, tube_set)) == []
    assert ledger.size() == size


def test_a_set_that_was_never_bound_is_bound_from_paper_with_its_clock(people):
    tube_set = fresh(printed_set(people))
    clock = {"net_closed": moment(8, 40), "out_of_water": moment(8, 55), "released": moment(10, 5)}
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set, clock=clock))
    workup = fresh(tube_set).workup
    assert (
        fresh(tube_set).state == "bound"
        and workup.code == "SKV-260503-01"
        and workup.released == clock["released"]
    )
    assert (workup.net_closed, workup.first_needle) == (clock["net_closed"], DRAWN)
    bound = happenings(tube(tube_set, 5))["bound"]
    assert bound.via == "paper" and bound.at_ms == DRAWN.timestamp() * 1000 and "sheet" in bound.data["note"]


def test_a_set_is_bound_from_paper_to_a_workup_that_is_there(people):
    tube_set = fresh(printed_set(people))
    there = Workup.objects.create(code="SKV-260503-07", day=people.day, net_closed=moment(8))
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set, workup=there))
    assert fresh(tube_set).workup == there and Workup.objects.count() == 1


def test_a_refusal_leaves_neither_binding_nor_draw(people):
    tube_set = fresh(printed_set(people))
    sheet = said_of(people, tube_set, filled=[Filled(tube(tube_set, 1), DRAWN, 0)])
    size = ledger.size()
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert no.value.code == "volume_not_positive"
    assert ledger.size() == size and fresh(tube_set).state == "printed" and not Workup.objects.exists()


def test_paper_needs_a_photo_or_a_reason(people):
    tube_set = fresh(bound_set(people))
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set, photos=[]))
    assert no.value.code == "photo_required"
    reason = "it went over board"
    sheet = said_of(people, tube_set, photos=[], no_photo=reason)
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert happenings(tube(tube_set, 1))["drawn"].data["note"] == f"no photo of the sheet: {reason}"


def test_a_photo_of_another_set_is_no_photo_of_this_one(people):
    tube_set, other = fresh(bound_set(people)), printed_set(people)
    with pytest.raises(Refused) as no:
        sheet = said_of(people, tube_set, photos=[photo(people, other)])
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert no.value.code == "photo_required"


def test_who_filled_and_who_typed_stand_beside_each_other(people):
    other = make_person(people.programme, people.sss, Role.FIELD, "P9", "fieldtech2")
    tube_set = fresh(bound_set(people))
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set, by=other))
    drawn = happenings(tube(tube_set, 1))["drawn"]
    assert (drawn.by, drawn.rec_by, drawn.org) == ("P9", "P1", "SSS")
    with pytest.raises(Refused) as no:
        sheet = said_of(people, tube_set, by=people.person("labtech"))
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert no.value.code == "not_yours"


def test_other_needs_words(people):
    tube_set = fresh(bound_set(people))
    sheet = said_of(people, tube_set, missed=[Missed(tube(tube_set, 3), "other")])
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert no.value.code == "reason_required"


def test_what_cannot_be_is_refused_and_kept_as_a_finding_when_somebody_says_so(people):
    """Somebody else said meanwhile that tube 1 was not collected; the sheet says that it was filled."""
    from biobank.field.actions import draw

    tube_set = fresh(bound_set(people))
    draw(
        people.actor("fieldtech"), new_id(), tube_set, [], [Missed(tube(tube_set, 1), "not needed")], at=BOUND
    )
    sheet, key = said_of(people, tube_set, grades={}), new_id()
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), key, tube_set, sheet)
    assert no.value.code == "not_collected" and "drawn" not in happenings(tube(tube_set, 2))
    kept = said_of(people, tube_set, grades={}, kept=True)
    actions.enter(people.actor("fieldtech"), key, tube_set, kept)
    assert happenings(tube(tube_set, 1))["drawn"].via == "paper"
    assert [one.code for one in ledger.findings(tube(tube_set, 1))] == ["not_collected"]
    assert ledger.state(tube(tube_set, 2)).status == "held"


def test_a_time_before_the_net_closed_is_kept_on_demand_and_turns_no_clock(people):
    tube_set = fresh(bound_set(people))
    workup = tube_set.workup
    workup.net_closed = DRAWN + timedelta(hours=1)
    workup.save()
    key = new_id()
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), key, tube_set, said_of(people, tube_set))
    assert no.value.code == "time_before_capture"
    actions.enter(people.actor("fieldtech"), key, tube_set, said_of(people, tube_set, kept=True))
    assert happenings(tube(tube_set, 1))["drawn"].at_ms == DRAWN.timestamp() * 1000
    after = Workup.objects.get(pk=workup.pk)
    assert (after.net_closed, after.first_needle) == (workup.net_closed, None)


def test_a_day_that_is_signed_off_needs_a_reason(people):
    tube_set = fresh(bound_set(people))
    FieldDay.objects.filter(pk=people.day.pk).update(closed=True)
    tube_set = fresh(tube_set)
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set))
    assert no.value.code == "day_closed"
    actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set, why="sheet found"))
    assert happenings(tube(tube_set, 1))["drawn"].data["note"].startswith("sheet found; sheet ")


def test_a_known_time_of_the_clock_is_not_overwritten(people):
    tube_set = fresh(bound_set(people))
    Workup.objects.update(net_closed=moment(8, 30))
    tube_set = fresh(tube_set)
    with pytest.raises(Refused) as no:
        sheet = said_of(people, tube_set, clock={"net_closed": moment(8, 40)})
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, sheet)
    assert no.value.code == "reason_required"


@pytest.mark.parametrize(("state", "code"), [("void", "set_is_void"), ("closed", "set_is_closed")])
def test_nothing_is_typed_into_a_set_that_is_done_with(people, state, code):
    tube_set = fresh(bound_set(people))
    tube_set.state = state
    with pytest.raises(Refused) as no:
        actions.enter(people.actor("fieldtech"), new_id(), tube_set, said_of(people, tube_set))
    assert no.value.code == code
