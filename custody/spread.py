"""Work on a whole ledger, piece by piece, on all processors.

Promises: the same answers in the same order, whether one process works or several; a process that dies is an
error and never a missing answer. A reader sees one moment of the database, whoever writes meanwhile.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

import django
from django.db import connection
from django.db.models import QuerySet

LARGE = 20_000  # events; starting processes takes as long as a smaller ledger takes one
MOST = 4  # processes; the database is one, and would be what they wait for
Piece = TypeVar("Piece")
Answer = TypeVar("Answer")


def each(
    task: Callable[[Piece], Answer], pieces: Iterable[Piece], size: int, held: bool = False
) -> Iterator[Answer]:
    """What `task`, a function of a module, answers to each piece, in order.

    size  events in the ledger; held  this connection is in a transaction that has written nothing yet
    """
    many = min(os.cpu_count() or 1, MOST)
    if size < LARGE or many == 1 or not _others_see(held):
        yield from map(task, pieces)
        return
    name = str(connection.settings_dict["NAME"])
    with ProcessPoolExecutor(many, get_context("spawn"), _begin, (name,)) as pool:
        yield from pool.map(task, pieces)


def _others_see(held: bool) -> bool:
    """Whether another connection sees what this one does."""
    name = str(connection.settings_dict["NAME"])
    return (held or not connection.in_atomic_block) and ":memory:" not in name and "mode=memory" not in name


def _begin(name: str) -> None:
    """In a new process: the settings come with the environment; a test's database has another name."""
    gc.disable()  # a piece is values only, without circles; looking for them takes a tenth of the time
    django.setup()
    connection.settings_dict["NAME"] = name


def raw(rows: QuerySet[Any, Any]) -> list[tuple[Any, ...]]:
    """What a `values_list` of numbers, texts and bytes gives, without a second pass over each row."""
    sql, values = rows.query.sql_with_params()
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


@contextmanager
def snapshot() -> Iterator[None]:
    """Reads inside are of one moment, also outside of a transaction; nothing waits for them."""
    if connection.in_atomic_block:
        yield
        return
    reading = connection.vendor == "sqlite"
    with connection.cursor() as cursor:
        cursor.execute("BEGIN" if reading else "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        try:
            yield
        finally:
            cursor.execute("COMMIT")
