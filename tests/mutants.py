"""Changes one operator of the rules at a time and says which changes no test notices.

    uv run python -m tests.mutants                                   every file of RULES
    uv run python -m tests.mutants custody/core/kleene.py            some of them
    uv run python -m tests.mutants --list custody/core/kleene.py     what would be changed

By hand, because it takes some minutes. Changes no file: each change is put into the functions of a process
of its own. The quick tests are asked first, those with random rules last. The exit code is 1 when a change
survives that is not in EQUIVALENT (same answers whatever is asked, each with its reason). Comparisons,
and/or, not, + - * //, min and max, any and all, numbers, answers and bare conditions are changed; docstrings,
annotations and decorators are not.
"""

from __future__ import annotations

import ast
import inspect
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.equivalent import EQUIVALENT

ROOT = Path(__file__).resolve().parents[1]
CORE = "custody/core/"
RULES = [
    CORE + name
    for name in ("kleene.py", "judge.py", "judge_said.py", "judge_act.py", "judge_tube.py",
                 "judge_temperature.py",
                 "stability.py", "rule.py", "rules.py", "countdown.py")
]  # fmt: skip
QUICK = [
    f"tests/core/{name}.py"
    for name in ("test_rules_acts", "test_rules_tube", "test_rules_temperature", "test_stability",
                 "test_verdicts", "test_rules")
]  # fmt: skip
SLOW = ["tests/core/test_rules_slow.py"]
PATIENCE_S, OUTSIDE = 240, 99
FLAGS = [
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:xdist",
    "-p",
    "no:django",
    "--noconftest",
    "-c",
    os.devnull,
]

SWAPS: dict[type, list[type]] = {
    ast.Lt: [ast.LtE, ast.Gt], ast.LtE: [ast.Lt, ast.GtE],
    ast.Gt: [ast.GtE, ast.Lt], ast.GtE: [ast.Gt, ast.LtE],
    ast.Eq: [ast.NotEq], ast.NotEq: [ast.Eq], ast.Is: [ast.IsNot], ast.IsNot: [ast.Is],
    ast.In: [ast.NotIn], ast.NotIn: [ast.In], ast.And: [ast.Or], ast.Or: [ast.And],
    ast.Add: [ast.Sub], ast.Sub: [ast.Add], ast.Mult: [ast.FloorDiv], ast.FloorDiv: [ast.Mult],
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
ANSWERS = {"pass": "fail", "fail": "pass", "cannot_tell": "pass"}
Change = Callable[[], str]


@dataclass(frozen=True)
class Mutant:
    """One change: in which file, at which line, what, and the whole changed text."""

    file: str
    line: int
    said: str
    what: str
    text: str

    @property
    def key(self) -> tuple[str, str, str]:
        return self.file.removeprefix(CORE), self.said, self.what


def mutants(file: str) -> Iterator[Mutant]:
    """Every change of a file, each by itself."""
    source = (ROOT / file).read_text(encoding="utf-8")
    lines = source.splitlines()
    for number in range(len(list(changes(ast.parse(source))))):
        tree = ast.parse(source)
        node, change = list(changes(tree))[number]
        what = change()
        line = getattr(node, "lineno", 1)
        yield Mutant(file, line, lines[line - 1].strip(), what, ast.unparse(ast.fix_missing_locations(tree)))


def changes(tree: ast.Module) -> Iterator[tuple[ast.AST, Change]]:
    """Every place that can be changed and the function that changes it."""
    for node in _code(tree):
        yield from ((node, change) for change in _of(node))


def _code(node: ast.AST) -> Iterator[ast.AST]:
    """Every node that runs: no annotations, decorators, docstrings and casts."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _idle(child):
                yield from _code(child)


def _idle(node: ast.AST) -> bool:
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if (
        isinstance(node, ast.Subscript)
        and isinstance(node.value, ast.Name)
        and node.value.id in ("Literal", "tuple")
    ):
        return True
    return isinstance(node, ast.Assign) and any(getattr(one, "id", "") == "__all__" for one in node.targets)


def _of(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Compare):
        for k, op in enumerate(node.ops):
            yield from (_put(node.ops, k, op, new) for new in SWAPS.get(type(op), []))
    elif isinstance(node, (ast.BoolOp, ast.BinOp)):
        yield from (_op(node, new) for new in SWAPS.get(type(node.op), []))
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield _plus(node)
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES:
        yield _name(node.func)
    elif isinstance(node, ast.Constant):
        yield from _constant(node)
    if isinstance(node, (ast.If, ast.IfExp)):
        yield from _bare(node, "test")
    elif isinstance(node, ast.comprehension):
        yield from (_bare_if(node.ifs, k) for k in range(len(node.ifs)) if not _handled(node.ifs[k]))


def _put(ops: list[ast.cmpop], k: int, old: ast.cmpop, new: type) -> Change:
    def change() -> str:
        ops[k] = new()
        return f"{type(old).__name__} to {new.__name__}"

    return change


def _op(node: ast.BoolOp | ast.BinOp, new: type) -> Change:
    def change() -> str:
        said = f"{type(node.op).__name__} to {new.__name__}"
        node.op = new()
        return said

    return change


def _plus(node: ast.UnaryOp) -> Change:
    def change() -> str:
        said = f"{type(node.op).__name__} left out"
        if isinstance(node.op, ast.Not):  # not not x
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
        else:
            node.op = ast.UAdd()
        return said

    return change


def _name(node: ast.Name) -> Change:
    def change() -> str:
        said = f"{node.id} to {NAMES[node.id]}"
        node.id = NAMES[node.id]
        return said

    return change


def _constant(node: ast.Constant) -> Iterator[Change]:
    value = node.value
    if isinstance(value, bool):
        yield _to(node, not value)
    elif isinstance(value, int):
        yield _to(node, 0 if value == 1 else value + 1)
    elif isinstance(value, str) and value in ANSWERS:
        yield _to(node, ANSWERS[value])


def _to(node: ast.Constant, value: bool | int | str) -> Change:
    def change() -> str:
        said = f"{node.value!r} to {value!r}"
        node.value = value
        return said

    return change


def _handled(test: ast.expr) -> bool:
    return isinstance(test, (ast.Compare, ast.BoolOp)) or (
        isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not)
    )


def _bare(node: ast.If | ast.IfExp, name: str) -> Iterator[Change]:
    if not _handled(node.test):

        def change() -> str:
            node.test = ast.UnaryOp(ast.Not(), node.test)
            return "condition turned round"

        yield change


def _bare_if(ifs: list[ast.expr], k: int) -> Change:
    def change() -> str:
        ifs[k] = ast.UnaryOp(ast.Not(), ifs[k])
        return "filter turned round"

    return change


# --- trying them ------------------------------------------------------------------------------------------


def functions(module: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Every function that a file defines, methods and cached ones too, by its name in the file."""
    for name, value in list(module.items()):
        if isinstance(value, type):
            members = {f"{name}.{one}": each for one, each in vars(value).items()}
        else:
            members = {name: value}
        for said, one in members.items():
            bare = getattr(one, "fget", None) or getattr(one, "__func__", None) or one
            bare = inspect.unwrap(bare) if callable(bare) else bare
            if inspect.isfunction(bare) and bare.__module__ == module["__name__"]:
                yield said, bare


def run(text: str, name: str) -> dict[str, Any]:
    """A file's text as a module that nobody imports."""
    made = {"__name__": name}
    exec(compile(text, name, "exec"), made)
    return made


def changed(one: Mutant) -> bool:
    """Puts the change into the functions that are loaded; no: it stands outside of every function."""
    name = one.file.removesuffix(".py").replace("/", ".")
    same = ast.unparse(ast.parse((ROOT / one.file).read_text(encoding="utf-8")))
    old, new = dict(functions(run(same, name))), dict(functions(run(one.text, name)))
    loaded = dict(functions(vars(sys.modules[name])))
    differ = [each for each in old if old[each].__code__ != new[each].__code__]
    for each in differ:
        loaded[each].__code__ = new[each].__code__
    for module in [sys.modules[each] for each in sys.modules if each.startswith("custody.core")]:
        for value in vars(module).values():
            if hasattr(value, "cache_clear"):
                value.cache_clear()
    return bool(differ)


def asked(one: Mutant | None, tests: list[str], place: Path) -> int:
    """A process of its own that runs the tests with this change; its exit code is pytest's, or 99: not in a
    function, so nothing was tried."""
    pid = os.fork()
    if pid:
        return pid
    signal.alarm(PATIENCE_S)  # a change may make a loop without end: that is noticed
    quiet = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    code = 3
    try:
        code = OUTSIDE if one and not changed(one) else int(pytest.main([*FLAGS, *tests]))
    finally:
        os._exit(code)


def answers(found: list[Mutant], tests: list[str]) -> Iterator[tuple[Mutant, int]]:
    """Every change with what became of it: 0 is not noticed."""
    left, running = list(reversed(found)), {}
    with tempfile.TemporaryDirectory(prefix="mutants-") as made:
        while left or running:
            while left and len(running) < (os.cpu_count() or 1):
                one = left.pop()
                running[asked(one, tests, Path(made) / f"{len(left)}.txt")] = one
            pid, status = os.wait()
            yield running.pop(pid), os.waitstatus_to_exitcode(status)


def main(words: list[str]) -> int:
    files = [one for one in words if not one.startswith("-")] or RULES
    found = [one for file in files for one in mutants(file)]
    if "--list" in words:
        print("\n".join(f"{one.file}:{one.line}  {one.what}  |  {one.said}" for one in found))
        return 0
    begun = time.monotonic()
    os.chdir(ROOT)
    if pytest.main([*FLAGS, "-m", "not hypothesis", *QUICK, *SLOW]):  # and so everything is loaded
        print("The tests fail before anything is changed.", file=sys.stderr)
        return 2
    quick, outside = [], []
    for one, code in answers(found, ["-m", "not hypothesis", *QUICK]):
        if code not in (0, 1, -signal.SIGALRM):  # a test failed, or it took too long
            outside.append(one)
        elif code == 0:
            quick.append(one)
            print(f"  {shown(one)}", flush=True)
    print(f"{len(quick)} of {len(found)} are left to the tests with random rules.", flush=True)
    rest = [one for one in quick if one.key not in EQUIVALENT]
    alive = [one for one, code in answers(rest, SLOW + QUICK[-1:]) if code == 0]
    for one in sorted(alive, key=lambda one: (one.file, one.line)):
        print(f"NOBODY NOTICED {shown(one)}")
    for one in outside:
        print(f"not tried (it stands in no function, or pytest broke): {shown(one)}")
    print(
        f"{len(found)} changes: {len(found) - len(quick) - len(outside)} noticed by the quick tests,"
        f" {len(rest) - len(alive)} by those with random rules, {len(quick) - len(rest)} change no answer,"
        f" {len(outside)} not tried, {len(alive)} not noticed; {time.monotonic() - begun:.0f} s."
    )
    return 1 if alive else 0


def shown(one: Mutant) -> str:
    return f"{one.file}:{one.line}  {one.what}  |  {one.said}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
