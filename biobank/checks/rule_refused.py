"""What every page of rules shares: who asks, the set that is meant, a refusal as a page of its own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import wraps
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone

from biobank.models import RuleSet
from custody.core.refusal import Refused

View = Callable[..., HttpResponse]


def refusing(view: View) -> View:
    """A refusal that no form of the page can show: a page with its sentence and code, 422."""

    @wraps(view)
    def asked(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        try:
            return view(request, *args, **kwargs)
        except Refused as no:
            back = (
                reverse("rule_set", args=[kwargs["code"], kwargs["version"]]) if "version" in kwargs else ""
            )
            return render(request, "checks/rule_refused.html", {"no": no, "back": back}, status=422)

    return asked


def set_or_404(code: str, version: int) -> RuleSet:
    return get_object_or_404(RuleSet.objects.select_related("copied_from"), code=code, version=version)


def draft_or_refused(code: str, version: int) -> RuleSet:
    """The draft; 404 when there is no such set. Refused: rule_set_is_fixed."""
    found = set_or_404(code, version)
    if found.status != RuleSet.Status.DRAFT:
        raise Refused(
            "rule_set_is_fixed",
            f"{found} stays as it is. Make a draft of it and change that, then put it in force.",
        )
    return found


def page_of(rule_set: RuleSet, name: str = "rule_set", *more: object) -> str:
    return reverse(name, args=[rule_set.code, rule_set.version, *more])


def asked(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def today(request: HttpRequest) -> date:
    """The day in the programme's zone."""
    programme = request.person.programme  # type: ignore[attr-defined]
    return timezone.now().astimezone(ZoneInfo(programme.tz)).date()
