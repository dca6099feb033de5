"""What every page knows: the site's name, whether it is a demo, who is signed in, where they may go.

Promises: at most one query per page (the person, unless the view has asked already); the zone of a
request is kept for the template words and forgotten when the next request starts.
"""

from __future__ import annotations

from contextvars import ContextVar
from typing import Any

from django.conf import settings
from django.core.signals import request_started
from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from biobank.access import may
from biobank.models import Person

# (words, URL name, right). The order is the order of a sample's life.
PLACES = [
    ("Today", "today", ""),
    ("Find a tube", "tubes", "see"),
    ("Field days", "days", "draw"),
    ("Tube sets", "sets", "print"),
    ("Sample plans", "plans", "see"),
    ("Animals", "animals", "see"),
    ("Bench", "bench", "bench"),
    ("Scan", "scan", "bench"),
    ("Storage", "store", "see"),
    ("Handoffs", "handoffs", "see"),
    ("Findings", "findings", "see"),
    ("Temperature", "temperatures", "see"),
    ("Fit for use", "fit", ""),
    ("Rules", "rules", "see"),
    ("Imports", "imports", "import"),
    ("People and places", "register", "register"),
]

# rooms that are reached from a place: the beginning of their addresses, and the URL name of the place
UNDER = {"/board/": "bench", "/counts/": "store", "/evacuation/": "store", "/disposal/": "store"}
UNDER |= {"/shipments/": "handoffs", "/permits/": "rules", "/answer/": "handoffs"}
UNDER |= dict.fromkeys(("/alarms/", "/loggers/", "/readings/"), "temperatures")

zone: ContextVar[str] = ContextVar("zone", default=settings.TIME_ZONE)


def forget(**_: Any) -> None:
    """A thread serves many people: the last one's zone must not show in the next one's paper."""
    zone.set(settings.TIME_ZONE)


request_started.connect(forget, dispatch_uid="forget zone")


def programme_zone() -> str:
    """The zone in which this request's times are shown."""
    return zone.get()


def site(request: HttpRequest) -> dict[str, Any]:
    """Context processor: `site.name`, `.demo`, `.person`, `.places`, `.zone`."""
    person = signed_in(request)
    zone.set(person.programme.tz if person else settings.TIME_ZONE)
    return {
        "site": {
            "name": settings.SITE_NAME,
            "demo": settings.DEMO,
            "person": person,
            "zone": zone.get(),
            "places": SimpleLazyObject(lambda: places(person, request.path)),
        }
    }


def signed_in(request: HttpRequest) -> Person | None:
    """The person behind the login; pages that need one have asked already and left it on the request."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return None
    found: Person | None = getattr(request, "person", None)
    return found or Person.objects.select_related("agency", "programme").filter(user_id=user.pk).first()


def places(person: Person | None, path: str) -> list[dict[str, Any]]:
    """Where this person may go; `here` is the place whose address begins the current one, or from which it is
    reached."""
    if person is None:
        return []
    path = next((reverse(name) for start, name in UNDER.items() if path.startswith(start)), path)
    found = []
    for words, name, right in PLACES:
        if right and not may(person, right):
            continue
        href = reverse(name)
        here = path == href or (href != "/" and path.startswith(href))
        found.append({"words": words, "href": href, "here": here})
    return found
