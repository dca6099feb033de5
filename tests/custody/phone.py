"""A phone as the tests need one: it numbers, hashes and, when it has a key, signs what it says."""

from __future__ import annotations

import base64
import os
from dataclasses import dataclass, field
from typing import Any

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

from custody import devices
from custody.core import canon, tree
from custody.core.event import Act, new_id
from tests.custody.conftest import START

Item = dict[str, Any]


def item(header: dict[str, Any], lines: list[dict[str, Any]], salt: bytes | None = None) -> Item:
    """Any header and lines as an item whose root is right, however odd the rest."""
    salt = salt or os.urandom(16)
    texts = [canon.text(line) for line in lines]
    rooted = header | {"lines": {"n": len(texts), "root": tree.lines_root(salt, texts).hex()}}
    return {"header": canon.text(rooted), "lines": texts, "salt": salt.hex()}


@dataclass
class Phone:
    """`phone.says("drawn", "T1", 3, ul=500)`: an item, made three minutes after the start."""

    code: str = "D-1"
    org: str = "SSS"
    by: str = "p1"
    key: ec.EllipticCurvePrivateKey | None = None
    n: int = field(default=0)

    def registered(self, person: str = "") -> Phone:
        devices.register(
            self.code, "Test phone", self.org, login="curator", person=person, public_key=self.public_key
        )
        return self

    @property
    def public_key(self) -> str:
        if self.key is None:
            return ""
        form = serialization.PublicFormat.SubjectPublicKeyInfo
        der = self.key.public_key().public_bytes(serialization.Encoding.DER, form)
        return base64.b64encode(der).decode()

    def act(self, kind: str, tubes: Any, minute: int, **said: Any) -> Act:
        """An act with this phone's next number. Fields of Act are taken as such, the rest is in lines."""
        self.n += 1
        tubes = [tubes] if isinstance(tubes, str) else tubes
        own = {name: said.pop(name) for name in ("id", "data", "ref", "org", "rec_by") if name in said}
        role = said.pop("role", "subj")
        given = said.pop("lines", None)
        lines = [{"t": tube, "role": role} | said for tube in tubes] if given is None else given
        at = START + minute * 60_000
        return Act(
            **{"org": self.org, "id": new_id(), "data": {}} | own, kind=kind, at_ms=at, by=self.by,
            rec_at=at, dev=self.code, lines=lines, extra={"n": self.n},
        )  # fmt: skip

    def says(self, kind: str, tubes: Any, minute: int, **said: Any) -> Item:
        return self.sent(self.act(kind, tubes, minute, **said))

    def sent(self, act: Act) -> Item:
        made = item(act.header(""), [dict(line) for line in act.lines])
        return made | ({"sig": self.sign(made["header"])} if self.key else {})

    def sign(self, text: str) -> str:
        """As a browser does: SHA-256, ECDSA on P-256, r ‖ s."""
        assert self.key is not None
        r, s = decode_dss_signature(self.key.sign(text.encode(), ec.ECDSA(hashes.SHA256())))
        return (r.to_bytes(32, "big") + s.to_bytes(32, "big")).hex()


def signing() -> Phone:
    return Phone("D-9", key=ec.generate_private_key(ec.SECP256R1()))
