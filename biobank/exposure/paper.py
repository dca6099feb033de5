"""The paper of an exposure trace."""

from __future__ import annotations

from biobank.exposure.queries import Trace
from biobank.handoffs.paper import pdf
from custody import queries as ledger


def exposure_pdf(trace: Trace, about: str, code: str) -> bytes:
    """Everyone who handled these tubes, with times and acts; `about` is "tube" or "animal"."""
    return pdf("print/exposure.html", {"trace": trace, "about": about, "code": code, "size": ledger.size()})
