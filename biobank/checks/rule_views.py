"""Pages of curators: drafts of rule sets, and what stands in them. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from biobank.access import right
from biobank.checks import queries, rule_forms, ruling, trial
from biobank.checks.rule_refused import asked, draft_or_refused, page_of, refusing, set_or_404, today
from biobank.checks.rule_values import row_of
from biobank.checks.starter import Row
from biobank.forms import act_view
from biobank.models import Rule, RuleSet
from custody.core.rule import NEEDS


@right("curate")
@require_POST
@refusing
def rule_draft(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Copy a set to the next version of its code."""
    found = set_or_404(code, version)
    form = rule_forms.ReasonForm(request.POST)

    def do(said: dict[str, Any]) -> str:
        return page_of(ruling.copy_set(found, request.user, said["reason"]))

    context = {"shown": found, "title": "Make a draft", "button": "Make a draft"}
    return act_view(request, form, "checks/rule_reason.html", do, context, done="Draft made. Now change it.")


@right("curate")
@require_POST
@refusing
def rule_set_delete(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """A draft that was never in force."""
    found = set_or_404(code, version)
    form = rule_forms.ReasonForm(request.POST)

    def do(said: dict[str, Any]) -> str:
        ruling.delete_draft(found, request.user, said["reason"])
        return reverse("rules")

    context = {"shown": found, "title": "Delete the draft", "button": "Delete it"}
    return act_view(request, form, "checks/rule_reason.html", do, context, done="Draft deleted.")


@right("curate")
@refusing
def rule_set_note(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """What the set says of itself."""
    draft = draft_or_refused(code, version)
    form = rule_forms.NoteForm(asked(request), initial={"note": draft.note})

    def do(said: dict[str, Any]) -> str:
        ruling.change_note(draft, said["note"], request.user, said["reason"])
        return page_of(draft)

    context = {"shown": draft, "title": "What the set says of itself", "button": "Save"}
    return act_view(request, form, "checks/rule_reason.html", do, context, done="Changed.")


@right("curate")
@refusing
def rule_set_begin(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Put a draft in force, after a look at what would change. The same form again: in force already."""
    draft = set_or_404(code, version)
    if draft.status == RuleSet.Status.IN_FORCE and request.method == "POST":
        return redirect(page_of(draft))
    draft = draft_or_refused(code, version)
    looked = trial.current(draft)
    form = rule_forms.BeginForm(asked(request), today=today(request), looked=looked is not None)

    def do(said: dict[str, Any]) -> str:
        ruling.begin(draft, said["valid_from"], request.user, said["reason"], said.get("unseen", False))
        return page_of(draft)

    programme = request.person.programme  # type: ignore[attr-defined]
    context = {
        "shown": draft, "looked": looked, "newest": trial.of(draft), "in_force": queries.in_force(),
        **(queries.counted(looked, programme) if looked else {}),
    }  # fmt: skip
    return act_view(request, form, "checks/rule_begin.html", do, context, done="In force.")


@right("curate")
@refusing
def rule_new(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Step one: which kind. Step two, with `kind`: what such a rule says."""
    draft = draft_or_refused(code, version)
    kind = request.GET.get("kind", "")
    if not kind:
        return render(request, "checks/rule_kind.html", {"shown": draft, "form": rule_forms.KindForm()})
    if kind not in NEEDS:
        raise Http404("There is no such kind of rule.")
    return _new(request, draft, rule_forms.RuleForm(asked(request), kind=kind), "Add a rule")


def _new(request: HttpRequest, draft: RuleSet, form: rule_forms.RuleForm, title: str) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        rule = ruling.add_rule(draft, said["row"], request.user, said["reason"])
        return f"{page_of(draft)}#{rule.code}"

    return act_view(
        request, form, "checks/rule_form.html", do, {"shown": draft, "title": title}, "Rule added."
    )


def _rule(draft: RuleSet, name: str) -> Rule:
    found = Rule.objects.filter(rule_set=draft, code=name).select_related("assay").first()
    if found is None:
        raise Http404("There is no such rule in this set.")
    return found


@right("curate")
@refusing
def rule_edit(request: HttpRequest, code: str, version: int, rule: str) -> HttpResponse:
    """One rule of a draft."""
    draft = draft_or_refused(code, version)
    found = _rule(draft, rule)
    row: Row = row_of(found)
    form = rule_forms.RuleForm(asked(request), kind=found.kind, row=row)

    def do(said: dict[str, Any]) -> str:
        changed = ruling.change_rule(draft, rule, said["row"], said["seen"], request.user, said["reason"])
        return f"{page_of(draft)}#{changed.code}"

    context = {"shown": draft, "title": f"Change {found.code}", "rule": found}
    return act_view(request, form, "checks/rule_form.html", do, context, "Changed.")


@right("curate")
@refusing
def rule_copy(request: HttpRequest, code: str, version: int, rule: str) -> HttpResponse:
    """A new rule that begins as a copy of this one; its code must be another."""
    draft = draft_or_refused(code, version)
    found = _rule(draft, rule)
    form = rule_forms.RuleForm(asked(request), kind=found.kind, row=row_of(found), new=True)
    return _new(request, draft, form, f"Copy of {found.code}")


@right("curate")
@refusing
def rule_out(request: HttpRequest, code: str, version: int, rule: str) -> HttpResponse:
    """Take a rule out of the draft, or count it no more; one that is not counted may count again."""
    draft = draft_or_refused(code, version)
    found = Rule.objects.filter(rule_set=draft, code=rule).first()
    if found is None and request.method == "POST":
        return redirect(page_of(draft))  # the same form again
    found = found or _rule(draft, rule)
    form = rule_forms.OutForm(asked(request)) if found.active else rule_forms.BackForm(asked(request))

    def do(said: dict[str, Any]) -> str:
        if said.get("what") == "out":
            ruling.take_out(draft, rule, request.user, said["reason"])
        else:
            back = not found.active
            ruling.count_rule(draft, rule, back, said["reason"], request.user, said["reason"])
        return page_of(draft)

    context = {"shown": draft, "title": f"{found.code}: count it or not", "button": "Do it", "rule": found}
    return act_view(request, form, "checks/rule_reason.html", do, context, "Changed.")


@right("curate")
@require_POST
@refusing
def rule_choose(request: HttpRequest, code: str, version: int) -> HttpResponse:
    """Which of the sources that answer one question count; `question` is its key."""
    draft = draft_or_refused(code, version)
    all_of_them = queries.questions(draft)
    one = next((one for one in all_of_them if one.key == request.POST.get("question")), None)
    if one is None:
        raise Http404("There is no such question in this set.")
    form = rule_forms.ChooseForm(request.POST, rules=one.rules, prefix=one.key)

    def do(said: dict[str, Any]) -> str:
        ruling.choose(draft, one.question, set(said["chosen"]), said["choice"], request.user)
        return f"{page_of(draft, 'rule_disagreements')}#{one.key}"

    rows = [(it, form if it == one else rule_forms.ChooseForm(rules=it.rules, prefix=it.key))
            for it in all_of_them]  # fmt: skip
    context = {"shown": draft, "rows": rows, "may_edit": True}
    return act_view(request, form, "checks/rule_disagreements.html", do, context, "Chosen.")
