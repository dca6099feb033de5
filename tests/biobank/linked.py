"""What tests of answers without a login share: six tubes on their way, a browser that walks a link."""

from __future__ import annotations

import re
from typing import Any

from django.test import Client
from django.utils import timezone

from biobank.handoffs import actions, links
from custody.core.event import new_id
from tests import people as builders

GIVEN = builders.moment(10, 0)
SEAL = "S-4711"


def drawn_tubes(people: builders.People) -> list[str]:
    """Six primaries that the field team holds."""
    tube_set = builders.drawn_set(people)
    return sorted(tube_set.tubes.filter(parent_hint="").values_list("code", flat=True))


def give(people: builders.People, tubes: list[str], to: str = "TFL", **more: Any) -> str:
    """The field team hands these tubes off under seal; the handoff's id."""
    said = {"how": "sealed", "seal": SEAL, "centi_c": 430, "at": GIVEN} | more
    return actions.hand_off(people.actor("fieldtech"), new_id(), tubes, to, **said).id


def make(people: builders.People, handoff: str, days: int = 7, role: str = "fieldtech") -> links.Made:
    return links.make(people.actor(role), handoff, days, timezone.now())


def found(results: dict[str, str], counted: int | None = None, **more: Any) -> links.Answer:
    here = sum(word != "missing" for word in results.values())
    said = {"name": "Kari Nordal", "seal_intact": True, "seal": SEAL} | more
    return links.Answer(results, here if counted is None else counted, **said)


def opened(made: links.Made, **given: Any) -> Client:
    """A browser that has opened the link and typed its code."""
    client = Client(**given)
    client.get(f"/answer/{made.secret}/")
    client.post("/answer/", {"code": made.code})
    return client


def walk(client: Client, scans: list[str], counted: int, **more: Any) -> Any:
    """Seal, count, scan, and the page that compares."""
    said = {"seal_intact": "yes", "seal": SEAL, "counted": counted} | more
    client.post("/answer/count/", said)
    client.post("/answer/scan/", {"scans": "\n".join(scans), "foreign": more.get("foreign", "")})
    return client.get("/answer/compare/")


def confirm(client: Client, page: Any, name: str = "Kari Nordal", **more: Any) -> Any:
    """Send the page that compares as it stands, with `r_CODE` of it changed by `more`."""
    text = page.content.decode()
    fields = dict.fromkeys(re.findall(r'name="(r_\w+)"', text))
    said = {field: first_choice(text, field) for field in fields}
    said |= {"key": re.findall(r'name="key" value="([^"]+)"', text)[0], "name": name}
    return client.post("/answer/compare/", said | more)


def first_choice(text: str, field: str) -> str:
    return re.findall(rf'name="{field}".*?<option value="([^"]*)"', text, re.S)[0]
