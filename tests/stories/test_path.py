"""One set of tubes from the printer to the freezer, page by page, as plain forms."""

import re
from datetime import timedelta

import pytest
from django.utils import timezone

from biobank.checks.actions import install_starter
from biobank.field.actions import open_day
from biobank.models import TubeSet
from custody import queries as ledger
from custody.rebuild import differences
from custody.verify import verify


@pytest.fixture
def ready(store):
    install_starter()
    now = timezone.now()
    return open_day(store.actor("fieldtech"), store.site, now.date() + timedelta(days=1), 1), store


INPUT = re.compile(r"<input\b[^>]*>")


def posted(client, url, **said):
    """Where the page leads after its own form, filled as it was proposed but for what is said here."""
    page = client.get(url).content.decode()
    fields = {}
    for tag in INPUT.findall(page):
        name, value = re.search(r' name="([^"]+)"', tag), re.search(r' value="([^"]*)"', tag)
        if name and value and 'type="checkbox"' not in tag and 'type="radio"' not in tag:
            fields[name.group(1)] = value.group(1)
    answer = client.post(url, fields | said)
    text = re.sub(r"<[^>]+>|\s+", " ", answer.content.decode())
    assert answer.status_code == 302, text[-1500:]
    return answer["Location"]


def received(client, page, codes, seal, number=""):
    """Seal and count, scan, compare, confirm: all as it should be."""
    step = posted(client, f"{page}receive/", seal_state=seal, seal=number, counted=len(codes))
    step = posted(client, step, scans="\n".join(codes))
    step = posted(client, step, do="next")
    return posted(client, step)


def test_from_label_to_verdict(ready, sign_in, people):
    day, store = ready
    field, lab, curator = sign_in("fieldtech"), sign_in("labtech"), sign_in("curator")

    posted(field, "/sets/new/", day=day.pk, **{f"sets_{store.plan.pk}": 1})
    tube_set = TubeSet.objects.get()
    paper = field.get(f"/sets/{tube_set.code}/labels.pdf", {"stock": "wrap33-203"})
    assert paper.content[:5] == b"%PDF-"

    posted(field, f"/sets/{tube_set.code}/bind/", workup="", animal=store.animal.pk, why="a day early")
    codes = sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))
    for code in codes:
        posted(field, "/draw/", code=code)
    assert {one.status for one in ledger.states(codes).values()} == {"held"}

    page = posted(field, "/handoffs/new/", tubes="\n".join(codes), to="TFL", how="hand")
    received(lab, page, codes, "none")

    gel = next(code for code in codes if code[5:8] == "003")
    posted(lab, "/bench/spin/", tubes=gel, g=1500, minutes=10)
    posted(lab, "/bench/grade/", tubes=gel, haemolysis=0)
    aliquots = sorted(tube_set.tubes.filter(parent_hint=gel).values_list("code", flat=True))
    posted(lab, f"/bench/aliquot/{gel}/")
    assert ledger.children(gel) == aliquots

    page = posted(lab, "/handoffs/new/", tubes="\n".join(aliquots), to="NLB", how="sealed", seal="S-7")
    received(curator, page, aliquots, "intact", "S-7")
    posted(curator, "/store/put-away/", tubes="\n".join(aliquots), unit="NLB-B001")
    assert ledger.box("NLB-B001") == {(1, 1): aliquots[0], (1, 2): aliquots[1]}

    story = curator.get(f"/tubes/{aliquots[0]}/").content.decode()
    for words in ("Aliquoted", "Put away", "NLB-B001", "A1", "Serum proteins", "Spun", "parent"):
        assert words in story
    assert verify().wrong == [] and differences() == [] and ledger.findings() == []
