"""Who may take passports away, of which tubes, and how many at once; and the proof file beside one."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
from pathlib import Path

import pypdfium2
import pytest
from django.urls import reverse

from biobank.checks.passport import MOST
from biobank.core import codes
from biobank.models import Programme, SamplePlan, TubeSet
from custody import checkpoints, keys
from custody.standalone import verify_custody
from tests import people as builders
from tests.biobank.test_passport import law, text, world  # noqa: F401

HERE = Path(verify_custody.__file__)


def fetch(client, code, **more):
    return client.get(reverse("passport", args=[code]), more)


def words(answer) -> str:
    return text(pypdfium2.PdfDocument(answer.content))


def strangers(code: str) -> None:
    """The tube's set becomes that of another programme."""
    other = Programme.objects.create(code="OTHER", name="Another survey")
    plan = SamplePlan.objects.create(programme=other, code="ELSE", name="Elsewhere")
    TubeSet.objects.filter(tubes=code).update(plan=plan)


# --- who ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "auditor", "collaborator"])
def test_whoever_sees_tubes_or_the_catalogue_gets_the_paper_and_it_is_logged(world, sign_in, role, caplog):  # noqa: F811
    with caplog.at_level(logging.INFO, "biobank.exports"):
        answer = fetch(sign_in(role), world.serum)
    assert answer.status_code == 200 and answer["Content-Type"] == "application/pdf"
    assert f'filename="passport-{world.serum}.pdf"' in answer["Content-Disposition"]
    person = world.people.person(role).code
    said = [one.getMessage() for one in caplog.records if one.name == "biobank.exports"]
    assert said == [f"passport {world.serum} assay=all by {person}"]


@pytest.mark.parametrize("role", ["curator", "collaborator"])
def test_a_tube_of_another_programme_does_not_exist(world, sign_in, role):  # noqa: F811
    strangers(world.serum)
    client = sign_in(role)
    assert fetch(client, world.serum).status_code == 404
    answer = client.post(reverse("passport_batch"), {"tubes": world.serum})
    assert answer.status_code == 422 and "tube_unknown" in answer.content.decode()


def test_nobody_without_a_login(world, client):  # noqa: F811
    assert fetch(client, world.serum).status_code == 302


def test_the_code_may_be_written_as_on_the_label_and_an_unknown_one_is_404(world, sign_in):  # noqa: F811
    client = sign_in("curator")
    assert fetch(client, codes.show(world.serum)).status_code == 200
    assert fetch(client, codes.make("K7R2M", 1)).status_code == 404
    assert fetch(client, "NONSENSE").status_code == 404


# --- what -----------------------------------------------------------------------------------------


def test_for_one_assay(world, sign_in):  # noqa: F811
    client = sign_in("curator")
    assert "in-glass" not in words(fetch(client, world.serum, assay="SERO"))
    assert fetch(client, world.serum, assay="NOPE").status_code == 404


def test_a_tube_that_holds_nothing_is_refused_with_a_sentence(store, law, sign_in):  # noqa: F811
    empty = builders.printed_set(store).tubes.first().code
    answer = fetch(sign_in("curator"), empty)
    assert answer.status_code == 422
    assert "holds nothing yet" in answer.content.decode() and "tube_holds_nothing" in answer.content.decode()


# --- batch ----------------------------------------------------------------------------------------


def test_a_batch_is_one_pdf_with_a_cover(world, sign_in, caplog):  # noqa: F811
    client = sign_in("labtech")
    assert client.get(reverse("passport_batch")).status_code == 200
    with caplog.at_level(logging.INFO, "biobank.exports"):
        answer = client.post(
            reverse("passport_batch"), {"tubes": f"{world.serum}\n{world.blood}", "assay": "SERO"}
        )
    assert answer.status_code == 200 and answer["Content-Type"] == "application/pdf"
    said = words(answer)
    assert "2 tubes" in said and codes.show(world.serum) in said and codes.show(world.blood) in said
    [said] = [one.getMessage() for one in caplog.records if one.name == "biobank.exports"]
    assert said == "passports 2 tubes assay=SERO by P2"


@pytest.mark.parametrize(
    ("tubes", "code"),
    [("", "required"), ("NONSENSE", "code_"), (codes.make("K7R2M", 7), "tube_unknown")],
)
def test_bad_codes_are_refused_beside_their_field_and_stay_typed(world, sign_in, tubes, code):  # noqa: F811
    answer = sign_in("curator").post(reverse("passport_batch"), {"tubes": tubes})
    page = answer.content.decode()
    assert answer.status_code == 422 and code in page and tubes in page


def test_more_than_the_most_and_an_empty_tube_are_refused(world, sign_in):  # noqa: F811
    client = sign_in("curator")
    many = "\n".join(codes.make("K7R2M", n) for n in range(1, MOST + 2))
    answer = client.post(reverse("passport_batch"), {"tubes": many})
    assert answer.status_code == 422 and "too_many_tubes" in answer.content.decode()
    empty = world.tube(world.serum).tube_set.tubes.exclude(parent_hint__in=["", world.blood]).first().code
    answer = client.post(reverse("passport_batch"), {"tubes": f"{world.serum}\n{empty}"})
    assert answer.status_code == 422 and codes.show(empty) in answer.content.decode()
    assert "holds nothing yet" in answer.content.decode()


# --- proof ----------------------------------------------------------------------------------------


def test_the_proof_file_holds_for_the_stand_alone_checker(world, sign_in, tmp_path):  # noqa: F811
    answer = sign_in("auditor").get(reverse("passport_proof", args=[world.serum]))
    assert answer.status_code == 200 and answer["Content-Disposition"].endswith('.proof.json"')
    (file := tmp_path / "it.json").write_bytes(answer.content)
    run = subprocess.run(
        [sys.executable, str(HERE), str(file), "--key", keys.secret().public.text()],
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0 and run.stdout.startswith("PROVEN"), run.stdout + run.stderr
    said = json.loads(answer.content)
    assert [json.loads(line["text"])["t"] for line in said["lines"]] == [world.serum]
    assert json.loads(said["event"]["header"])["kind"] == "graded"


def test_the_catalogue_gets_no_proof_file_because_it_shows_a_time(world, sign_in):  # noqa: F811
    assert sign_in("collaborator").get(reverse("passport_proof", args=[world.serum])).status_code == 403


def test_without_a_checkpoint_there_is_no_proof_and_it_says_so(world, sign_in, monkeypatch):  # noqa: F811
    def fail(reason):
        raise checkpoints.NotAContinuation("cut")

    monkeypatch.setattr(checkpoints, "make", fail)
    answer = sign_in("curator").get(reverse("passport_proof", args=[world.serum]))
    assert answer.status_code == 422 and "no_checkpoint" in answer.content.decode()
