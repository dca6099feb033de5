"""A writer that is killed with SIGKILL, again and again, and what the ledger holds each time.

Run as `python -m tests.custody.killed KILLS SEED` with DATABASE_URL naming an empty database and DATA_DIR an
empty folder; prints what was seen as JSON. POSIX only: the writer is a fork of this process, with its own
connection, so that a kill costs milliseconds.

Each step of an append (every statement that reaches the database, before the commit, after it) is met once:
the writer stops there, says so and is killed. All other kills come after a random time. The kill is a real
one, from outside: nothing in the writer can tidy up.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import count
from typing import Any

import django

MANY = [f"M{n:03}" for n in range(40)]
HANDS = [f"H{n:03}" for n in range(100)]  # to be handed off, five at a time
START = 1_780_000_000_000
BATCH = 40  # kills before a new, empty ledger: a long one would be read over and over
AT_RANDOM = 30  # kills at least, however many steps there are
# a random kill comes within one of these times of the writer's first breath: where much else runs an append
# takes longer
LONGEST_S = [0.03, 0.03, 0.1, 0.4]
Tell = Callable[..., None]


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    django.setup()
    kills, seed = int(words[0]), int(words[1])
    seen = Seen()
    for n, (kind, stop) in enumerate(plan(kills)):
        if n % BATCH == 0:
            fresh()
        kill(seen, kind, stop, random.Random(seed + n))
    print(json.dumps(seen.__dict__))


@dataclass
class Seen:
    """What happened in all: `midway` counts kills between an append's first word and its last."""

    kills: int = 0
    midway: int = 0
    acknowledged: int = 0
    unheard: int = 0  # committed, and killed before the writer could say so
    steps: dict[str, int] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Stop:
    """Where a writer waits to be killed: at its n-th step, before or after its event is committed."""

    n: int
    committed: bool


def plan(kills: int) -> list[tuple[str, Stop | None]]:
    """Every step of every kind of append once, the rest at random; shuffled, always the same way."""
    fresh()
    chosen: list[tuple[str, Stop | None]] = []
    for kind in acts():
        steps = learn(kind)
        chosen += [(kind, Stop(n, "before commit" in steps[:n])) for n in range(len(steps))]
    chosen += [("any", None)] * max(AT_RANDOM, kills - len(chosen))
    random.Random(1).shuffle(chosen)
    return chosen


def fresh() -> None:
    """An empty ledger, then tubes that were printed and drawn."""
    from django.apps import apps
    from django.db import connection, connections

    from custody import checkpoints, triggers
    from tests.custody.writers import make_tables

    models = list(apps.get_app_config("custody").get_models())
    there = set(connection.introspection.table_names())
    with connection.schema_editor() as editor:
        for model in reversed(models):
            if model._meta.db_table in there:
                editor.delete_model(model)
    make_tables()
    triggers.require()
    write(act("label_printed", MANY + HANDS, role="new"))
    write(act("drawn", MANY + HANDS, ul=1_000))
    checkpoints.forget_key()  # it would rightly notice that this is another ledger
    write(acts()["handoff"]())
    write(acts()["void"]())  # from now on each append takes the same steps, also after an amendment
    connections.close_all()


CLOCK = count(1)


def act(kind: str, tubes: list[str], *, role: str = "subj", data: Any = None, ref: Any = None, **line: Any):
    from custody.core.event import Act, new_id

    lines = [{"t": tube, "role": role} | line for tube in tubes]
    at = START + next(CLOCK) * 1_000
    return Act(kind=kind, at_ms=at, by="p1", org="SSS", id=new_id(), data=data or {}, ref=ref, lines=lines)


def write(*said: Any) -> list[Any]:
    from custody.record import record

    return record(list(said), login="labtech")


def acts() -> dict[str, Callable[[], Any]]:
    """The kinds of append that are killed at each step: of one tube, of many, of a correction, of custody."""
    return {
        "single": lambda: act("thawed", MANY[:1]),
        "many": lambda: act("thawed", MANY),
        "void": lambda: act("voided", [], data={"of": a_thaw(), "reason": "did_not_occur"}),
        "handoff": lambda: act("handed_off", held(5), data={"to": "TFL", "how": "hand"}),
    }


def a_thaw() -> str:
    """One that nothing has amended yet, so that each void takes the same steps."""
    return str(write(act("thawed", MANY[:5]))[0].id)


def held(many: int) -> list[str]:
    from custody import queries

    return [one.tube for one in queries.find(status="held", tube__in=HANDS)[:many]]


def learn(kind: str) -> list[str]:
    """The steps of such an append, by letting one through."""
    from django.db import connections

    said = made(kind)
    connections.close_all()
    told = list(life(said, None, None))
    return next(words[1] for words in told if words[0] == "steps")


def made(kind: str) -> Any:
    """An act of that kind (None: not one but many, the writer's own)."""
    return acts()[kind]() if kind in acts() else None


# --- the writer -----------------------------------------------------------------------------------------


def write_until_killed(said: Any, stop: Stop | None, tell: Tell) -> None:
    """This act, with a stop at one of its steps; without it one act after another."""
    if said is None:
        for one in endless():
            done(one, tell)
    steps = watch(stop, tell)
    done(said, tell)
    tell("steps", steps)


def done(said: Any, tell: Tell) -> None:
    tell("begin", said.id)
    tell("done", said.id, write(said)[0].seq)


def endless() -> Iterator[Any]:
    chance = random.Random(os.getpid())
    while True:
        yield act("thawed", [chance.choice(MANY)])
        yield act("thawed", MANY)
        yield act("moved", HANDS[-1:], unit="B1", row=1, col=chance.randint(1, 9))


def watch(stop: Stop | None, tell: Tell) -> list[str]:
    """From now on every statement and the commit is a step; at the one called for, wait to be killed."""
    from django.db import connection

    steps: list[str] = []

    def step(name: str) -> None:
        steps.append(name)
        if stop and len(steps) - 1 == stop.n:
            tell("at", name)
            time.sleep(60)

    def statement(execute: Any, sql: str, *rest: Any) -> Any:
        step(" ".join(sql.replace('"', "").split()[:3]))
        return execute(sql, *rest)

    commit = connection.commit

    def committing() -> None:
        step("before commit")
        commit()
        step("after commit")

    connection.ensure_connection()
    connection.execute_wrappers.append(statement)
    connection.commit = committing  # type: ignore[method-assign]
    return steps


# --- whoever kills it -----------------------------------------------------------------------------------


def life(act: Any, stop: Stop | None, after_s: float | None) -> Iterator[list[Any]]:
    """What a writer said from its birth to its death. Killed when it stops, or after so many seconds."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            write_until_killed(act, stop, lambda *words: _say(theirs, words))
        except BaseException as why:
            _say(theirs, ("error", repr(why)))
        os._exit(0)
    os.close(theirs)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(ours) as said:
        for text in said:
            if not text.endswith("\n"):
                break
            words = json.loads(text)
            if words[0] == "at":
                os.kill(child, signal.SIGKILL)
            yield words
    _, status = os.waitpid(child, 0)
    yield ["end", os.WTERMSIG(status) if os.WIFSIGNALED(status) else 0]


def _say(pipe: int, words: Any) -> None:
    os.write(pipe, (json.dumps(words) + "\n").encode())


def kill(seen: Seen, kind: str, stop: Stop | None, chance: random.Random) -> None:
    from django.db import connections

    act = made(kind)
    before = events()
    connections.close_all()  # a fork must not share one
    said = list(life(act, stop, None if act else chance.uniform(0, chance.choice(LONGEST_S))))
    seen.kills += said[-1] == ["end", signal.SIGKILL]
    at = next((words[1] for words in said if words[0] == "at"), None)
    if at is not None:
        seen.steps[f"{kind}: {at}"] += 1
    begun = {words[1] for words in said if words[0] == "begin"}
    heard = {words[1]: words[2] for words in said if words[0] == "done"}
    seen.midway += len(begun) > len(heard)
    seen.acknowledged += len(heard)
    wrong = [*alone(said, act is not None, at), *judge(seen, before, begun, heard, stop)]
    wrong += again(act) if act else []
    seen.troubles += [f"{kind} {stop} {at}: {trouble}" for trouble in wrong]


def again(act: Any) -> Iterator[str]:
    """The person sends the same form again: one event, whether the first one had arrived or not."""
    there = events()
    if write(act)[0].new != (act.id not in there):
        yield "sent again, it became another event"
    if set(events()) != set(there) | {act.id}:
        yield "sending again did more than write the event"


def alone(said: list[list[Any]], planned: bool, at: str | None) -> Iterator[str]:
    """Whether the kill went as it was meant to."""
    yield from (f"the writer failed: {words[1]}" for words in said if words[0] == "error")
    if said[-1] != ["end", signal.SIGKILL]:
        yield "it was not killed"
    if planned and at is None:
        yield "the step was never reached"


def judge(
    seen: Seen, before: dict[str, int], begun: set[str], heard: dict[str, int], stop: Stop | None
) -> Iterator[str]:
    """What is wrong with the ledger after a kill."""
    from custody.rebuild import differences
    from custody.verify import verify

    there = events()
    fresh_ids = set(there) - set(before)
    seen.unheard += len(fresh_ids - set(heard))
    if {key: there.get(key) for key in before | heard} != before | heard:
        yield "an acknowledged event is lost or has another number"
    if sorted(there.values()) != list(range(len(there))):
        yield "the numbers have a gap"
    if not fresh_ids <= begun or len(fresh_ids - set(heard)) > 1:
        yield "there are events that nobody began"
    if stop and bool(fresh_ids) != stop.committed:
        yield f"{len(fresh_ids)} events are there after a kill at this step"
    yield from verify().wrong
    yield from differences()


def events() -> dict[str, int]:
    """The events and their numbers, once nobody holds the head: a commit under way when its writer died is
    then over, one way or the other."""
    from django.db import transaction

    from custody.models import Event, Head

    with transaction.atomic():
        list(Head.objects.select_for_update())
        return {str(key): seq for key, seq in Event.objects.values_list("event_id", "seq")}


if __name__ == "__main__":
    main(sys.argv[1:])
