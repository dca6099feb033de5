"""Work on a whole ledger, piece by piece, on all processors.

Promises: the same answers in the same order, whether one process works or several; a process that dies is an
error and never a missing answer. A reader sees one moment of the database, whoever writes meanwhile.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

import django
from django.db import connection
from django.db.models import QuerySet

LARGE = 20_000  # events; starting processes takes as long as a smaller ledger takes one
MOST = 4  # processes; the database is one, and would be what they wait for
AHEAD = 16  # pieces
Ready = TypeVar("Ready")
Piece = TypeVar("Piece")
Answer = TypeVar("Answer")


class Died(RuntimeError):
    """A process ended in the middle of its work: killed, or out of memory."""


def each(
    task: Callable[[Ready, Piece], Answer],
    prepare: Callable[[], Ready],
    pieces: Iterable[Piece],
    several: bool,
) -> Iterator[Answer]:
    """What task(prepare(), piece) answers to each piece, in order; each process prepares once.

    task, prepare  functions of a module; several  what `worth_it` said. Died when a process did.
    """
    if not several:
        ready = prepare()
        yield from (task(ready, piece) for piece in pieces)
        return
    name, many = str(connection.settings_dict["NAME"]), min(os.cpu_count() or 1, MOST)
    pool = ProcessPoolExecutor(many, get_context("spawn"), _begin, (name, pickle.dumps(prepare)))
    try:
        yield from _in_order(pool.submit(_do, task, piece) for piece in pieces)
    except BrokenProcessPool as why:
        raise Died("A process died in the middle of its work; the ledger was not gone through.") from why
    finally:
        pool.shutdown(cancel_futures=True)


def worth_it(size: int) -> bool:
    """Whether a ledger of so many events is large, and another connection sees what this one does.

    Asked before a transaction is opened: what is written in it the others do not see.
    """
    alone = connection.in_atomic_block or (connection.vendor == "sqlite" and connection.is_in_memory_db())
    return size >= LARGE and not alone and (os.cpu_count() or 1) > 1


def _in_order(asked: Iterator[Future[Answer]]) -> Iterator[Answer]:
    """The answers; no more than some pieces are begun before theirs are taken, so none pile up."""
    waiting: deque[Future[Answer]] = deque()
    for one in asked:
        waiting.append(one)
        if len(waiting) == AHEAD:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


_ready: Any = None


def _begin(name: str, prepare: bytes) -> None:
    """In a new process: the settings come with the environment; a test's database has another name."""
    global _ready
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to all; who asked ends the others
    gc.disable()  # a piece is values only, without circles; looking for them takes a tenth of the time
    django.setup()
    connection.settings_dict["NAME"] = name
    _ready = pickle.loads(prepare)()  # read only now: its module has models


def _do(task: Callable[[Any, Piece], Answer], piece: Piece) -> Answer:
    return task(_ready, piece)


def raw(rows: QuerySet[Any, Any]) -> list[tuple[Any, ...]]:
    """What a `values_list` of numbers, texts and bytes gives, without a second pass over each row."""
    sql, values = rows.query.sql_with_params()
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        found: list[tuple[Any, ...]] = cursor.fetchall()
    return found


_reading: list[bool] = []


@contextmanager
def snapshot() -> Iterator[None]:
    """Reads inside are of one moment, also outside of a transaction; nothing waits for them."""
    if connection.in_atomic_block or _reading:
        yield
        return
    reading = connection.vendor == "sqlite"
    with connection.cursor() as cursor:
        cursor.execute("BEGIN" if reading else "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        _reading.append(True)
        try:
            yield
        finally:
            _reading.pop()
            cursor.execute("COMMIT")
