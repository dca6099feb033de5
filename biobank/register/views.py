"""Pages of people, agencies and sites. Ask, do, show."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.views import PasswordChangeView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse, reverse_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_POST, require_safe

from biobank.access import right
from biobank.acting import Actor
from biobank.field.queries import changes
from biobank.forms import act_view
from biobank.models import Agency, Person
from custody.core.refusal import Refused

from . import actions
from .forms import AgencyForm, EndForm, LoginForm, PersonForm, ProgrammeForm, SiteForm


def _actor(request: HttpRequest) -> Actor:
    return Actor(request.person, request.user.get_username())  # type: ignore[attr-defined]


def _asked(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


@right("register")
@require_safe
def register(request: HttpRequest) -> HttpResponse:
    """Everybody of the programme, the agencies and the sites. 4 queries."""
    programme = request.person.programme  # type: ignore[attr-defined]
    context = {
        "people": programme.people.select_related("agency", "user"),
        "agencies": Agency.objects.all(),
        "sites": programme.sites.all(),
        "programme": programme,
    }
    return render(request, "register/register.html", context)


@right("register")
def agency_new(request: HttpRequest) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        actions.add_agency(_actor(request), **said)
        return reverse("register")

    return act_view(
        request,
        AgencyForm(_asked(request)),
        "register/new.html",
        do,
        {"what": "agency"},
        done="Agency added.",
    )


@right("register")
def site_new(request: HttpRequest) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        actions.add_site(_actor(request), **said)
        return reverse("register")

    return act_view(
        request, SiteForm(_asked(request)), "register/new.html", do, {"what": "site"}, done="Site added."
    )


@right("register")
def programme_change(request: HttpRequest) -> HttpResponse:
    form = ProgrammeForm(_asked(request), programme=request.person.programme)  # type: ignore[attr-defined]

    def do(said: dict[str, Any]) -> str:
        actions.change_programme(_actor(request), **said)
        return reverse("register")

    return act_view(request, form, "register/programme.html", do, done="Changed.")


@right("register")
def person_new(request: HttpRequest) -> HttpResponse:
    def do(said: dict[str, Any]) -> str:
        made = actions.add_person(_actor(request), **said)
        return reverse("person", args=[made.code])

    done = "Added. Now give the login."
    return act_view(
        request, PersonForm(_asked(request)), "register/new.html", do, {"what": "person"}, done=done
    )


def _person(request: HttpRequest, code: str) -> Person:
    found = Person.objects.select_related("agency", "user")
    return get_object_or_404(found, programme=request.person.programme, code=code)  # type: ignore[attr-defined]


def _context(request: HttpRequest, found: Person, **more: Any) -> dict[str, Any]:
    """The page of one person. The history is 1 query."""
    tz = request.person.programme.tz  # type: ignore[attr-defined]
    shown = {
        "someone": found,
        "change_form": PersonForm(person=found, auto_id="change_%s"),
        "login_form": LoginForm(person=found, auto_id="login_%s"),
        "end_form": EndForm(auto_id="end_%s"),
        "changes": changes(found, tz),
    }
    return shown | more


@right("register")
def person(request: HttpRequest, code: str) -> HttpResponse:
    """One person: what is known, what changes."""
    found = _person(request, code)
    form = PersonForm(_asked(request), person=found, auto_id="change_%s")

    def do(said: dict[str, Any]) -> str:
        actions.change_person(_actor(request), _person(request, code), **said)
        return reverse("person", args=[code])

    return act_view(
        request, form, "register/person.html", do, _context(request, found, change_form=form), done="Changed."
    )


@right("register")
@require_POST
@never_cache
@sensitive_variables("password")
def person_login(request: HttpRequest, code: str) -> HttpResponse:
    """A new password, shown on this answer and never again."""
    found = _person(request, code)
    form = LoginForm(request.POST, person=found, auto_id="login_%s")
    if form.is_valid():
        try:
            name, password = actions.give_login(_actor(request), found, form.cleaned_data.get("username", ""))
        except Refused as no:
            form.add_error(None, no.sentence)
        else:
            shown = {"new_login": name, "new_password": password}
            return render(request, "register/person.html", _context(request, _person(request, code), **shown))
    context = _context(request, found, login_form=form, form=form)
    return render(request, "register/person.html", context, status=422)


@right("register")
@require_POST
def person_end(request: HttpRequest, code: str) -> HttpResponse:
    found = _person(request, code)
    form = EndForm(request.POST, auto_id="end_%s")

    def do(said: dict[str, Any]) -> str:
        actions.end_login(_actor(request), found, said["reason"])
        return reverse("person", args=[code])

    context = _context(request, found, end_form=form)
    return act_view(request, form, "register/person.html", do, context, done="The login has ended.")


class Password(PasswordChangeView):
    """One's own password."""

    template_name = "register/password.html"
    success_url = reverse_lazy("today")

    def form_invalid(self, form: Any) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=422)
