"""Plans by their pages: who may, what is refused, what stays as it was, how many queries."""

from __future__ import annotations

from datetime import date, timedelta
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from biobank.labels.actions import print_sets, void_set
from biobank.models import BloodLimit, PlannedTube, Programme, SamplePlan, TubeLot
from biobank.plans import actions, sheet
from biobank.plans.rows import value_of
from biobank.plans.starters import starters
from biobank.plans.values import Aliquots, Plan, Planned
from custody.core.event import new_id
from tests.people import DAY, moment

FLAT = ["plans", "kit", "lots"]
EDIT = ["plan_new", "plan_starters", "plan_table"]
OF_PLAN = ["plan_change", "plan_tube_new"]


def of(plan: SamplePlan, name: str = "plan", *more: object) -> str:
    return reverse(name, args=[plan.code, plan.version, *more])


def form_at(client, url: str) -> dict[str, str]:
    """What the page's form would send as it stands."""
    form = client.get(url).context["form"]
    said = {name: form[name].value() for name in form.fields}
    rows = getattr(form, "rows", None)
    if rows is not None:
        said |= {rows.management_form.add_prefix(k): v for k, v in rows.management_form.initial.items()}
        said |= {row.add_prefix(name): row[name].value() for row in rows for name in row.fields}
    return {name: value for name, value in said.items() if value is not None and value is not False}


def codes_in(answer) -> str:
    return answer.content.decode()


@pytest.mark.parametrize("role", ["fieldtech", "labtech", "curator", "auditor"])
def test_everybody_with_see_reads_and_only_curators_edit(people, sign_in, role):
    client, curates = sign_in(role), role == "curator"
    for url in [*map(reverse, FLAT), of(people.plan), of(people.plan, "plan_export", "csv")]:
        assert client.get(url).status_code == 200
    edits = [
        *map(reverse, EDIT),
        *(of(people.plan, name) for name in OF_PLAN),
        of(people.plan, "plan_tube", 1),
    ]
    for url in edits:
        assert client.get(url).status_code == (200 if curates else 403)
    assert ("Change the plan" in codes_in(client.get(of(people.plan)))) == curates
    posts = [
        of(people.plan, "plan_move"),
        of(people.plan, "plan_retire"),
        of(people.plan, "plan_tube_remove", 1),
    ]
    if not curates:
        assert [client.post(url).status_code for url in posts] == [403] * 3


def test_an_administrator_edits_and_a_collaborator_sees_nothing(people, sign_in):
    from django.test import Client

    from biobank.models import Role
    from tests.people import make_person

    boss = make_person(people.programme, people.nlb, Role.ADMINISTRATOR, "P09", "boss")
    client = Client()
    client.force_login(boss.user)
    assert client.get(reverse("plan_new")).status_code == 200
    for url in [*map(reverse, FLAT), of(people.plan), of(people.plan, "plan_export", "xlsx")]:
        assert sign_in("collaborator").get(url).status_code == 403


def test_what_is_not_there_or_another_programme_s_is_404(people, sign_in):
    client = sign_in("curator")
    other = Programme.objects.create(code="OTHER", name="Other", tz="UTC")
    plan = SamplePlan.objects.create(programme=other, code="THEIRS", name="Their plan")
    lot = TubeLot.objects.create(programme=other, additive="EDTK", lot="THEIRS-1")
    for url in [
        of(plan), of(plan, "plan_export", "csv"), of(plan, "plan_change"), reverse("plan", args=["SEAL", 2]),
        of(people.plan, "plan_tube", 44), of(people.plan, "plan_export", "exe"),
    ]:  # fmt: skip
        assert client.get(url).status_code == 404
    assert client.post(reverse("lot_used_up", args=[lot.pk])).status_code == 404
    for name in ["plans", "lots", "kit"]:
        text = codes_in(client.get(reverse(name)))
        assert "Their plan" not in text and "THEIRS-1" not in text
    assert client.get(reverse("kit"), {"plan": plan.pk, "animals": 1}).status_code == 422
    assert client.post(of(people.plan, "plan_move"), {"later": "44"}).status_code == 404


def test_a_plan_is_made_filled_and_changed_by_its_forms(people, sign_in):
    client = sign_in("curator")
    said = {"code": "NEW", "name": "New plan", "taxon": "bird", "spare_pct": 0, "ice_g": 0, "dry_ice_g": 0}
    assert client.post(reverse("plan_new"), said).status_code == 302
    plan = SamplePlan.objects.get(code="NEW")
    url = of(plan, "plan_tube_new")
    tube = form_at(client, url) | {
        "label": "Heparin 0,5",
        "additive": "HEPL",
        "reason": "first",
    }
    tube |= {"volume_ul": "0,5", "made-0-count": "2", "made-0-matrix": "PL1", "made-0-ul": "0.1"}
    answer = client.post(url, tube)
    assert answer.status_code == 302
    made = value_of(plan).tube(1)
    assert made and (made.label, made.volume_ul) == ("Heparin 0,5", 500)
    assert made.made == (Aliquots(2, "PL1", 100, target_centi=-8000),)
    url = of(plan, "plan_tube", 1)
    assert (
        client.post(url, form_at(client, url) | {"made-0-DELETE": "on", "reason": "none"}).status_code == 302
    )
    assert value_of(plan).tube(1).made == ()
    text = codes_in(client.get(of(plan)))
    assert "first" in text and "taken out" in text
    assert client.post(of(plan, "plan_tube_remove", 1), {"reason": "x", "seen": form_at(client, url)["seen"]})
    assert value_of(plan).tubes == ()


def test_an_edit_of_a_printed_plan_says_so_and_makes_the_next_version(people, sign_in):
    client = sign_in("curator")
    before = value_of(people.plan)
    print_sets(people.actor("fieldtech"), new_id(), people.plan, people.day, 1)
    assert "A change makes version 2" in codes_in(client.get(of(people.plan)))
    url = of(people.plan, "plan_tube", 2)
    said = form_at(client, url) | {"label": "Red 9", "volume_ul": "9", "reason": "smaller tubes"}
    answer = client.post(url, said, follow=True)
    assert answer.redirect_chain[-1][0] == reverse("plan", args=["SEAL", 2])
    assert "so it stays" in codes_in(answer)
    assert value_of(people.plan) == before
    assert value_of(SamplePlan.objects.get(code="SEAL", version=2)).tube(2).volume_ul == 9000
    assert client.post(url, said).status_code == 302, "the same form again"
    assert SamplePlan.objects.filter(code="SEAL").count() == 2
    old = codes_in(client.get(of(people.plan)))
    assert "Not the newest" in old and "Change the plan" not in old
    again = client.post(url, said | {"label": "Red 8"})
    assert again.status_code == 422 and "plan_superseded" in codes_in(again)


def test_a_tube_is_drawn_earlier_and_a_stale_page_changes_nothing(people, sign_in):
    client = sign_in("curator")
    seen = value_of(people.plan).digest()
    order = lambda: list(people.plan.tubes.order_by("order_of_draw").values_list("number", flat=True))  # noqa: E731
    answer = client.post(of(people.plan, "plan_move"), {"earlier": "3", "seen": seen})
    assert answer.status_code == 302 and answer["Location"].endswith("#tube-3")
    assert order()[:3] == [1, 3, 2]
    answer = client.post(of(people.plan, "plan_move"), {"earlier": "3", "seen": seen})
    assert answer.status_code == 422 and "plan_changed" in codes_in(answer)
    assert order()[:3] == [1, 3, 2]


BAD = [
    ({"label": "<script>alert(1)</script>"}, "label_text_markup"),
    ({"label": "Red\u202e10"}, "label_text_not_printable"),
    ({"label": "Red\x0710"}, "label_text_not_printable"),
    ({"label": "ש 10"}, "label_text_direction"),
    ({"label": "x" * 10_000}, "text_too_long"),
    ({"label": ""}, "value_missing"),
    ({"volume_ul": "0"}, "number_out_of_range"),
    ({"volume_ul": "ten"}, "number_malformed"),
    ({"number": "0"}, "number_out_of_range"),
    ({"number": "100"}, "number_out_of_range"),
    ({"number": "3"}, "number_taken"),
    ({"matrix": "ZZZ"}, "choice_unknown"),
    ({"clot_min": "60", "clot_max_min": "30"}, "clotting_order"),
    ({"spin_g": "2000"}, "spin_incomplete"),
    ({"made-0-ul": "0"}, "number_out_of_range"),
    ({"made-0-count": "900"}, "number_out_of_range"),
    ({"made-TOTAL_FORMS": "x"}, "aliquot_rows_wrong"),
    ({"reason": ""}, "required"),
]


@pytest.mark.parametrize(("wrong", "code"), BAD, ids=[f"{n} {code}" for n, (_, code) in enumerate(BAD)])
def test_bad_input_is_refused_with_a_code_and_changes_nothing(people, sign_in, wrong, code):
    client, before = sign_in("curator"), value_of(people.plan)
    url = of(people.plan, "plan_tube", 2)
    answer = client.post(url, form_at(client, url) | {"reason": "try"} | wrong)
    assert answer.status_code == 422 and code in codes_in(answer)
    assert "<script>alert" not in codes_in(answer)
    assert value_of(people.plan) == before


def test_html_in_a_name_or_note_stays_text(people, sign_in):
    client = sign_in("curator")
    url = of(people.plan, "plan_change")
    said = form_at(client, url) | {"name": "<b>Bold</b>", "note": "<i>x</i>\r\nline", "reason": "try"}
    assert client.post(url, said).status_code == 302
    text = codes_in(client.get(of(people.plan)))
    assert "<b>Bold</b>" not in text and "&lt;b&gt;Bold" in text and "<i>x</i>" not in text


def test_a_starter_plan_is_begun_from_and_its_page_shows_the_totals(people, sign_in):
    client = sign_in("curator")
    answer = client.post(reverse("plan_starters"), {"name": "SEAL-FULL"}, follow=True)
    text = codes_in(answer)
    for said in [
        "130.9 mL",
        "<strong>110</strong>",
        "<strong>52</strong>",
        "sources disagree",
        "local rules",
    ]:
        assert said in text
    assert client.post(reverse("plan_starters"), {"name": "NONE"}).status_code == 422
    assert client.post(reverse("plan_starters"), {"name": "SEAL-FULL"}).status_code == 302
    assert SamplePlan.objects.filter(code="SEAL-FULL").count() == 1


@pytest.mark.parametrize("kg", ["0", "-5", "10000", "heavy", "", "1e3", "nan"])
def test_a_mass_that_no_animal_has_is_refused(people, sign_in, kg):
    answer = sign_in("fieldtech").get(of(people.plan), {"kg": kg})
    assert answer.status_code == 422


def test_the_blood_of_a_plan_is_shown_against_a_body_mass(people, sign_in):
    """By hand: 2.7 + 10 + 5 + 6 + 4 = 27.7 mL; of 50 kg 0.554 mL/kg, 0.0554 % of the mass at 1 mL = 1 g."""
    text = codes_in(sign_in("fieldtech").get(of(people.plan), {"kg": "50"}))
    assert "27.7 mL" in text and "554 µL for each kilogram" in text and "0.06 % of the mass" in text
    assert "no limit is set" in text


@pytest.mark.parametrize(
    ("kg", "said"), [("2.8", "within the limit"), ("2.769", "over the limit"), ("2.77", "within the limit")]
)
def test_a_plan_is_held_against_the_veterinarian_s_limit(people, sign_in, kg, said):
    """1 % of body mass (UC Davis, in 14 days): the 27.7 mL of the plan are just that of 2.77 kg."""
    BloodLimit.objects.create(
        key=uuid4(), programme=people.programme, mass_per_mille=10, window_days=14, since=DAY,
        source="UC Davis", set_by=people.person("curator"), set_at=moment(9),
    )  # fmt: skip
    text = codes_in(sign_in("fieldtech").get(of(people.plan), {"kg": kg}))
    assert said in text and "1 % of body mass in 14 days" in text and "no limit is set" not in text


def upload(client, content: bytes, **more: str):
    return client.post(reverse("plan_table"), {"file": SimpleUploadedFile("plan.csv", content)} | more)


def test_a_plan_goes_out_and_comes_back_by_the_pages(people, sign_in):
    client = sign_in("curator")
    before = value_of(people.plan)
    for kind in ["csv", "xlsx"]:
        answer = client.get(of(people.plan, "plan_export", kind))
        assert answer["Content-Disposition"] == f'attachment; filename="SEAL-1.{kind}"'
        assert upload(client, answer.content).status_code == 302
    assert value_of(people.plan) == before and SamplePlan.objects.count() == 1


def test_a_table_with_faults_shows_each_and_takes_nothing_in(people, sign_in):
    client, rows = sign_in("curator"), PlannedTube.objects.count()
    text = sheet.to_csv(Plan("T", "T", tubes=(Planned(1, 1, "Red", "BLD"),))).decode().replace("Red", "=1+1")
    answer = upload(client, text.encode())
    assert answer.status_code == 422
    for said in ["table_has_faults", "formula_refused", 'data-name="Row">3<', 'data-name="Column">label<']:
        assert said in codes_in(answer)
    assert PlannedTube.objects.count() == rows and not SamplePlan.objects.filter(code="T").exists()
    for content, code in [(b"", "file_empty"), (b"\xff", "file_kind")]:
        answer = upload(client, content)
        assert answer.status_code == 422 and code in codes_in(answer)


def test_the_kit_list_of_a_plan_counts_and_says_which_lots(people, sign_in):
    client = sign_in("fieldtech")
    for lot, last in [("OLD-1", -1), ("NEW-1", 400)]:
        said = {"additive": "EDTK", "lot": lot, "ul": "4", "expires": date.today() + timedelta(days=last)}
        assert client.post(reverse("lots"), said).status_code == 302
    text = codes_in(client.get(reverse("kit"), {"plan": people.plan.pk, "animals": 3, "spares": 1}))
    for said in ["<strong>60</strong> labels", "<b>36</b>", "OLD-1", "do not pack", "NEW-1"]:
        assert said in text
    lot = TubeLot.objects.get(lot="NEW-1")
    assert client.post(reverse("lot_used_up", args=[lot.pk])).status_code == 302
    text = codes_in(client.get(reverse("kit"), {"plan": people.plan.pk, "animals": 3}))
    assert "no good lot is left" in text and "NEW-1" not in text


def test_the_kit_list_of_a_field_day_counts_the_sets_that_were_printed_for_it(people, sign_in):
    client = sign_in("fieldtech")
    page = {"day": people.day.pk}
    assert "No set is printed for this day yet" in codes_in(client.get(reverse("kit"), page))
    tech = people.actor("fieldtech")
    wet = print_sets(tech, new_id(), people.plan, people.day, 3)[0]
    void_set(tech, new_id(), wet, "wet")
    assert "<strong>30</strong> labels" in codes_in(client.get(reverse("kit"), page))
    by_plan = codes_in(client.get(reverse("kit"), page | {"plan": people.plan.pk}))
    assert "<strong>45</strong> labels" in by_plan, "three animals are expected on that day"


def test_a_kit_with_dry_ice_and_formalin_comes_with_its_caution(people, sign_in):
    plan = actions.install(people.programme, people.user("curator"), "SEAL-FULL")
    text = codes_in(sign_in("fieldtech").get(reverse("kit"), {"plan": plan.pk, "animals": 2}))
    assert (
        "<strong>10 kg</strong> of dry ice" in text
        and "local rules come first" in text
        and "Formalin" in text
    )
    assert "<strong>220</strong> labels and 22 spare" in text


@pytest.mark.parametrize(
    "said", [{"animals": -1}, {"animals": 61}, {"plan": "x"}, {"day": 99999}, {"spares": "9" * 30}]
)
def test_a_kit_of_nonsense_is_refused(people, sign_in, said):
    assert sign_in("fieldtech").get(reverse("kit"), said).status_code == 422


@pytest.mark.parametrize(
    ("said", "code"),
    [
        ({"lot": ""}, "value_missing"),
        ({"lot": "x" * 41}, "text_too_long"),
        ({"lot": "L\u202e1"}, "label_text_not_printable"),
        ({"ul": "0"}, "number_out_of_range"),
        ({"expires": "0001-01-01"}, "year_out_of_range"),
        ({"additive": "XXX"}, "invalid_choice"),
    ],
)
def test_a_lot_that_cannot_be_is_refused(people, sign_in, said, code):
    good = {"additive": "EDTK", "lot": "L1", "ul": "4"}
    answer = sign_in("fieldtech").post(reverse("lots"), good | said)
    assert answer.status_code == 422 and code in codes_in(answer) and not TubeLot.objects.exists()


def test_an_auditor_adds_no_lot(people, sign_in):
    assert sign_in("auditor").post(reverse("lots"), {"additive": "EDTK", "lot": "L1"}).status_code == 403


def queries(client, url: str) -> int:
    with CaptureQueriesContext(connection) as asked:
        assert client.get(url).status_code == 200
    return len(asked)


def test_no_page_needs_more_queries_for_more_rows(people, sign_in):
    client, actor, counts = sign_in("curator"), people.actor("curator"), []
    for n in (3, 30):
        tubes = [Planned(k, k, f"T{k}", "BLD", made=(Aliquots(1, "SER", 500),)) for k in range(1, n + 1)]
        plan = actions.make(actor, Plan(f"N{n}", "Plan", tubes=tuple(tubes)))
        for k in range(n):
            actions.make(actor, Plan(f"N{n}-{k}", "Plan", tubes=(tubes[0],)))
            actions.add_lot(actor, lot=f"{n}-{k}", additive="NONE", ul=None, container="")
        print_sets(actor, new_id(), plan, people.day, 1)
        pages = [
            reverse("plans"),
            reverse("lots"),
            of(plan),
            of(plan, "plan_tube", 1),
            of(plan, "plan_export", "csv"),
        ]
        kits = [f"{reverse('kit')}?plan={plan.pk}&animals=2", f"{reverse('kit')}?day={people.day.pk}"]
        counts.append([queries(client, url) for url in [*pages, *kits]])
    assert counts[0] == counts[1], "plans, lots, plan, tube, export, kit of a plan, kit of a day"


def test_the_full_seal_plan_s_page_is_small(people, sign_in):
    plan = actions.install(people.programme, people.user("curator"), "SEAL-FULL")
    assert len(starters()["SEAL-FULL"].tubes) == 58
    assert queries(sign_in("curator"), of(plan)) <= 14
    assert len(sign_in("curator").get(of(plan)).content) < 200_000
