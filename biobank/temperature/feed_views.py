"""Where loggers send readings, and the passwords with which they may."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_POST

from biobank.access import right
from biobank.acting import Actor
from biobank.forms import act_view
from biobank.models import Logger, LoggerToken
from biobank.temperature import feed, sent
from custody.core.refusal import Refused

MOST_BYTES = 1_000_000
STATUS = {"token_unknown": 401, "logger_retired": 403, "push_too_large": 413, "reading_seal_broken": 409}
get_or_post = require_http_methods(["GET", "POST"])


@csrf_exempt  # a logger has no cookie; its password comes with each request
@login_not_required
@require_POST
def push(request: HttpRequest) -> HttpResponse:
    """Readings of one logger, with `Authorization: Bearer …`. Answers with numbers, or a code and a
    sentence."""
    try:
        taken = _take(request)
    except Refused as no:
        answer = JsonResponse({"code": no.code, "sentence": no.sentence}, status=STATUS.get(no.code, 422))
        if no.code == "token_unknown":
            answer["WWW-Authenticate"] = "Bearer"
        return answer
    return JsonResponse({"new": taken.new, "already": taken.already, "conflicts": taken.conflicts})


def _take(request: HttpRequest) -> feed.Taken:
    now = timezone.now()
    kind, _, secret = request.headers.get("Authorization", "").partition(" ")
    logger = feed.logger_of(secret.strip() if kind.lower() == "bearer" else "", now)
    if _length(request) > MOST_BYTES or len(request.body) > MOST_BYTES:
        raise Refused("push_too_large", f"Send at most {MOST_BYTES // 1000} kB at once.")
    return feed.take(logger, sent.read(request.body, now), now)


def _length(request: HttpRequest) -> int:
    """What its head says of its length, so that a body that is too large is not even read."""
    said = request.headers.get("Content-Length") or "0"
    if not (said.isascii() and said.isdigit() and len(said) < 16):
        raise Refused("push_malformed", "The length that the request says is no number.")
    return int(said)


# --- passwords ------------------------------------------------------------------------------------


class TokenForm(forms.Form):
    """A new password."""

    name = forms.CharField(
        label="For what", max_length=60, help_text="For example: gateway in the freezer room."
    )
    reason = forms.CharField(label="Reason", max_length=100, initial="A logger sends by itself")


class RevokeForm(forms.Form):
    reason = forms.CharField(label="Reason", max_length=100)


@get_or_post
@right("loggers")
def tokens(request: HttpRequest, code: str) -> HttpResponse:
    """The passwords of one logger, and a new one, which is shown once."""
    logger = get_object_or_404(Logger, code=code)
    form, secret = TokenForm(request.POST or None), ""
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        secret = feed.give_token(Actor.of(request.user), logger, said["name"], said["reason"])
    context = {
        "logger": logger, "form": TokenForm() if secret else form, "secret": secret,
        "tokens": logger.tokens.select_related("by", "revoked_by"),
        "address": request.build_absolute_uri(reverse("logger_push")),
        "waiting": logger.live.count(),
    }  # fmt: skip
    return render(request, "temperature/tokens.html", context, status=422 if form.errors else 200)


@get_or_post
@right("loggers")
def revoke(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A password counts no longer."""
    token = get_object_or_404(LoggerToken.objects.select_related("logger"), pk=pk, logger__code=code)
    if token.revoked:
        messages.info(request, "This password counts no longer.")
        return redirect("logger_tokens", code)

    def do(said: dict[str, Any]) -> str:
        feed.revoke_token(Actor.of(request.user), token, said["reason"])
        return reverse("logger_tokens", args=[code])

    context = {"token": token, "logger": token.logger}
    return act_view(
        request, RevokeForm(request.POST or None), "temperature/revoke.html", do, context, "Revoked."
    )
