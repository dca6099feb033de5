"""The manifest and the lid sheet as a printer burns them, read by a reader that is not ours (zxing-cpp); the
checkpoint on them judged by the stand-alone checker, in a process of its own.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import zxingcpp
from django.core.management import call_command

from biobank.core import codes
from biobank.handoffs import leaves, lid, manifest, paper
from biobank.handoffs.leaves import MARGIN
from biobank.labels import letters
from custody import checkpoints, proof
from custody.core.refusal import Refused
from tests import printed
from tests.biobank import parcels

CHECKER = Path(__file__).resolve().parents[2] / "custody" / "standalone" / "verify_custody.py"
DPI, MANY, LOOSE = 300, 300, 20
MM = DPI / printed.MM
KINDS = zxingcpp.BarcodeFormat


@pytest.fixture
def sent(store):
    return parcels.sent(store, MANY, LOOSE)


def squares(image, kind=KINDS.QRCode) -> list[str]:
    return [one.text for one in zxingcpp.read_barcodes(image, formats=kind)]


def rows(image) -> list[str]:
    """The Data Matrix of each row of a leaf, cut out row by row as a hand-held reader sees it."""
    left, right = round(30 * MM), round(48 * MM)
    found = []
    for n in range(manifest.EACH):
        top = (manifest.TOP + n * manifest.HIGH) * MM
        row = image.crop((left, round(top), right, round(top + manifest.HIGH * MM)))
        found += squares(printed.framed(row), KINDS.DataMatrix)
    return found


@pytest.mark.parametrize("renderer", ["pdfium", "splash"])
def test_the_symbol_of_every_tube_of_300_reads_back(sent, renderer):
    images = printed.RENDERERS[renderer](manifest.manifest_pdf(sent), DPI)
    read = [code for image in images[1:-1] for code in rows(image)]
    assert sorted(read) == sorted(sent.tubes)
    assert len(set(read)) == MANY


def test_a_symbol_stands_beside_its_own_code_in_letters(sent):
    """Row by row: what the reader reads and what PDFium finds as text in the same stretch of the page."""
    import pypdfium2

    made = pypdfium2.PdfDocument(manifest.manifest_pdf(sent))
    page, beside = made[1], 0
    image, text = page.render(scale=DPI / 72).to_pil().convert("L"), page.get_textpage()
    for n in range(manifest.EACH):
        top = manifest.TOP + n * manifest.HIGH
        low, high = (
            page.get_height() - (top + manifest.HIGH) * 72 / printed.MM,
            page.get_height() - top * 72 / printed.MM,
        )
        said = text.get_text_bounded(
            left=49 * 72 / printed.MM, bottom=low, right=78 * 72 / printed.MM, top=high
        )
        cut = image.crop((round(30 * MM), round(top * MM), round(48 * MM), round((top + manifest.HIGH) * MM)))
        for code in squares(printed.framed(cut), KINDS.DataMatrix):
            assert codes.show(code) in said
            beside += 1
    assert beside >= manifest.EACH - 2


def test_every_page_has_its_number_every_leaf_its_head_and_no_row_is_cut(sent):
    said = parcels.pages(manifest.manifest_pdf(sent))
    for n, page in enumerate(said, 1):
        assert f"page {n} of {len(said)}" in page
    tubes = [codes.show(tube) for tube in sent.tubes]
    listing = [page for page in said if "list of tubes" in page]
    assert sum(page.count(tube) for page in listing for tube in tubes) == MANY
    for page in listing:
        for head in ("Here", "No.", "Symbol", "Tube", "Sample and additive", "Volume", "Store at", "Hazard"):
            assert head in page
    # nothing of our font's sample is left for a reader of the text
    assert not re.search(r"0123456", " ".join(said))


def test_the_manifest_says_all_that_was_said_and_counts_by_box_and_type(sent):
    said = parcels.text(manifest.manifest_pdf(sent))
    for words in (
        f"Shipment {sent.said.seq}", sent.said.id, "Northlight Biobank (NLB)", "Tarn Field Laboratory (TFL)",
        "1 Quay, Northlight", "S. Nordby, +47 555 0101", "2 Harbour Street, Tarn", "O. Tarnli, +47 555 0102",
        "Curator (P3)", "3 May 2026 14:00 UTC+02:00 (Europe/Oslo)", "NLB-0091", "−78.1 °C",
        "category B (UN3373)", "dry ice, UN1845, class 9", "Fjordbud", "FB 555 0199 2", "LG-07", "6.5 kg",
        "S-2026-004",
        "for analysis, ownership stays", "NLB-B001 box 81", "NLB-B004 box 37", "in no box of ours 20",
        "in a container closed with a numbered seal", "In custody is what is in somebody's possession",
        "keep flat", "(left out)",
    ):  # fmt: skip
        assert words in said, words


STRIP = [
    "Counted", "Seal intact", "yes", "no", "Seal number as read", "Temperature", "Coolant left", "Missing",
    "Damaged", "Name", "Signature", "Date", "Local time", "Time zone",
]  # fmt: skip


def test_the_answer_strip_asks_for_everything_and_does_not_say_how_many(sent):
    last = parcels.pages(manifest.manifest_pdf(sent))[-1]
    strip = last[last.index("Answer strip") :]
    assert all(word in strip for word in STRIP)
    assert sent.said.id in strip
    assert not re.search(rf"\b{MANY}\b", strip)


def test_the_short_link_is_the_page_or_the_id_and_a_one_time_link_has_its_room(sent, settings):
    settings.SITE_URL = "https://biobank.example"
    once = "https://biobank.example/answer/abcDEF0123456789_-xyzA/"
    images = printed.by_pdfium(manifest.manifest_pdf(sent, once), DPI)
    assert squares(images[0]) == [f"https://biobank.example/handoffs/{sent.said.id}/"]
    assert {once, sent.said.id} <= set(squares(images[-1]))
    settings.SITE_URL = ""
    images = printed.by_pdfium(manifest.manifest_pdf(sent), DPI)
    assert squares(images[0]) == [sent.said.id]
    assert not [one for one in squares(images[-1]) if "answer" in one]


def test_a_line_with_letters_of_another_width_is_laid_out_and_none_is_lost(store, monkeypatch):
    """A label in letters that our font has not; and a machine that has not our font."""
    from biobank.acting import perform
    from custody.core.event import new_id
    from tests.biobank import boxes

    tubes, who = boxes.tubes(2), store.actor("curator")
    odd = {"role": "new", "label": "血清 α", "matrix": "SER"}
    perform(who, "label_printed", key=new_id(), at=boxes.AT, lines=[{"t": code} | odd for code in tubes])
    perform(who, "drawn", key=new_id(), at=boxes.AT, lines=[{"t": code, "role": "subj"} for code in tubes])
    from biobank.handoffs import actions

    done = actions.hand_off(who, new_id(), tubes, "TFL", how="hand", at=parcels.SENT)
    one = parcels.look(done.id)
    made = manifest.manifest_pdf(one)
    assert "血清" in parcels.text(made) and codes.show(tubes[0]) in parcels.text(made)
    monkeypatch.setattr(letters, "glyphs", lambda: None)
    without = manifest.manifest_pdf(one)
    assert all(codes.show(tube) in parcels.text(without) for tube in tubes)
    read = [code for image in printed.by_pdfium(without, DPI) for code in rows(image)]
    assert sorted(read) == sorted(tubes)


def test_what_is_placed_on_a_leaf_stands_where_it_was_placed():
    """The places of drawn and of laid out lines agree: both are measured from the page's corner."""
    sheet = leaves.leaf()
    leaves.say(sheet, "plain", 50, 100, 40, 10)
    leaves.say(sheet, "血", 50, 120, 40, 10)
    css = (
        f"<style>@page {{ size: A4; margin: {MARGIN}mm }} body {{ margin: 0 }} .leaf {{ position: relative }}"
    )
    html = css + " .leaf div { position: absolute; white-space: pre }</style>" + leaves.places([sheet])
    import pypdfium2

    page = pypdfium2.PdfDocument(leaves.pdf(html, [sheet], paper.nothing))[0].get_textpage()
    for needle, top in (("plain", 100), ("血", 120)):
        left, _, _, high = page.get_charbox(page.search(needle).get_next()[0])
        assert left * printed.MM / 72 == pytest.approx(50, abs=0.6)
        assert 297 - high * printed.MM / 72 == pytest.approx(top, abs=1.6)


# --- the lid sheet --------------------------------------------------------------------------------


def test_the_squares_of_every_lid_sheet_read_back(sent):
    images = printed.by_pdfium(lid.lid_pdf(sent), DPI)
    counts = {"NLB-B001": 81, "NLB-B002": 81, "NLB-B003": 81, "NLB-B004": 37}
    assert len(images) == 5
    for image, (box, count) in zip(images, counts.items(), strict=False):
        assert set(squares(image)) == {box, f"LID1:{sent.said.id.upper()}:{box}:{count}"}
    assert squares(images[-1]) == [f"LID1:{sent.said.id.upper()}:LOOSE:{LOOSE}"]


def test_a_lid_sheet_says_how_many_in_large_letters_from_whom_to_whom_and_where_each_lies(sent):
    [page] = parcels.pages(lid.lid_pdf(sent, "NLB-B004"))
    for words in (
        "NLB-B004", "37 tubes in it", "Northlight Biobank (NLB) to Tarn Field Laboratory (TFL)", "NLB-0091",
        "category B (UN3373)", "THIS WAY UP", "6.5 kg", "K7R2M 244 A1", "K7R2M 280 E1", "LG-07",
        "page 1 of 1",
    ):  # fmt: skip
        assert words in page, words
    [loose] = parcels.pages(lid.lid_pdf(sent, "loose"))
    assert "20 tubes in it" in loose and "Loose tubes" in loose
    with pytest.raises(Refused) as no:
        lid.lid_pdf(sent, "NLB-B009")
    assert no.value.code == "box_not_on_handoff"


# --- the stand-alone checker ----------------------------------------------------------------------


def checked(folder: Path, proof_file: Path, held: Path, key: str) -> subprocess.CompletedProcess[str]:
    words = [str(CHECKER), str(proof_file), "--key", key, "--held", str(held)]
    return subprocess.run([sys.executable, *words], cwd=folder, capture_output=True, text=True, timeout=60)


@pytest.fixture
def kept(sent, tmp_path):
    """(proof file of the handoff, text of the square on the manifest, key as it is printed)."""
    made = manifest.manifest_pdf(sent)
    [square] = [one for one in squares(printed.by_pdfium(made, DPI)[-1]) if one.startswith("CKPT1:")]
    (held := tmp_path / "square").write_text(square, encoding="utf-8")
    call_command("custody_proof", sent.said.id, "--out", str(tmp_path / "proof.json"), verbosity=0)
    key = re.search(r"Key (\S+\+[0-9a-f]{8}\+\S+)", parcels.text(made))
    assert key and key[1] == checkpoints.ready()
    return tmp_path / "proof.json", held, key[1]


def test_the_manifest_is_verified_by_the_stand_alone_checker(sent, kept, tmp_path):
    done = checked(tmp_path, *kept)
    assert done.returncode == 0, done.stdout + done.stderr
    proven, _, _ = done.stdout.partition("NOT PROVEN BY THIS")
    assert f"event {sent.said.seq} is this and no other: shipped" in proven
    assert "seal NLB-0091" in proven and f"{MANY} of its {MANY} lines" in proven
    assert all(tube in proven for tube in sent.tubes)


def test_a_proof_in_which_a_tube_was_exchanged_does_not_hold(kept, tmp_path):
    file, held, key = kept
    said = json.loads(file.read_text())
    said["lines"][7]["text"] = said["lines"][7]["text"].replace("K7R2M", "K7R2N")
    file.write_text(proof.text(said))
    done = checked(tmp_path, file, held, key)
    assert (done.returncode, done.stdout[:10]) == (1, "NOT PROVEN")
