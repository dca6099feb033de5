"""What the code says of itself, read from its text, for the documents and their tests.

    uv run python -m tests.facts

writes biobank/refusals.md anew. Promises: reads Python files without running them; every refusal is found
that is written with its code as a literal.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "biobank" / "refusals.md"
CODE = re.compile(r"[a-z]+(_[a-z0-9]+)+\Z")
RAISED = {
    "Refused": (0, 1),
    "_no": (1, 2),
    "ValidationError": (1, 0),
}  # call -> where code and sentence stand
ANSWERS = {"cannot_tell", "not_fit"}  # of rules, not refusals
ROOMS = [("custody", "The ledger")] + [
    ("biobank/" + room, words)
    for room, words in [
        ("plans", "Sample plans"),
        ("field", "The field"),
        ("labels", "Labels"),
        ("bench", "The bench"),
        ("scan", "The bench, scan by scan"),
        ("store", "Storage"),
        ("disposal", "Discards, and what is out of the cold"),
        ("evacuation", "Freezer failure"),
        ("temperature", "Loggers"),
        ("checks", "Rules"),
        ("handoffs", "Handoffs"),
        ("imports", "Imports"),
        ("ledger", "Findings and devices"),
        ("amend", "Corrections"),
        ("", "Everywhere: codes, slots, times, keys"),
    ]
]
HEAD = """# Refusals

Every "no" has a stable code for programs and a sentence for people, and changes nothing. Where a sentence
holds "…", the page says the tube, the time or the number. The same codes are names of invariants: what comes
from the field is kept, and what it broke becomes a finding with that code.

Made by `uv run python -m tests.facts`; a test compares.
"""


def trees() -> Iterator[tuple[str, ast.Module]]:
    for app in ("custody", "biobank"):
        for path in sorted((ROOT / app).rglob("*.py")):
            if "migrations" not in path.parts:
                yield path.relative_to(ROOT).as_posix(), ast.parse(path.read_text(encoding="utf-8"))


def refusals() -> dict[str, dict[str, set[str]]]:
    """code -> file -> sentences."""
    found: dict[str, dict[str, set[str]]] = {}
    for path, tree in trees():
        for code, sentence in _said_in(tree):
            found.setdefault(code, {}).setdefault(path, set()).add(sentence)
    return found


Names = dict[str, ast.expr]


def _said_in(tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Every function by itself: a sentence may have been put into a variable a line earlier."""
    for function in [tree, *(node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))]:
        inside = list(ast.walk(function))
        names = {
            node.targets[0].id: node.value
            for node in inside
            if function is not tree and isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
        }
        for node in inside:
            yield from _said(node, names)


def _said(node: ast.AST, names: Names) -> Iterator[tuple[str, str]]:
    if isinstance(node, ast.Call):
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        words = {word.arg: word.value for word in node.keywords}
        if name in RAISED:
            code, sentence = (node.args[n] if n < len(node.args) else None for n in RAISED[name])
            yield from _pairs(code or words.get("code"), sentence, names)
        elif name == "replace":
            yield from _pairs(words.get("code"), words.get("sentence"), names)
    elif isinstance(node, ast.Tuple) and len(node.elts) >= 2 and _text(node.elts[1], {}).endswith("."):
        yield from _pairs(node.elts[0], node.elts[1], names)


def _pairs(code: ast.expr | None, sentence: ast.expr | None, names: Names) -> Iterator[tuple[str, str]]:
    if isinstance(code, ast.IfExp):
        yield from _pairs(code.body, sentence, names)
        yield from _pairs(code.orelse, sentence, names)
    elif isinstance(code, ast.Constant) and _is_code(code.value):
        yield str(code.value), _text(sentence, names)


def _is_code(value: object) -> bool:
    return isinstance(value, str) and bool(CODE.match(value)) and value not in ANSWERS


def _text(node: ast.expr | None, names: Names) -> str:
    """The sentence as far as it is written down; … stands for what is filled in."""
    match node:
        case ast.Constant(value=str(said)):
            return said
        case ast.JoinedStr(values=parts):
            return "".join(_text(part, names) for part in parts)
        case ast.FormattedValue():
            return "…"
        case ast.IfExp(body=one, orelse=other):
            return _text(one, names) or _text(other, names)
        case ast.Name(id=name) if name in names:
            return _text(names[name], {})
    return ""


def page() -> str:
    """biobank/refusals.md: one table a room; a code stands in the first room that says it."""
    todo, parts = refusals(), [HEAD]
    for folder, words in ROOMS:
        here = {code: files for code, files in todo.items() if any(path.startswith(folder) for path in files)}
        todo = {code: files for code, files in todo.items() if code not in here}
        if here:
            parts.append(
                f"## {words}\n\n| code | sentence |\n|---|---|\n"
                + "".join(_row(*one) for one in sorted(here.items()))
            )
    return "\n".join(parts)


def _row(code: str, files: dict[str, set[str]]) -> str:
    """Without those sentences that another one holds already."""
    said = sorted({one for told in files.values() for one in told if one.strip(" ….:")})
    said = [one for one in said if not any(one != other and one.lower() in other.lower() for other in said)]
    return f"| `{code}` | {'<br>'.join(said).replace('|', '&#124;') or 'says what is wrong'} |\n"


def setting_names() -> set[str]:
    """Names in the environment that settings.py reads; a secret may also come by a file."""
    tree = ast.parse((ROOT / "biobank" / "settings.py").read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func).startswith("env."):
            name = str(ast.literal_eval(node.args[0]))
            found |= {name, f"{name}_FILE"} if ast.unparse(node.func) == "env.secret" else {name}
    return found


def commands() -> set[str]:
    """Management commands of ours."""
    return {path.stem for path in ROOT.glob("*/management/commands/*.py") if path.stem != "__init__"}


def requirements() -> set[str]:
    """Names of everything that pyproject.toml asks for directly."""
    said = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    asked = [*said["project"]["dependencies"], *said["dependency-groups"]["dev"]]
    for extra in said["project"].get("optional-dependencies", {}).values():
        asked += extra
    return {re.split(r"[\[<>=!~; ]", one)[0] for one in asked}


if __name__ == "__main__":
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(page(), encoding="utf-8")
