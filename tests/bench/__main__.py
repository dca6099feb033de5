"""Benchmarks: `uv run python -m tests.bench NAME` prints one JSON line.

Ratios are measured side by side in one run, so that a slow machine slows both sides.
"""

from __future__ import annotations

import json
import os
import sys
from importlib import import_module
from pathlib import Path


def main() -> int:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    import django

    django.setup()
    known = sorted(path.stem for path in Path(__file__).parent.glob("[a-z]*.py"))
    if len(sys.argv) != 2 or sys.argv[1] not in known:
        print(f"Name one of: {', '.join(known)}", file=sys.stderr)
        return 2
    print(json.dumps({"bench": sys.argv[1], **import_module(f"tests.bench.{sys.argv[1]}").run()}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
