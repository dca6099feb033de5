"""The arrows between the rooms, as a checker over source text. test_rooms.py runs it on the project and on
small made-up trees in which an arrow is broken on purpose.

Promises: reads files only, imports none of them; each rule is one function that yields one sentence a breach.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

LONGEST, LONGEST_TEST = 400, 700  # tests of one room may stay together
APPS = ("custody", "biobank")
SKIPPED = {
    ".git",
    ".venv",
    "var",
    "__pycache__",
    ".pytest_cache",
    ".mypy_cache",
    ".ruff_cache",
    ".hypothesis",
}
TEXTS = {
    ".py",
    ".html",
    ".css",
    ".js",
    ".md",
    ".toml",
    ".txt",
    ".sh",
    ".svg",
    ".json",
    ".csv",
    ".yml",
    ".yaml",
    "",
}
COUNTED = {".py", ".html", ".css", ".js"}

# what a core room may use of Python; neither clock nor disk nor network is among it
PURE = {
    "__future__", "abc", "base64", "binascii", "bisect", "collections", "contextlib", "dataclasses",
    "datetime",
    "decimal", "enum", "fractions", "functools", "hashlib", "heapq", "hmac", "itertools", "json", "math",
    "operator", "random", "re", "string", "struct", "typing", "unicodedata", "uuid",
}  # fmt: skip
# exceptions, each with its reason
ALSO = {
    "custody/core/thermal.py": {"numpy"},  # millions of readings
    "custody/core/measured.py": {"numpy"},  # what is put into its tables, and what comes out
    "custody/core/ranges.py": {"numpy"},  # its tables
    "custody/core/spans.py": {"numpy"},
    "custody/core/thaw.py": {"numpy"},
    "custody/core/note.py": {"cryptography"},  # Ed25519 and nothing else of it
    "custody/core/event.py": {"os", "time"},  # new_id() alone: a UUIDv7 is made of a clock and of chance
    "biobank/core/codes.py": {"stdnum"},  # ISO 7064
}
SHARED = {"custody": {"custody.core"}, "biobank": {"biobank.core", "custody.core.refusal"}}  # how to say no
IMPURE_CALLS = {
    "open", "print", "input", "exec", "eval", "time.time", "time.time_ns", "time.monotonic", "datetime.now",
    "datetime.utcnow", "datetime.today", "date.today", "datetime.datetime.now", "datetime.date.today",
    "os.getenv", "os.urandom",
}  # fmt: skip
CALLS_ALSO = {"custody/core/event.py": {"time.time_ns", "os.urandom"}}

FRONT_DOORS = ("custody.record", "custody.queries", "custody.core", "custody.checkpoints")  # for papers
DOORS_ALSO = {
    "biobank/wsgi.py": ("custody.triggers",),  # looks at start-up whether they are there
    "biobank/checks/passport_paper.py": ("custody.proof",),  # the proof file beside the paper
    "biobank/ledger/actions.py": ("custody.sync", "custody.devices"),  # lets held items in; devices
}
WRITERS = {"custody/record.py", "custody/refold.py", "custody/rebuild.py", "custody/checkpoints.py"}
WRITERS |= {"custody/held.py", "custody/devices.py"}  # their own tables, which are no part of the log
WRITES = {
    "create", "acreate", "bulk_create", "abulk_create", "bulk_update", "abulk_update", "get_or_create",
    "aget_or_create", "update_or_create", "aupdate_or_create", "save", "asave",
}  # fmt: skip
WRITES_OF_ROWS = WRITES | {"update", "aupdate", "delete", "adelete"}
TABLES = re.compile(
    r"\bcustody_(event|line|head|tile|checkpoint|tubestate|unitstate|finding|held|device)\b", re.I
)

# written in halves, so that this file does not find itself
FORBIDDEN_TEXT = [
    "/" + "root/",
    "/" + "work/",
    "/" + "tmp/",
    "/" + "home/",
    "python" + "hosted.org",
    "pypi.org/" + "simple",
]


@dataclass(frozen=True)
class Source:
    """One file: its path from the project's folder, with slashes, and its text."""

    path: str
    text: str

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text, self.path)

    @property
    def app(self) -> str:
        return self.path.partition("/")[0]

    @property
    def is_core(self) -> bool:
        return self.path.endswith(".py") and self.path.split("/")[1:2] == ["core"] and self.app in APPS

    @property
    def is_app_code(self) -> bool:
        return self.path.endswith(".py") and self.app in APPS

    @property
    def is_models(self) -> bool:
        return self.is_app_code and ("/models/" in self.path or self.path.endswith("/models.py"))

    @cached_property
    def imports(self) -> list[str]:
        """Every imported name in full, relative ones too, wherever in the file it stands."""
        found = []
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                found += [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                base = self._base(node)
                found += [f"{base}.{alias.name}" for alias in node.names]
        return found

    def _base(self, node: ast.ImportFrom) -> str:
        if not node.level:
            return node.module or ""
        package = self.path.removesuffix(".py").split("/")[: -node.level]
        return ".".join([*package, *([node.module] if node.module else [])])

    @cached_property
    def calls(self) -> list[tuple[str, int]]:
        """Every call as dotted text (`Event.objects.create`) with its line."""
        return [
            (dotted(node.func), node.lineno) for node in ast.walk(self.tree) if isinstance(node, ast.Call)
        ]

    @cached_property
    def strings(self) -> list[tuple[str, int]]:
        nodes = [node for node in ast.walk(self.tree) if isinstance(node, ast.Constant)]
        return [(node.value, node.lineno) for node in nodes if isinstance(node.value, str)]


def dotted(node: ast.expr) -> str:
    """`a.b(…).c` as a.b.c: what is asked for, without what it is given."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    if isinstance(node, ast.Call):
        return dotted(node.func)
    return "?"


def under(name: str, parents: tuple[str, ...] | set[str]) -> bool:
    return any(name == parent or name.startswith(parent + ".") for parent in parents)


Rule = Callable[[Source], Iterator[str]]


def custody_knows_no_biobank(source: Source) -> Iterator[str]:
    if source.app == "custody" and source.is_app_code:
        yield from (f"imports {name}" for name in source.imports if under(name, ("biobank",)))


def biobank_uses_the_front_doors(source: Source) -> Iterator[str]:
    """record, queries and core; never the tables, neither by import nor by name nor by SQL."""
    if source.app != "biobank" or not source.is_app_code:
        return
    doors = FRONT_DOORS + DOORS_ALSO.get(source.path, ())
    yield from (
        f"imports {name}" for name in source.imports if under(name, ("custody",)) and not under(name, doors)
    )
    for text, line in source.strings:
        if TABLES.search(text) or re.fullmatch(r"custody\.(models\b.*|[A-Z]\w*)", text):
            yield f"line {line} names a table of the ledger: {text[:60]!r}"
    asked = {line for call, line in source.calls if call.endswith("get_model")}
    for text, line in source.strings:
        if line in asked and text.partition(".")[0] == "custody":
            yield f"line {line} asks Django for a model of the ledger"


def core_is_pure(source: Source) -> Iterator[str]:
    if not source.is_core:
        return
    allowed = PURE | ALSO.get(source.path, set()) | SHARED[source.app]
    yield from (f"imports {name}" for name in source.imports if not under(name, allowed))
    calls = IMPURE_CALLS - CALLS_ALSO.get(source.path, set())
    yield from (f"line {line} calls {call}()" for call, line in source.calls if call in calls)
    if re.search(r"\bos\.environ\b", source.text):
        yield "reads the environment"


def one_writer(source: Source) -> Iterator[str]:
    """Nothing else in custody writes its tables (biobank cannot even name them)."""
    if (
        source.app != "custody"
        or not source.is_app_code
        or source.path in WRITERS
        or "/migrations/" in source.path
    ):
        return
    rows = {name.rpartition(".")[2] for name in source.imports if name.startswith("custody.models.")} | {
        "objects"
    }
    for call, line in source.calls:
        *owner, verb = call.split(".")
        if verb in WRITES or (verb in WRITES_OF_ROWS and rows & set(owner)):
            yield f"line {line} writes: {call}()"
    for text, line in source.strings:
        written = re.search(
            r"\b(insert\s+into|replace\s+into|update|delete\s+from|truncate)\s+\S*custody_", text, re.I
        )
        if written and source.path != "custody/triggers.py":
            yield f"line {line} writes in SQL"


def views_only_ask(source: Source) -> Iterator[str]:
    if not source.is_app_code or not re.search(r"(^|/)views(\.py$|/)", source.path):
        return
    for call, line in source.calls:
        verb = call.rpartition(".")[2]
        if (
            verb in {"perform", "perform_all", "record"}
            or verb in WRITES
            or (".objects." in call and verb in WRITES_OF_ROWS)
        ):
            yield f"line {line} writes: {call}(); an action must"


SIGNALS = ("django.db.models.signals", "django.dispatch", "simple_history.signals")


def no_hidden_writes(source: Source) -> Iterator[str]:
    """No save() or delete() of a model's own, no signals but post_migrate (which puts the triggers back)."""
    if not source.is_app_code or "/migrations/" in source.path:
        return
    for name in source.imports:
        if under(name, SIGNALS) and name != "django.db.models.signals.post_migrate":
            yield f"listens to signals: {name}"
    if source.is_models:
        for made in (node for node in ast.walk(source.tree) if isinstance(node, ast.ClassDef)):
            names = {
                node.name for node in made.body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            }
            yield from (
                f"{made.name} has a {name}() of its own" for name in sorted(names & {"save", "delete"})
            )


def no_transaction_around_requests(source: Source) -> Iterator[str]:
    if source.is_app_code and "ATOMIC_REQUESTS" in source.text:
        yield "mentions ATOMIC_REQUESTS: record() must open the outermost transaction"


def short_enough(source: Source) -> Iterator[str]:
    if Path(source.path).suffix not in COUNTED or "/vendor/" in source.path or "/migrations/" in source.path:
        return
    lines, most = source.text.count("\n"), LONGEST_TEST if source.app == "tests" else LONGEST
    if lines > most:
        yield f"has {lines} lines; past {most} it is split by noun"


def belongs_to_no_machine(source: Source) -> Iterator[str]:
    yield from (f"holds {text!r}" for text in FORBIDDEN_TEXT if text in source.text)


RULES: list[Rule] = [
    custody_knows_no_biobank,
    biobank_uses_the_front_doors,
    core_is_pure,
    one_writer,
    views_only_ask,
    no_hidden_writes,
    no_transaction_around_requests,
    short_enough,
    belongs_to_no_machine,
]


def sources(root: Path) -> Iterator[Source]:
    """Every text file of the project that could be committed (uv.lock cannot)."""
    for path in sorted(root.rglob("*")):
        parts = path.relative_to(root).parts
        if SKIPPED & set(parts) or path.suffix not in TEXTS or not path.is_file() or path.name == "uv.lock":
            continue
        yield Source(path.relative_to(root).as_posix(), path.read_text(encoding="utf-8"))


def breaches(read: Iterable[Source], rules: list[Rule] | None = None) -> list[str]:
    """`rule: file: what` for everything that breaks a rule."""
    return [
        f"{rule.__name__}: {source.path}: {said}"
        for source in read
        for rule in rules or RULES
        for said in rule(source)
    ]
