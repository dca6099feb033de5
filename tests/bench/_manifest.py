"""What tests/bench/manifest.py measures. DATABASE_URL names an empty database, DATA_DIR a folder."""

from __future__ import annotations

import json
import os
import statistics
import time
from collections.abc import Callable
from typing import Any
from unittest.mock import patch

TUBES, LOOSE, ROUNDS = 300, 20, 3


def main() -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", run_syncdb=True, verbosity=0)
    print(json.dumps(measured()))


def measured() -> dict[str, float]:
    from biobank.handoffs import manifest
    from biobank.labels import symbols
    from tests import people as builders
    from tests.biobank import parcels

    people = builders.make_people()
    builders.make_store(people)
    one = parcels.sent(people, TUBES, LOOSE)
    rows = manifest.manifest(one).rows
    manifest.manifest_pdf(one)  # fonts, and what is kept of symbols
    times: dict[str, list[float]] = {"manifest": [], "bare": [], "table": []}
    for _ in range(ROUNDS):
        symbols.forget()
        times["manifest"].append(timed(lambda: manifest.manifest_pdf(one)))
        with patch.object(manifest, "_symbol", lambda *_: None):
            times["bare"].append(timed(lambda: manifest.manifest_pdf(one)))
        times["table"].append(timed(lambda: table(rows)))
    whole, bare, laid = (statistics.median(times[name]) for name in ("manifest", "bare", "table"))
    return {
        "tubes": TUBES, "manifest_ms": round(whole), "without_symbols_ms": round(bare),
        "ratio": round(whole / bare, 2), "list_as_html_ms": round(laid),
        "bytes": len(manifest.manifest_pdf(one)),
    }  # fmt: skip


def timed(do: Callable[[], Any]) -> float:
    """Milliseconds."""
    begun = time.perf_counter()
    do()
    return (time.perf_counter() - begun) * 1000


def table(rows: Any) -> bytes:
    """The list alone, the plain way."""
    from weasyprint import HTML

    from biobank.core import codes
    from biobank.handoffs.paper import drawn
    from biobank.labels import letters, symbols

    style = (
        "table{width:100%;border-collapse:collapse}td{border-bottom:1px solid;font:7pt 'DejaVu Sans Mono'}"
    )
    style += "tr{break-inside:avoid}svg{width:6mm;height:6mm}"
    cells = "".join(
        f"<tr><td>{row.n}</td><td>{drawn(symbols.matrix(row.tube), 1)}</td><td>{codes.show(row.tube)}<br>"
        f"{row.label}</td><td>{row.matrix}<br>{row.additive}</td><td>{row.volume}</td><td>{row.cold}<br>{row.slot}</td></tr>"
        for row in rows
    )
    made = HTML(string=f"<style>{style}</style><table>{cells}</table>").write_pdf(font_config=letters.fonts())
    assert isinstance(made, bytes)
    return made


if __name__ == "__main__":
    main()
