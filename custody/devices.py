"""Devices that may send events, and whether they said something themselves.

Promises: a device's code, agency and key are set once; it can only be revoked. A signature is checked with
the key that was registered, over the very text of the header (ECDSA on P-256 as browsers make it: 64 bytes,
r ‖ s, SHA-256; or Ed25519).
"""

from __future__ import annotations

import base64
import binascii
import re
import time
from collections.abc import Callable, Mapping

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.serialization import load_der_public_key
from django.db import IntegrityError, transaction

from custody.core.refusal import Refused
from custody.models import Device

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,39}\Z")
Check = Callable[[bytes, bytes], None]
OURS = {"web"}  # what the site's own pages call themselves


def find(code: str) -> Device | None:
    """The device with this code. 1 query."""
    return Device.objects.filter(code=code).first() if CODE.match(code) else None


def register(code: str, label: str, org: str, *, login: str, person: str = "", public_key: str = "") -> None:
    """Let a device speak for an agency, and for one person only when `person` is given.

    The same again changes nothing. Refused: device_malformed, device_known, key_malformed.
    """
    if not CODE.match(code) or code in OURS or not label.strip():
        raise Refused("device_malformed", "A device has a code of letters, digits and hyphens, and a label.")
    if public_key:
        _key(public_key)
    told = {"label": label, "org": org, "person": person, "public_key": public_key}
    there = find(code)
    if there is None:
        there = _made(code, told | {"registered_ms": time.time_ns() // 1_000_000, "registered_by": login})
    if {name: getattr(there, name) for name in told} != told:
        raise Refused("device_known", f"There is a device {code} already; a new key needs a new code.")


def _made(code: str, told: dict[str, object]) -> Device:
    try:
        with transaction.atomic():
            return Device.objects.create(code=code, **told)
    except IntegrityError:  # somebody else, a moment earlier
        return Device.objects.get(code=code)


def revoke(code: str, *, login: str, why: str) -> None:
    """What it sends from now on is held. Refused: device_unknown; a second time changes nothing."""
    if find(code) is None:
        raise Refused("device_unknown", "There is no such device.")
    told = {"revoked_ms": time.time_ns() // 1_000_000, "revoked_by": login, "revoked_why": why[:200]}
    Device.objects.filter(code=code, revoked_ms=None).update(**told)


def signed(public_key: str, text: str, signature: bytes) -> bool:
    """Whether the holder of this key signed this text."""
    return _fits(_key(public_key), text, signature)


def trouble(keys: Mapping[str, Check], device: str, via: str, text: str, signature: bytes | None) -> str:
    """What is wrong with the signature that is kept beside an event, or nothing. keys: those of `keyring`."""
    key = keys.get(device)
    if signature is None:
        said_so = key is None or via == "review"  # somebody looked at it and let it in
        return "" if said_so else "its device signs, and its signature is gone"
    if key is None:
        return "it has a signature, and its device has no key"
    return "" if _fits(key, text, signature) else "its signature does not fit its text"


def keyring() -> dict[str, Check]:
    """The keys of all devices that sign, revoked ones too. 1 query."""
    rows = Device.objects.exclude(public_key="").values_list("code", "public_key")
    return {code: _key_or_none(public_key) for code, public_key in rows}


def _key_or_none(public_key: str) -> Check:
    """A key that somebody has changed in the database fits no signature."""
    try:
        return _key(public_key)
    except Refused:
        return _no_key


def _no_key(signature: bytes, text: bytes) -> None:
    raise ValueError("this is no key")


def _fits(key: Check, text: str, signature: bytes) -> bool:
    try:
        key(signature, text.encode())
    except (InvalidSignature, ValueError):
        return False
    return True


def _key(public_key: str) -> Check:
    """A function that raises InvalidSignature or ValueError unless a signature fits a text."""
    try:
        key = load_der_public_key(base64.b64decode(public_key, validate=True))
    except (binascii.Error, ValueError, UnsupportedAlgorithm) as why:
        raise Refused("key_malformed", "This is no public key in DER, written in base64.") from why
    if isinstance(key, ed25519.Ed25519PublicKey):
        return key.verify
    if isinstance(key, ec.EllipticCurvePublicKey) and isinstance(key.curve, ec.SECP256R1):
        p256 = key
        return lambda signature, text: p256.verify(_der(signature), text, ec.ECDSA(hashes.SHA256()))
    raise Refused("key_malformed", "A device signs with ECDSA on P-256 or with Ed25519.")


def _der(signature: bytes) -> bytes:
    """r ‖ s, as browsers write it, in the form that the library reads."""
    if len(signature) != 64:
        raise ValueError("a signature on P-256 has 64 bytes")
    return encode_dss_signature(int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big"))
