"""The certificate of a discard.

Promises: says only what the ledger says and what it refers to, names the event it rests on by number and
hash, and carries a signed checkpoint. No animal and no place of a capture is on it.
"""

from __future__ import annotations

from biobank.disposal.queries import Disposal
from biobank.handoffs.paper import pdf, qr
from custody import checkpoints
from custody import queries as ledger


def certificate_pdf(one: Disposal) -> bytes:
    """A4; as many pages as the tubes need."""
    checkpoint = checkpoints.for_paper(one.told.said.seq)
    return pdf("print/certificate.html", {
        "disposal": one, "told": one.told, "header": one.told.header,
        "symbol": qr(one.told.said.id), "checkpoint": checkpoint,
        "checkpoint_symbol": qr(checkpoint.short) if checkpoint else "", "size": ledger.size(),
    })  # fmt: skip
