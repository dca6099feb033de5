"""Pages of a discard: the act, empty tubes, consents and rules, one discard and its certificate."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from biobank.access import event_or_404, may, right
from biobank.bench.asked import actor, bound
from biobank.disposal import actions, paper, queries
from biobank.disposal.forms import ConsentForm, DiscardForm, EmptyForm, RuleForm, WithdrawForm
from biobank.disposal.witness import Claim
from biobank.forms import act_view
from biobank.models import Consent, ConsentRule, SamplePlan

asks = require_http_methods(["GET", "HEAD", "POST"])
SHOWN = 100  # consents on one page, newest first


@sensitive_post_parameters("witness_password")
@asks
@right("store")
def discard(request: HttpRequest) -> HttpResponse:
    """Take tubes out of the collection for good."""

    def do(said: dict[str, Any]) -> str:
        claim = Claim(request, said["witness"], said["witness_password"])
        names = ("key", "tubes", "why", "method", "note", "at")
        done = actions.discard(
            actor(request), **{name: said[name] for name in names}, witness=claim.confirmed
        )
        return reverse("disposal", args=[done])

    return act_view(request, bound(DiscardForm, request), "disposal/discard.html", do, done="Discarded.")


@asks
@right("store")
def empty(request: HttpRequest) -> HttpResponse:
    """Empty tubes that still stand in boxes, discarded together as used up."""
    who = actor(request)
    boxes = queries.empties(who.org)
    ready = [state.tube for box in boxes for state, _, kept in box.tubes if not kept]
    form = EmptyForm(request.POST if request.method == "POST" else None, tz=who.tz, tubes=ready)
    form.fields["tubes"].choices = _choices(request, ready)  # type: ignore[attr-defined]

    def do(said: dict[str, Any]) -> str:
        done = actions.discard(
            who, said["key"], said["tubes"], actions.USED_UP, said["method"], said["at"], said["note"]
        )
        return reverse("disposal", args=[done])

    chosen = form.data.getlist("tubes") if form.is_bound else ready  # type: ignore[attr-defined]
    context = {"boxes": boxes, "ready": len(ready), "chosen": chosen}
    return act_view(request, form, "disposal/empty.html", do, context, done="Discarded.")


def _choices(request: HttpRequest, ready: list[str]) -> list[tuple[str, str]]:
    """What is on the page, and what was sent: whether that may still go is for the action to say."""
    return [(code, code) for code in dict.fromkeys([*ready, *request.POST.getlist("tubes")])]


def disposal_or_404(request: HttpRequest, key: UUID) -> queries.Disposal:
    told = event_or_404(request.person, key)  # type: ignore[attr-defined]
    if told.said.header["kind"] != "discarded":
        raise Http404("This event is no discard.")
    return queries.disposal(told)


@require_safe
@right("see")
def disposal(request: HttpRequest, key: UUID) -> HttpResponse:
    """One discard: what, why, who watched, on whose consent."""
    return render(request, "disposal/disposal.html", {"disposal": disposal_or_404(request, key)})


@require_safe
@right("see")
def certificate(request: HttpRequest, key: UUID) -> HttpResponse:
    """The same on paper."""
    one = disposal_or_404(request, key)
    answer = HttpResponse(paper.certificate_pdf(one), content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="certificate-{one.told.said.seq}.pdf"'
    return answer


@require_safe
@right("handoff")
def consents(request: HttpRequest) -> HttpResponse:
    """Who agreed to the discard of what, and the rules by which they are asked."""
    who = request.person  # type: ignore[attr-defined]
    found = Consent.objects.filter(noted_by__programme_id=who.programme_id)
    found = found.select_related("agency", "noted_by").prefetch_related("tubes")
    rules = ConsentRule.objects.select_related("owner").filter(programme_id=who.programme_id)
    context = {"consents": found[:SHOWN], "rules": rules, "may_curate": may(who, "curate")}
    return render(request, "disposal/consents.html", context)


@asks
@right("handoff")
def consent_new(request: HttpRequest) -> HttpResponse:
    """Note an owner's consent."""
    form = bound(ConsentForm, request, initial={"given_on": timezone.localdate()})

    def do(said: dict[str, Any]) -> str:
        actions.note_consent(actor(request), **said)
        return reverse("consents")

    return act_view(request, form, "disposal/consent.html", do, done="Consent noted.")


@asks
@right("handoff")
def consent_end(request: HttpRequest, pk: int) -> HttpResponse:
    """The owner has changed its mind."""
    who = actor(request)
    one = get_object_or_404(
        Consent.objects.select_related("agency"), pk=pk, noted_by__programme_id=who.person.programme_id
    )

    def do(said: dict[str, Any]) -> str:
        actions.withdraw_consent(who, one, said["why"])
        return reverse("consents")

    form = WithdrawForm(request.POST if request.method == "POST" else None)
    return act_view(request, form, "disposal/withdraw.html", do, {"consent": one}, done="It counts no more.")


@asks
@right("curate")
def rules(request: HttpRequest) -> HttpResponse:
    """Whose tubes they are, and when the owner is asked."""
    who = actor(request)
    programme = who.person.programme
    plans = SamplePlan.objects.filter(programme=programme).order_by("code").values_list("code", flat=True)
    form = RuleForm(request.POST if request.method == "POST" else None, plans=list(plans.distinct()))

    def do(said: dict[str, Any]) -> str:
        actions.set_rule(who, **said)
        return reverse("consent_rules")

    context = {"rules": ConsentRule.objects.select_related("owner").filter(programme=programme)}
    return act_view(request, form, "disposal/rules.html", do, context, done="Rule saved.")
