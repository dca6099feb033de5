"""Signing in and out, and the page of the day."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from biobank.access import person
from biobank.people.today import sections


class SignInForm(AuthenticationForm):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"

    error_messages = {
        **AuthenticationForm.error_messages,
        "invalid_login": "This user name and password do not belong together. Capitals count in both.",
    }


class SignIn(LoginView):
    template_name = "people/sign_in.html"
    form_class = SignInForm
    redirect_authenticated_user = True

    def form_invalid(self, form: Any) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=422)


class SignOut(LogoutView):
    pass


def today(request: HttpRequest) -> HttpResponse:
    """What waits for this person, by role."""
    who = request.person = person(request.user)  # type: ignore[attr-defined]
    return render(request, "today.html", {"sections": sections(who, timezone.now()), "now": timezone.now()})
