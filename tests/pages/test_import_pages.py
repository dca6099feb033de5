"""Pages of the import room as plain forms: upload, look, take in; who may; what is refused."""

from __future__ import annotations

import re
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from biobank.imports import actions
from biobank.models import TableDraft, TableImport, TableMapping, Tube
from custody import queries as ledger
from tests.biobank.test_imports import ROWS, SPEC, changed, counts, sheet, table

OTHERS = ["fieldtech", "labtech", "collaborator", "auditor"]


@pytest.fixture
def mapping(people) -> TableMapping:
    return actions.save_mapping(people.actor("curator"), "Old seal bleeds", SPEC)


@pytest.fixture
def curator(sign_in):
    return sign_in("curator")


def filled(page, action: str = "") -> dict[str, str]:
    """What a browser without script would send back: every input of the page's first such form."""
    html = page.content.decode()
    forms = re.findall(r"<form\b[^>]*>.*?</form>", html, re.S)
    form = next(
        one for one in forms if "csrfmiddlewaretoken" in one and action in one and "sign-out" not in one
    )
    sent: dict[str, str] = {}
    for tag in re.findall(r"<input\b[^>]*>", form):
        said = dict(re.findall(r'([\w-]+)="([^"]*)"', tag))
        if "name" in said and (said.get("type") != "checkbox" or "checked" in tag):
            sent[said["name"]] = unescape(said.get("value", ""))
    for name, text in re.findall(r'<textarea\b[^>]*name="([^"]+)"[^>]*>(.*?)</textarea>', form, re.S):
        sent[name] = unescape(text).removeprefix("\n")
    for name, options in re.findall(r'<select\b[^>]*name="([^"]+)"[^>]*>(.*?)</select>', form, re.S):
        first = re.search(r'<option value="([^"]*)"', options)
        chosen = re.search(r'<option value="([^"]*)" selected', options) or first
        sent[name] = unescape(chosen[1]) if chosen else ""
    return sent


def upload(client, mapping, content=None, name="bleeds.csv", **more):
    page = client.get(reverse("import_new"))
    sent = filled(page) | {"mapping": mapping.pk, **more}
    sent["file"] = SimpleUploadedFile(name, table() if content is None else content)
    return client.post(reverse("import_new"), sent)


def words(page) -> str:
    """The text a person sees."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.content.decode().split("<main")[1])).split())


def test_a_table_is_uploaded_looked_at_and_taken_in(curator, mapping):
    sent = upload(curator, mapping)
    assert sent.status_code == 302 and not TableImport.objects.exists()
    look = curator.get(sent.url)
    assert "4 workups, from 4 rows" in words(look) and "4 animals, 0 known already" in words(look)
    assert "4 tubes drawn 1 short draw 3 not collected" in words(look)
    for reason, tube, number in [
        ("no blood obtained", "Red", 1),
        ("tube broke", "EDTA", 1),
        ("vein collapsed", "EDTA", 1),
    ]:
        assert f"{reason} {tube} {number}" in words(look)
    assert "2011/2 Phoca vitulina M North haul-out 4 May 2011" in words(look)
    done = curator.post(sent.url, filled(look, "seen"))
    assert done.status_code == 302 and Tube.objects.count() == 8
    after = curator.get(done.url)
    assert "4 workups" in words(after) and after.content.decode().count('class="code"') == 8
    assert "bleeds.csv" in words(curator.get(reverse("imports")))


def test_a_row_that_cannot_be_read_is_shown_and_the_table_not_taken(curator, mapping):
    sent = upload(curator, mapping, table(changed(1, "Day", "soon")))
    look = curator.get(sent.url)
    assert "3 Day 'soon' is not a date like 31.05.2024. date_malformed" in words(look)
    assert 'name="seen"' not in look.content.decode(), "there is no button to take it in"
    from biobank.imports.mapping import digest
    from custody.core.event import new_id

    before = counts()
    refused = curator.post(sent.url, {"key": new_id(), "seen": digest(mapping.spec)})
    assert refused.status_code == 422 and "table_has_errors" in words(refused)
    assert counts() == before


def test_the_button_pressed_twice_is_one_import(curator, mapping):
    sent = upload(curator, mapping)
    form = filled(curator.get(sent.url), "seen")
    first, second = curator.post(sent.url, form), curator.post(sent.url, form)
    assert first.url == second.url
    assert (TableImport.objects.count(), Tube.objects.count()) == (1, 8)


def test_the_same_table_again_is_refused_with_its_code(curator, mapping):
    sent = upload(curator, mapping)
    curator.post(sent.url, filled(curator.get(sent.url), "seen"))
    before = counts()
    again = upload(curator, mapping, name="renamed.csv")
    assert again.status_code == 422 and "table_already_taken" in words(again)
    assert counts() == before


@pytest.mark.parametrize(("content", "code"), [
    (b"%PDF-1.7\xff", "file_kind"), (b"", "file_empty"), (b"a;b\n1;2\n", "column_missing"),
    (b"a" * 5_000_001, "file_too_large"), (b"a\n" * 5_002, "table_too_long"),
])  # fmt: skip
def test_a_file_that_cannot_be_a_table_of_samples_is_refused(curator, mapping, content, code):
    refused = upload(curator, mapping, content)
    assert refused.status_code == 422 and code in words(refused)
    assert not TableDraft.objects.exists()


def test_a_sheet_is_named_on_the_form(curator, mapping):
    sent = upload(curator, mapping, sheet(name="Bleeds 2011"), "b.xlsx", sheet="Bleeds 2011")
    assert sent.status_code == 302
    assert upload(curator, mapping, sheet(name="Bleeds 2012"), "b.xlsx", sheet="x").status_code == 422


def test_a_mapping_changed_meanwhile_is_looked_at_again(people, curator, mapping):
    sent = upload(curator, mapping)
    form = filled(curator.get(sent.url), "seen")
    actions.save_mapping(people.actor("curator"), mapping.name, SPEC | {"about": "now said"}, mapping)
    refused = curator.post(sent.url, form)
    assert refused.status_code == 422 and "preview_stale" in words(refused)
    assert curator.post(sent.url, filled(curator.get(sent.url), "seen")).status_code == 302


def test_a_table_is_let_go(curator, mapping):
    sent = upload(curator, mapping)
    draft = TableDraft.objects.get()
    assert curator.get(reverse("import_forget", args=[draft.pk])).status_code == 405
    assert curator.post(reverse("import_forget", args=[draft.pk])).status_code == 302
    assert not TableDraft.objects.exists() and curator.get(sent.url).status_code == 404


def test_a_draft_whose_mapping_no_longer_fits_says_so(people, curator, mapping):
    sent = upload(curator, mapping)
    actions.save_mapping(people.actor("curator"), mapping.name, SPEC | {"comments": "Notes"}, mapping)
    look = curator.get(sent.url)
    assert look.status_code == 200 and "column_missing" in words(look)


def addresses(mapping, draft, done) -> list[str]:
    return [
        reverse("imports"), reverse("import_new"), reverse("import_mapping_new"),
        reverse("import_mapping", args=[mapping.pk]), reverse("import_draft", args=[draft]),
        reverse("import_taken", args=[done]),
    ]  # fmt: skip


@pytest.fixture
def everything(people, mapping) -> list[str]:
    actor = people.actor("curator")
    first = actions.upload(actor, mapping, "a.csv", table())
    from biobank.imports.mapping import digest
    from custody.core.event import new_id

    done = actions.take_in(actor, new_id(), first, digest(mapping.spec))
    draft = actions.upload(actor, mapping, "b.csv", table(changed(0, "Seal", "77")))
    return addresses(mapping, draft.pk, done.pk)


@pytest.mark.parametrize("role", OTHERS)
def test_others_may_not(sign_in, everything, role):
    client = sign_in(role)
    for address in everything:
        assert client.get(address).status_code == 403, address
        assert client.post(address).status_code == 403, address


def test_the_curator_may_and_a_stranger_must_sign_in(client, curator, everything):
    for address in everything:
        assert curator.get(address).status_code == 200, address
        answer = client.get(address)
        assert answer.status_code == 302 and reverse("sign_in") in answer.url


def test_a_draft_is_its_uploaders_alone(people, sign_in, mapping):
    from biobank.models import Role
    from tests.people import make_person

    second = make_person(people.programme, people.nlb, Role.CURATOR, "P9", "curator2")
    draft = actions.upload(people.actor("curator"), mapping, "a.csv", table())
    from django.test import Client

    other = Client()
    other.force_login(second.user)
    assert other.get(reverse("import_draft", args=[draft.pk])).status_code == 404


def test_nothing_in_the_pages_needs_script_or_inline_style(curator, everything):
    for address in everything:
        html = curator.get(address).content.decode()
        assert " style=" not in html and "<style" not in html and "onclick" not in html
        assert not re.search(r"<script(?![^>]*\bsrc=)", html)


def test_cells_are_shown_as_text_never_as_markup(curator, mapping):
    rows = [[*ROWS[0][:1], "<i>1</i>", *ROWS[0][2:6], "<script>x</script>"]]
    look = curator.get(upload(curator, mapping, table(rows)).url)
    html = look.content.decode()
    assert "<i>1</i>" not in html and "<script>x" not in html and "&lt;script&gt;x" in html


def test_a_mapping_is_made_with_the_form_and_reads_a_table(curator):
    page = curator.get(reverse("import_mapping_new"))
    sent = filled(page) | {
        "name": "By hand", "individual_columns": "Year\nSeal", "species_value": "Phoca vitulina",
        "sex_column": "Sex", "sex_words": "hann = M", "site_column": "Beach",
        "date_column": "Day", "date_format": "%d.%m.%Y",
        "missing": "NA\n-", "comments": "Remarks", "otherwise": "drawn", "plan_code": "HAND",
        "tube-0-label": "Red", "tube-0-matrix": "BLD",
        "tube-0-volume_column": "Red mL", "tube-0-volume_unit": "mL",
        "rule-0-test": "if_contains", "rule-0-text": "no blood", "rule-0-outcome": "not_collected",
        "rule-0-reason": "none obtained",
    }  # fmt: skip
    saved = curator.post(reverse("import_mapping_new"), sent)
    assert saved.status_code == 302, words(saved)
    look = curator.get(upload(curator, TableMapping.objects.get()).url)
    assert "3 tubes drawn 0 short draws 1 not collected" in words(look)


def test_a_mapping_goes_through_its_page_unchanged(curator, mapping):
    from biobank.imports import queries

    address = reverse("import_mapping", args=[mapping.pk])
    assert curator.post(address, filled(curator.get(address))).status_code == 302
    mapping.refresh_from_db()
    assert queries.parsed(mapping.spec) == queries.parsed(SPEC)


def test_rules_are_moved_and_removed_by_number_and_tick(curator, mapping):
    address = reverse("import_mapping", args=[mapping.pk])
    sent = filled(curator.get(address)) | {"rule-2-ORDER": "0", "rule-0-ORDER": "9", "rule-1-DELETE": "on"}
    assert curator.post(address, sent).status_code == 302
    mapping.refresh_from_db()
    assert [rule["if_contains"] for rule in mapping.spec["rules"]] == ["EDTA broke", "no blood"]


def test_a_mapping_that_cannot_be_is_refused_and_kept_as_typed(curator, mapping):
    address = reverse("import_mapping", args=[mapping.pk])
    refused = curator.post(
        address, filled(curator.get(address)) | {"rule-0-reason": "", "about": "half done"}
    )
    assert refused.status_code == 422 and "mapping_malformed" in words(refused)
    assert "half done" in refused.content.decode()
    mapping.refresh_from_db()
    assert mapping.spec == SPEC


def test_the_way_back_from_the_mapping_leads_to_the_table(curator, mapping):
    sent = upload(curator, mapping)
    draft = TableDraft.objects.get()
    address = reverse("import_mapping", args=[mapping.pk])
    form = filled(curator.get(f"{address}?draft={draft.pk}"))
    assert curator.post(f"{address}?draft={draft.pk}", form).url == sent.url
    for odd in ["x", "٣", "-1", "9" * 40]:
        assert curator.get(address, {"draft": odd}).status_code == 200


@pytest.mark.parametrize("name", ["imports", "import_taken"])
def test_the_number_of_queries_does_not_grow(
    curator, everything, people, mapping, name, django_assert_max_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    address = everything[0] if name == "imports" else everything[-1]
    with CaptureQueriesContext(connection) as few:
        curator.get(address)
    actor = people.actor("curator")
    more = [["2015", str(n), "F", "Skarvik Bay", "03.05.2015", "9", ""] for n in range(40)]
    from biobank.imports.mapping import digest
    from custody.core.event import new_id

    draft = actions.upload(actor, mapping, "more.csv", table(more))
    done = actions.take_in(actor, new_id(), draft, digest(mapping.spec))
    address = address if name == "imports" else reverse("import_taken", args=[done.pk])
    with CaptureQueriesContext(connection) as many:
        curator.get(address)
    assert len(many) <= len(few) and len(many) < 14
    assert ledger.size() > 120
