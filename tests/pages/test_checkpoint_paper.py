"""The chain-of-custody paper carries a signed checkpoint that its keeper can hold against the ledger."""

from __future__ import annotations

import logging
import re
from io import StringIO

import pypdfium2
import pytest
import zxingcpp
from django.core.management import CommandError, call_command

from custody import checkpoints, keys
from custody import queries as ledger
from custody.core import note
from custody.core.event import new_id
from custody.models import Checkpoint, Event, Head, Line
from tests import people as builders
from tests.custody.test_tamper import unguarded
from tests.pages.test_handoff_pages import give


@pytest.fixture
def page(people, sign_in) -> str:
    """A handoff's address, before any checkpoint."""
    tube_set = builders.drawn_set(people)
    tubes = sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))
    return give(sign_in("fieldtech"), tubes)["Location"]


def paper(client, page: str) -> pypdfium2.PdfDocument:
    answer = client.get(f"{page}custody.pdf")
    assert answer.status_code == 200
    return pypdfium2.PdfDocument(answer.content)


def text(document: pypdfium2.PdfDocument) -> str:
    return re.sub(r"\s+", " ", " ".join(one.get_textpage().get_text_range() for one in document))


def codes(document: pypdfium2.PdfDocument) -> list[str]:
    """Every symbol on the paper at 150 dots an inch, as a cheap scanner sees it."""
    pages = [one.render(scale=150 / 72).to_pil() for one in document]
    return [found.text for image in pages for found in zxingcpp.read_barcodes(image)]


def checkpoint_of(document: pypdfium2.PdfDocument) -> str:
    [short] = [one for one in codes(document) if one.startswith(note.WORDS)]
    return short


def test_the_paper_carries_the_checkpoint_as_a_symbol_and_in_words(page, sign_in):
    document = paper(sign_in("fieldtech"), page)
    made = checkpoints.newest()
    assert made.reason == "manifest" and made.size == ledger.size()
    signed = note.expanded(checkpoint_of(document), [keys.secret().public])
    assert signed == made.note and note.opened(signed, [keys.secret().public])
    assert made.words in text(document)


def test_the_handoff_itself_makes_the_checkpoint_once_it_is_committed(
    page, sign_in, people, django_capture_on_commit_callbacks
):
    tubes = [line["t"] for line in ledger.events(kind="handed_off")[0].lines]
    client = sign_in("labtech")
    steps = [
        {"step": "count", "seal_state": "intact", "counted": str(len(tubes))},
        {"step": "scan", "scans": "\n".join(tubes)}, {"step": "compare", "do": "next"},
        {"step": "confirm", "key": new_id()},
    ]  # fmt: skip
    with django_capture_on_commit_callbacks(execute=True):
        for said in steps:
            assert client.post(f"{page}receive/", said).status_code == 302
    assert checkpoints.newest().reason == "received"
    before = Checkpoint.objects.count()
    paper(sign_in("labtech"), page)  # covered: printing makes none
    assert Checkpoint.objects.count() == before


def test_printing_again_prints_the_same_checkpoint_until_something_is_new(page, sign_in):
    client = sign_in("fieldtech")
    assert checkpoint_of(paper(client, page)) == checkpoint_of(paper(client, page))
    assert Checkpoint.objects.count() == 1


def test_without_a_checkpoint_the_paper_is_printed_and_says_so(page, sign_in, monkeypatch, caplog):
    def fail(reason: str) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(checkpoints, "make", fail)
    with caplog.at_level(logging.CRITICAL):
        document = paper(sign_in("fieldtech"), page)
    assert "No checkpoint could be made" in text(document)
    assert not [one for one in codes(document) if one.startswith(note.WORDS)]


def test_the_keeper_of_a_paper_finds_a_ledger_that_was_cut(page, sign_in, tmp_path):
    kept = tmp_path / "scanned.txt"
    kept.write_text(checkpoint_of(paper(sign_in("fieldtech"), page)), encoding="utf-8")
    call_command("custody_verify", "--against", str(kept), stdout=StringIO())
    with unguarded():
        last = ledger.size() - 1
        Line.objects.filter(event__seq=last).delete()
        Event.objects.filter(seq=last).delete()
        Head.objects.update(size=last)
        Checkpoint.objects.all().delete()
        keys.forget_newest()
    with pytest.raises(CommandError):
        err = StringIO()
        call_command("custody_verify", "--against", str(kept), stdout=StringIO(), stderr=err)
    assert f"scanned.txt: it was signed over {last + 1} events, only {last} are there" in err.getvalue()


def test_no_query_more_for_the_checkpoint_than_one_when_it_is_there(
    page, sign_in, django_assert_max_num_queries
):
    seq = ledger.events(kind="handed_off")[0].seq
    checkpoints.for_paper(seq)
    with django_assert_max_num_queries(1):
        checkpoints.for_paper(seq)
