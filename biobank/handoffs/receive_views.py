"""Receiving on four pages and a receipt: seal and count, scan, compare, confirm.

Promises: before a count was typed, nothing of what was sent is in a page, its source or its address: neither
how many tubes, nor which, nor the number of the seal. Every page is a plain form; what was said is in the
session, so a reload or a press of Back loses nothing and sends nothing twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from biobank.access import may, right
from biobank.acting import Actor
from biobank.core import codes
from biobank.forms import named, undo_tag
from biobank.handoffs import actions, receive_checks, receive_draft, receive_found, receiving
from biobank.handoffs.conditions import BY_WORD, CONDITIONS
from biobank.handoffs.receive_draft import Compared, Draft, compare, keep
from biobank.handoffs.receive_forms import CompareForm, ConfirmForm, CountForm, ScanForm, shown
from biobank.models import HandoffCase, Logger
from custody import queries as ledger
from custody.core.refusal import Refused

STEPS = [("count", "Seal and count"), ("scan", "Scan"), ("compare", "Compare"), ("confirm", "Confirm")]
WORDS = {
    "ok": "received", "damaged": "received damaged", "warm": "received warmer than it may be",
    "missing": "missing", "unreadable": "label cannot be read", "extra": "not on the list",
}  # fmt: skip


@dataclass
class Desk:
    """One request of somebody who receives."""

    request: HttpRequest
    actor: Actor
    given: ledger.Said
    draft: Draft

    @property
    def data(self) -> dict[str, Any]:
        found: dict[str, Any] = self.given.header["data"]
        return found

    def save(self) -> None:
        keep(self.request.session, self.given.id, self.draft)

    def to(self, step: str) -> HttpResponse:
        return redirect(f"{reverse('handoff_receive', args=[self.given.id])}?step={step}")

    def seen(self) -> Compared:
        return compare(self.actor.org, self.given, self.draft)

    def page(self, step: str, form: Any, **more: Any) -> HttpResponse:
        here = [name for name, _ in STEPS].index(step)
        steps = [(name, words, n < here) for n, (name, words) in enumerate(STEPS)]
        context = {
            "given": self.given,
            "step": step,
            "steps": steps,
            "form": form,
            "draft": self.draft,
        } | more
        status = 422 if form.is_bound and form.errors else 200
        return render(self.request, f"handoffs/receive_{step}.html", context, status=status)


def given_or_404(request: HttpRequest, key: UUID) -> ledger.Said:
    """A handoff that this person may know of."""
    who = request.person  # type: ignore[attr-defined]
    try:
        given = actions.offered(str(key))
    except Refused as no:
        raise Http404(no.sentence) from no
    sides = {given.header["org"], given.header["data"]["to"]}
    if who.agency.code not in sides and not may(who, "curate") and who.role != "auditor":
        raise Http404("No such handoff.")
    return given


@right("handoff")
def receive(request: HttpRequest, key: UUID) -> HttpResponse:
    """The step that is asked for, or the first that is still to do."""
    given = given_or_404(request, key)
    actor = Actor.of(request.user)
    if done := _done(request, actor, given):
        return done
    try:
        receive_checks.addressed(actor, given)
    except Refused as no:
        raise PermissionDenied(no.sentence) from no
    if not ledger.find(pending_ref=given.id):
        why = receive_checks.closed(given, receive_checks.live_answers(given.id))
        return render(request, "handoffs/receive_closed.html", {"given": given, "no": why}, status=422)
    desk = Desk(request, actor, given, receive_draft.kept(request.session, given.id))
    return PAGES[_step(desk)](desk)


def _done(request: HttpRequest, actor: Actor, given: ledger.Said) -> HttpResponse | None:
    """Where to go when this very form was sent before."""
    form = ConfirmForm(request.POST or None, tz=actor.tz)
    if request.POST.get("step") != "confirm" or not form.is_valid():
        return None
    key = form.cleaned_data["key"]
    try:
        sent = actions.again(actor, key, "received")
    except Refused:
        return None  # said by the form, when it is sent
    return redirect("handoff_received", given.id, key) if sent else None


def _step(desk: Desk) -> str:
    asked = (desk.request.POST or desk.request.GET).get("step", "")
    if not desk.draft.counts or asked == "count":
        return "count"
    if not desk.draft.scanned or asked not in {"compare", "confirm"}:
        return "scan"
    return asked


def _count(desk: Desk) -> HttpResponse:
    """`?counted=` fills the field in; it counts when the form is sent."""
    seal, number = desk.draft.seal if desk.draft.seals else ("", "")
    typed = desk.draft.counts[-1] if desk.draft.counts else desk.request.GET.get("counted", "")
    posted = desk.request.method == "POST" and desk.request.POST.get("step") == "count"
    form = CountForm(
        desk.request.POST if posted else None, initial={"seal_state": seal, "seal": number, "counted": typed}
    )
    if not posted or not form.is_valid():
        return desk.page("count", form)
    said = form.cleaned_data
    if desk.draft.count(said["counted"], said["seal_state"], said["seal"].strip()):
        messages.warning(desk.request, "This is another count than before; the answer will say both.")
    desk.save()
    return desk.to("compare" if desk.draft.scanned else "scan")


def _scan(desk: Desk) -> HttpResponse:
    posted = desk.request.POST if desk.request.POST.get("step") == "scan" else None
    form = ScanForm(posted, initial={"scans": desk.draft.scans})
    if posted is None or not form.is_valid():
        return desk.page("scan", form)
    desk.draft.scans, desk.draft.scanned = form.cleaned_data["scans"], True
    desk.save()
    return desk.to("compare")


def _compare(desk: Desk) -> HttpResponse:
    seen = desk.seen()
    posted = desk.request.POST if desk.request.POST.get("step") == "compare" else None
    form = CompareForm(posted, draft=desk.draft, seen=seen)
    if posted is None or not form.is_valid():
        return _compared(desk, form, seen)
    form.into(desk.draft)
    desk.draft.conditions.pop(posted.get("drop", ""), None)
    desk.save()
    if posted.get("do") != "next":
        return desk.to("compare")
    return _on(desk)


def _on(desk: Desk) -> HttpResponse:
    """To the last page, when nothing stops the answer."""
    seen = desk.seen()
    return _stopped(desk, seen.problems) if seen.problems else desk.to("confirm")


def _stopped(desk: Desk, problems: Any) -> HttpResponse:
    seen = desk.seen()
    ticked = {name: getattr(desk.draft, name) for name in ("rest", "own", "unreadable", "extra", "twins")}
    form = CompareForm(ticked, draft=desk.draft, seen=seen)
    form.is_valid()
    for no in problems:
        form.add_error(None, ValidationError(no.sentence, no.code))
    return _compared(desk, form, seen)


def _compared(desk: Desk, form: CompareForm, seen: Compared) -> HttpResponse:
    odd = [(tube, BY_WORD[word]) for tube, word in sorted(desk.draft.conditions.items())]
    looks = [code for code in seen.found.foreign if _like_ours(code)]
    return desk.page(
        "compare", form, seen=seen, odd=odd, conditions=CONDITIONS, looks_like_ours=looks, sent=desk.data,
        seal=desk.draft.seal, missing=len(seen.found.missing),
        repeated=[shown(code) for code in seen.repeated], all_well=seen.found.clean and not seen.problems,
    )  # fmt: skip


def _like_ours(code: str) -> bool:
    """A code of our form with a wrong check character: typed wrongly, more likely than from elsewhere."""
    try:
        codes.normalise(code)
    except Refused as no:
        return no.code == "code_check_digit"
    return False


def _confirm(desk: Desk) -> HttpResponse:
    seen = desk.seen()
    if seen.problems:
        return _stopped(desk, seen.problems)
    posted = desk.request.POST if desk.request.POST.get("step") == "confirm" else None
    start = {"key": desk.draft.key, "logger": desk.data.get("logger", "")}
    form = ConfirmForm(posted, tz=desk.actor.tz, initial=start)
    if posted is not None and form.is_valid():
        try:
            return _answered(desk, form, seen)
        except Refused as no:
            form.add_error(None, ValidationError(named(no), no.code))
    said = receive_draft.answer(desk.draft, seen, desk.data)
    answer = receiving.Answer(**said)
    tally = {word: list(answer.words.values()).count(word) for word in WORDS}
    silent = len(seen.found.missing) - tally["unreadable"]
    seal = receive_found.of_seal(desk.data, answer)
    return desk.page("confirm", form, seen=seen, said=said, rows=_rows(tally), silent=silent, seal=seal)


def _rows(tally: dict[str, int]) -> list[tuple[str, str, int]]:
    return [(word, WORDS[word], many) for word, many in tally.items() if many]


def _answered(desk: Desk, form: ConfirmForm, seen: Compared) -> HttpResponse:
    said = form.cleaned_data
    names = ("centi_c", "low_centi", "high_centi", "logger", "coolant", "at")
    note = " ".join(part for part in (desk.draft.changed, said["note"]) if part)
    answer = receive_draft.answer(desk.draft, seen, desk.data) | {name: said[name] for name in names}
    done = receiving.receive(
        desk.actor, said["key"], desk.given.id, answer.pop("results"), counted=answer.pop("counted"),
        note=note, **answer,
    )  # fmt: skip
    receive_draft.forget(desk.request.session, desk.given.id)
    # cases and numbers are more than the ledger, so an answer that made some is not undone by a click
    clean = seen.found.clean and not (seen.own or answer["conditions"])
    messages.success(
        desk.request,
        "Received; the sender sees it too.",
        extra_tags=undo_tag(desk.request, said) if clean else "",
    )
    return redirect("handoff_received", desk.given.id, done.id)


PAGES = {"count": _count, "scan": _scan, "compare": _compare, "confirm": _confirm}


@right("see")
def received(request: HttpRequest, key: UUID, event: UUID) -> HttpResponse:
    """The receipt: what this answer said, what is open, and where the tubes go next."""
    given = given_or_404(request, key)
    told = ledger.told([str(event)]).get(str(event))
    if told is None or told.header["kind"] != "received" or told.header.get("ref") != given.id:
        raise Http404("No such answer.")
    who = request.person  # type: ignore[attr-defined]
    words = [line["result"] for line in told.lines]
    mine = told.header["org"] == who.agency.code
    stored = ledger.states([line["t"] for line in told.lines])
    tubes = [
        tube for tube, one in stored.items() if one.status == "held" and one.custodian == who.agency.code
    ]
    return render(request, "handoffs/receive_done.html", {
        "given": given, "told": told, "data": told.header["data"], "voided": told.voided,
        "rows": _rows({word: words.count(word) for word in WORDS}),
        "odd": [line for line in told.lines if line["result"] != "ok" or {"condition", "own"} & set(line)],
        "cases": HandoffCase.objects.filter(event=event).select_related("owner__agency"),
        "to_store": "\n".join(tubes) if mine and may(who, "store") else "", "stores": len(tubes),
        "again": [shown(one) for one in told.header["data"].get("again", "").split(", ") if one],
        "open": len(ledger.find(pending_ref=given.id)),
        "logger": Logger.objects.filter(code=told.header["data"].get("logger") or "-").first(),
    })  # fmt: skip
