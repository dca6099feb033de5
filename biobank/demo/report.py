"""What the demo prints at its end: papers, passwords, and what the rules say of its tubes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from django.utils import timezone

from biobank.acting import ms
from biobank.checks.verdicts import verdicts_of
from biobank.core import codes
from biobank.handoffs import paper, queries
from biobank.labels.paper import labels_pdf
from biobank.labels.queries import labels_of
from biobank.labels.stocks import DEFAULT, STOCKS
from biobank.models import Tube, TubeSet
from custody import queries as ledger
from custody.core.rules import Verdict
from custody.core.state import FULL

WORDS = [("fit", "fit"), ("caution", "with caution"), ("not_fit", "not fit"), ("cannot_tell", "cannot tell")]
Pair = tuple[str, Verdict]


def papers(folder: Path) -> list[tuple[str, Path]]:
    """The label sheet of the set that waits for tomorrow, and the paper of the handoff that lost a tube."""
    waiting = TubeSet.objects.filter(workup=None).latest("pk")
    labels = folder / f"labels-{waiting.code}.pdf"
    labels.write_bytes(labels_pdf(labels_of([waiting]), STOCKS[DEFAULT], title=f"Labels {waiting.code}"))
    now = ms(timezone.now())
    disputed = next(one for one in queries.handoffs("NLB", now) if one.word == "disputed")
    custody = folder / "chain-of-custody.pdf"
    custody.write_bytes(paper.handoff_pdf(disputed))
    return [("Labels", labels), ("Chain of custody", custody)]


def judged() -> list[Pair]:
    """Every verdict of every tube that holds something."""
    held = [one.tube for one in ledger.find(status__in=FULL)]
    found = verdicts_of(held, ms(timezone.now()))
    return [(code, verdict) for code in held for verdict in found[code]]


def table(pairs: Iterable[Pair]) -> Iterator[str]:
    """One row for each assay: how many tubes are fit, fit with caution, not fit, cannot tell."""
    rows: dict[str, Counter[str]] = {}
    for _, verdict in pairs:
        rows.setdefault(verdict.assay.name, Counter())[verdict.word] += 1
    width = max((len(name) for name in rows), default=5)
    yield f"{'assay':<{width}}  " + "  ".join(f"{said:>12}" for _, said in WORDS)
    for name in sorted(rows):
        yield f"{name:<{width}}  " + "  ".join(f"{rows[name][word]:>12}" for word, _ in WORDS)


def examples(pairs: Iterable[Pair]) -> Iterator[str]:
    """For each answer one tube with the sentence that decided."""
    seen: set[str] = set()
    for code, verdict in pairs:
        if verdict.word not in seen:
            seen.add(verdict.word)
            yield f"{codes.show(code)}, {verdict.assay.name}: {dict(WORDS)[verdict.word]}. {verdict.sentence}"


def counts() -> str:
    return f"{Tube.objects.count()} tubes, {ledger.size()} events, {len(ledger.findings())} findings"
