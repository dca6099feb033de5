"""Who and where, written down before anything happens: agencies, sites, people and their logins.

Promises: a code is given once and never to somebody else; every change has its who and why in the history;
nobody changes their own role; a password is shown once, to the one who asked, and kept nowhere.
"""

from __future__ import annotations

import secrets
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser
from django.db import IntegrityError, models, transaction

from biobank.acting import Actor, saving
from biobank.models import Agency, Person, Programme, Site
from custody.core.refusal import Refused


def add_agency(actor: Actor, code: str, name: str) -> Agency:
    """An agency that can hold tubes. Refused: code_taken."""
    return _add(actor, Agency(code=code, name=name))


def add_site(actor: Actor, code: str, name: str) -> Site:
    """A site of the actor's programme. Refused: code_taken."""
    return _add(actor, Site(programme=actor.person.programme, code=code, name=name))


def add_person(
    actor: Actor, code: str, name: str, agency: Agency, role: str, veterinarian: bool = False
) -> Person:
    """Somebody of the actor's programme, without a login yet. Refused: code_taken."""
    person = Person(
        programme=actor.person.programme, code=code, name=name, agency=agency, role=role,
        veterinarian=veterinarian,
    )  # fmt: skip
    return _add(actor, person)


def _add(actor: Actor, row: Any) -> Any:
    """The row as saved; the same again gives the one that is there."""
    there = type(row).objects.filter(code=row.code).first()
    if there is None:
        try:
            with transaction.atomic(), saving(actor.person.user, "added", row):
                row.save()
        except IntegrityError:
            there = type(row).objects.get(code=row.code)
    if there is not None and _said(there) != _said(row):
        raise Refused("code_taken", f"The code {row.code} is taken: {there}. Choose another code.")
    return there or row


def _said(row: models.Model) -> dict[str, Any]:
    names = [field.attname for field in row._meta.concrete_fields if field.name not in {"id", "user"}]
    return {name: getattr(row, name) for name in names}


def change_programme(actor: Actor, name: str, tz: str, reason: str, **limits: int | None) -> Programme:
    """Another name or zone for the programme. What was said before keeps the zone it was said in.

    limits: net_limit_min, hand_limit_min (None: no limit), hurry_pct, for the clock of every workup.

    Refused: reason_required, zone_unknown.
    """
    try:
        ZoneInfo(tz)
    except (ValueError, OSError, LookupError) as why:
        raise Refused("zone_unknown", f"{tz!r} is no time zone (like Europe/Oslo).") from why
    programme = Programme.objects.get(pk=actor.person.programme_id)
    return _change(actor, programme, {"name": name, "tz": tz, **limits}, reason)


def change_person(actor: Actor, person: Person, reason: str, **said: Any) -> Person:
    """Another name, agency, role, or whether a veterinarian. The code stays.

    Refused: reason_required, own_role.
    """
    if person.pk == actor.person.pk and said.get("role", person.role) != person.role:
        raise Refused("own_role", "Nobody changes their own role. Ask another administrator.")
    return _change(actor, person, said, reason)


def _change(actor: Actor, row: Any, said: dict[str, Any], reason: str) -> Any:
    if not reason.strip():
        raise Refused("reason_required", "Say why this changes.")
    for name, value in said.items():
        setattr(row, name, value)
    with saving(actor.person.user, reason.strip()[:100], row):
        row.save()
    return row


def give_login(actor: Actor, person: Person, username: str = "") -> tuple[str, str]:
    """A login with a new password, or a new password for the login there is: (user name, password).

    Refused: username_missing, username_taken, own_role.
    """
    if person.pk == actor.person.pk:
        raise Refused("own_role", "Change your own password on the page for it.")
    password = secrets.token_urlsafe(12)
    with transaction.atomic():
        user = person.user or _user(username.strip())
        user.set_password(password)
        user.is_active = True
        user.save()
        if person.user_id is None:
            person.user = user
            with saving(actor.person.user, f"login {user.get_username()}", person):
                person.save(update_fields=["user"])
    return user.get_username(), password


def _user(username: str) -> AbstractBaseUser:
    if not username:
        raise Refused("username_missing", "Give the login a user name.")
    users = get_user_model().objects
    if users.filter(username__iexact=username).exists():
        raise Refused("username_taken", f"The user name {username} is taken.")
    made: AbstractBaseUser = users.create_user(username)
    return made


def end_login(actor: Actor, person: Person, reason: str) -> None:
    """Nobody signs in as this person any more; everything they did stays theirs.

    Refused: reason_required, own_role, no_login.
    """
    if person.pk == actor.person.pk:
        raise Refused("own_role", "Nobody ends their own login. Ask another administrator.")
    if person.user is None:
        raise Refused("no_login", f"{person} has no login.")
    if not reason.strip():
        raise Refused("reason_required", "Say why this login ends.")
    person.user.is_active = False
    with transaction.atomic(), saving(actor.person.user, f"login ended: {reason}"[:100], person):
        person.user.save(update_fields=["is_active"])
        person.save()
