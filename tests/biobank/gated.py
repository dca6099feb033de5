"""Every place of the application that writes an event, with the kind that it writes: read from the code.

Promises: no code is run; a call counts when its name was imported from where events are written.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

WRITERS = {
    "biobank.acting": {"act", "perform"},
    "biobank.bench.hands": {"write"},
    "custody.core.event": {"Act"},
}
GATED = {"pulled", "shipped", "handed_off", "reserved"}


@dataclass(frozen=True)
class Place:
    """One call. kind: empty when only the running program knows it; gated: the function asks the gate."""

    file: str
    function: str
    kind: str
    gated: bool


def places(root: Path) -> Iterator[Place]:
    """All calls below a folder, migrations left out."""
    for path in sorted(root.rglob("*.py")):
        if "migrations" not in path.parts:
            yield from of(path.relative_to(root.parent).as_posix(), path.read_text())


def of(file: str, text: str) -> Iterator[Place]:
    tree = ast.parse(text)
    names = {
        alias.asname or alias.name: alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if alias.name in WRITERS.get(node.module or "", ())
    }
    for function in ast.walk(tree):
        if isinstance(function, ast.FunctionDef):
            calls = [one for one in ast.walk(function) if isinstance(one, ast.Call)]
            gated = any(_called(one) == "gate.through" for one in calls)
            for call in calls:
                if _called(call) in names:
                    yield Place(file, function.name, _kind(call, names[_called(call)]), gated)


def _called(call: ast.Call) -> str:
    return ast.unparse(call.func)


def _kind(call: ast.Call, name: str) -> str:
    """The kind, when it is written out: the second argument, or the one named so."""
    where = [one.value for one in call.keywords if one.arg == "kind"]
    if name != "Act" and len(call.args) > 1:
        where.append(call.args[1])
    return str(where[0].value) if where and isinstance(where[0], ast.Constant) else ""
