"""Signed notes and checkpoints: text that people can read, with Ed25519 signatures under it.

Promises: a note opens only when a key that was asked for has signed exactly this text, byte for byte.
Forms: C2SP signed-note (text, empty line, signature lines) and tlog-checkpoint (origin, size, root); they
are open and in use elsewhere, so others can check ours with tools of their own. Raises ValueError with a
sentence for anything that is not well formed or not signed.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from custody.core import base45

ED25519 = 1  # the note form's number of this kind of signature
MOST_SIGNATURES = 100
SIGNATURE = re.compile(r"— (\S+) (\S+)\Z")
WORDS = "CKPT1:"  # what a checkpoint in a QR code begins with


@dataclass(frozen=True)
class PublicKey:
    """What others check signatures with: a name without spaces and plus, and 32 bytes."""

    name: str
    raw: bytes

    @property
    def id(self) -> bytes:
        """The first 4 bytes of SHA-256(name, line end, kind of signature, key)."""
        named = self.name.encode() + b"\n" + bytes([ED25519]) + self.raw
        return hashlib.sha256(named).digest()[:4]

    def text(self) -> str:
        """name+id+key, in one line, to hand out."""
        return f"{self.name}+{self.id.hex()}+{_base64(bytes([ED25519]) + self.raw)}"

    def has_signed(self, said: str, signature: bytes) -> bool:
        try:
            Ed25519PublicKey.from_public_bytes(self.raw).verify(signature, said.encode())
        except InvalidSignature:
            return False
        return True


@dataclass(frozen=True)
class SecretKey:
    """What a log signs with. `seed` is 32 bytes that nobody else may see."""

    name: str
    seed: bytes

    @property
    def public(self) -> PublicKey:
        return PublicKey(self.name, self._key().public_key().public_bytes_raw())

    def text(self) -> str:
        """The line that the key file holds."""
        kept = _base64(bytes([ED25519]) + self.seed)
        return f"PRIVATE+KEY+{self.name}+{self.public.id.hex()}+{kept}"

    def sign(self, said: str) -> bytes:
        """64 bytes over the text; the same each time (RFC 8032)."""
        return self._key().sign(said.encode())

    def _key(self) -> Ed25519PrivateKey:
        return Ed25519PrivateKey.from_private_bytes(self.seed)


def name_is_good(name: str) -> bool:
    """Not empty, and without spaces, control characters and plus."""
    return bool(name) and "+" not in name and name.isprintable() and not re.search(r"\s", name)


def public(text: str) -> PublicKey:
    """A public key from its line."""
    name, said, raw = _key_parts(text.strip())
    found = PublicKey(name, raw)
    if found.id.hex() != said:
        raise ValueError("This key's number does not fit the key.")
    return found


def secret(text: str) -> SecretKey:
    """A secret key from its line."""
    start = "PRIVATE+KEY+"
    if not text.startswith(start):
        raise ValueError("This is no secret key.")
    name, said, raw = _key_parts(text.strip().removeprefix(start))
    found = SecretKey(name, raw)
    if found.public.id.hex() != said:
        raise ValueError("This key's number does not fit the key.")
    return found


def _key_parts(text: str) -> tuple[str, str, bytes]:
    name, _, rest = text.partition("+")
    said, _, kept = rest.partition("+")
    raw = _bytes(kept)
    if not name_is_good(name) or not re.fullmatch(r"[0-9a-f]{8}", said):
        raise ValueError("This is not a key of the form name+number+key.")
    if len(raw) != 33 or raw[0] != ED25519:
        raise ValueError("This is not an Ed25519 key.")
    return name, said, raw[1:]


def sign(text: str, *keys: SecretKey) -> str:
    """The text with a signature line for each key. It must end with a line end."""
    _check_text(text)
    lines = [f"— {key.name} {_base64(key.public.id + key.sign(text))}\n" for key in keys]
    return text + "\n" + "".join(lines)


def parts(note: str) -> tuple[str, list[tuple[str, bytes, bytes]]]:
    """A note's text and its signatures (name, key id, signature), none of them checked."""
    text, gap, below = note.rpartition("\n\n")
    if not gap or not below.endswith("\n"):
        raise ValueError("This is not a signed note.")
    _check_text(text + "\n")
    found = []
    for line in below[:-1].split("\n"):
        fits = SIGNATURE.match(line)
        raw = _bytes(fits[2]) if fits else b""
        if fits is None or not name_is_good(fits[1]) or len(raw) < 5:
            raise ValueError("A line under this note is not a signature.")
        found.append((fits[1], raw[:4], raw[4:]))
    if len(found) > MOST_SIGNATURES:
        raise ValueError("There are too many signatures under this note.")
    return text + "\n", found


def opened(note: str, keys: Iterable[PublicKey]) -> tuple[str, list[PublicKey]]:
    """The note's text and which of these keys have signed it, at least one.

    Signatures of keys that were not asked for are passed over. A wrong signature of one that was asked for
    spoils the whole note.
    """
    text, signatures = parts(note)
    known = {(key.name, key.id): key for key in keys}
    signed = []
    for name, number, signature in signatures:
        key = known.get((name, number))
        if key and not key.has_signed(text, signature):
            raise ValueError(f"The signature of {name} does not fit this text.")
        if key and key not in signed:
            signed.append(key)
    if not signed:
        raise ValueError("None of the known keys has signed this.")
    return text, signed


def _check_text(text: str) -> None:
    if not text.endswith("\n") or any(letter < " " for letter in text.replace("\n", "")):
        raise ValueError("A note's text ends with a line end and holds no other control characters.")


@dataclass(frozen=True)
class Checkpoint:
    """How long a log was and the root over it. `origin` names the log, `size` counts its events."""

    origin: str
    size: int
    root: bytes

    def text(self) -> str:
        return f"{self.origin}\n{self.size}\n{_base64(self.root)}\n"

    def words(self) -> str:
        """Size and the root's first ten bytes, for eyes: 1,000 · 79c8 4d33 5595 9465 b9c0."""
        start = self.root[:10].hex()
        return f"{self.size:,} · {' '.join(start[at : at + 4] for at in range(0, 20, 4))}"


def checkpoint(text: str) -> Checkpoint:
    """A checkpoint from a note's text. Lines after the third are refused: nobody could check them."""
    lines = text.split("\n")
    if len(lines) != 4 or lines[3] or not lines[0]:
        raise ValueError("A checkpoint has three lines: origin, size, root.")
    if not re.fullmatch(r"0|[1-9][0-9]{0,15}", lines[1]):
        raise ValueError("The size in this checkpoint is not a number.")
    root = _bytes(lines[2])
    if len(root) != 32:
        raise ValueError("The root in this checkpoint has not 32 bytes.")
    return Checkpoint(lines[0], int(lines[1]), root)


def compact(note: str) -> str:
    """A checkpoint with its first signature in few characters, for a QR code.

    CKPT1: and base45 of key id, size (8 bytes), root, signature. The origin is the name of the key.
    """
    text, [(name, number, signature), *_] = parts(note)
    said = checkpoint(text)
    if said.origin != name or len(signature) != 64:
        raise ValueError("Only a checkpoint that its own log has signed can be written in few characters.")
    return WORDS + base45.encode(number + said.size.to_bytes(8, "big") + said.root + signature)


def expanded(short: str, keys: Iterable[PublicKey]) -> str:
    """The whole note from its few characters, for whoever has the key."""
    raw = base45.decode(short.strip().removeprefix(WORDS))
    named = {key.id: key.name for key in keys}
    if not short.startswith(WORDS) or len(raw) != 108 or raw[:4] not in named:
        raise ValueError("This is no checkpoint of a log whose key is known.")
    name, said = named[raw[:4]], Checkpoint(named[raw[:4]], int.from_bytes(raw[4:12], "big"), raw[12:44])
    return f"{said.text()}\n— {name} {_base64(raw[:4] + raw[44:])}\n"


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode()


def _bytes(text: str) -> bytes:
    """Standard base64, and only as it would be written: one text for one value."""
    try:
        raw = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as why:
        raise ValueError("This is not base64.") from why
    if _base64(raw) != text:
        raise ValueError("This is not base64.")
    return raw
