"""Action cards on paper: what is scanned instead of pressing a button, and the badge of who works here.

Promises: the text in each symbol is a card of `core.acted`, which no tube, bag or place can be taken for.
"""

from __future__ import annotations

from biobank.core.acted import ACTIONS, MODES, WHO
from biobank.handoffs.paper import pdf, qr
from biobank.models import Person

ON_A_ROW, ROWS = 2, 4


def pdf_of(person: Person) -> bytes:
    """A4, eight cards a page: modes first, then steps, then this person's badge."""
    modes = MODES.items()
    cards = [_card(f"DO-{name.upper()}", words, f"From here on: {words.lower()}.") for name, words in modes]
    cards += [_card(f"DO-{name.upper()}", words, what) for name, (words, what) in ACTIONS.items()]
    cards.append(_card(f"{WHO}{person.code.upper()}", person.name, f"Badge, {person.agency.name}"))
    a_page = ON_A_ROW * ROWS
    pages = [cards[at : at + a_page] for at in range(0, len(cards), a_page)]
    return pdf("print/action_cards.html", {"pages": pages})


def _card(code: str, words: str, what: str) -> dict[str, str]:
    return {"code": code, "words": words, "what": what, "symbol": qr(code)}
