"""What tests/bench/verdicts.py measures, in the database that DATABASE_URL names; an empty one is filled."""

from __future__ import annotations

import json
import os
import resource
import statistics
import sys
from collections.abc import Iterator
from time import perf_counter, process_time
from typing import Any

from tests.bench import _million as made

DAYS = int(os.environ.get("DAYS") or 30)
ONES, PAGES, JUDGED = 60, 20, int(os.environ.get("JUDGED") or 4_000)
STEP, DAY_MS = 300_000, 86_400_000
NOW = made.START + DAYS * DAY_MS
RULES = [  # kind, severity, what it needs
    ("interval", "stop", {"from_act": "drawn", "to_act": "spun", "limit_s": 10_800}),
    ("interval", "caution", {"from_act": "drawn", "to_act": "frozen", "limit_s": 14_400}),
    ("temperature", "stop", {"phase": "frozen", "side": "above", "limit_centi": -6000, "allowed_s": 3600}),
    ("temperature", "caution",
     {"phase": "between", "from_act": "drawn", "to_act": "frozen", "side": "above", "limit_centi": 2500,
      "allowed_s": 14_400}),
    ("budget", "caution", {"from_act": "drawn", "bands": "-6000: 800:604800 :86400"}),
    ("thaws", "stop", {"max_thaws": 1}),
    ("volume", "stop", {"min_ul": 200}),
    ("grade", "stop", {"grade_name": "haemolysis", "max_grade": 2}),
    ("spin", "caution", {"min_g": 1500, "min_minutes": 10}),
    ("custody", "caution", {}),
]  # fmt: skip


def main(words: list[str]) -> None:
    os.environ["DJANGO_SETTINGS_MODULE"] = "tests.settings"
    import django

    django.setup()
    from django.core.management import call_command

    from biobank.models import Unit

    call_command("migrate", run_syncdb=True, verbosity=0)
    if not Unit.objects.filter(code="BOX00000").exists():
        build(int(words[0]))
    print(json.dumps(measured(int(words[0]))))


# --- building -----------------------------------------------------------------------------------------------


def build(size: int) -> None:
    from django.db import transaction

    from custody import rebuild
    from tests import people as builders
    from tests.bench import _ledger

    people = builders.make_people()
    boxes = size // made.IN_BOX
    sets = [made.set_code(n) for n in range(boxes)]
    with transaction.atomic():
        made.rows(people, boxes, sets)
        law()
        loggers(people)
    _ledger.store(happened(boxes, sets))
    rebuild.rebuild()
    _ledger.analyse()


def law() -> None:
    from datetime import date

    from biobank.models import Assay, AssayTakes, Rule, RuleSet

    assay = Assay.objects.create(code="CHEM", name="Chemistry")
    AssayTakes.objects.create(assay=assay, matrix="SER")
    rules = RuleSet.objects.create(code="TEN", status="in_force", valid_from=date(2026, 1, 1))
    for n, (kind, severity, needs) in enumerate(RULES):
        plain = {"evidence": "memory", "source": "a benchmark", "rule_set": rules, "assay": assay}
        Rule.objects.create(code=f"r{n}", kind=kind, severity=severity, **plain, **needs)


def loggers(people: Any) -> None:
    """One for every freezer, around -80 °C with noise."""
    import numpy as np

    from biobank.models import Logger, LoggerPlacement, ReadingBlock, Unit
    from biobank.temperature import blocks

    first = made.START - DAY_MS
    times = np.arange(first, NOW + 1, STEP, dtype=np.int64)
    for n, unit in enumerate(Unit.objects.filter(kind="freezer").order_by("code")):
        noise = np.random.default_rng(n).normal(0, 60, len(times)).round()
        logger = Logger.objects.create(code=f"L{n}", agency=people.nlb, interval_s=300, serial=f"S{n}")
        LoggerPlacement.objects.create(logger=logger, unit=unit, from_ms=0, governing=True, medium="air")
        held = blocks.of(times, (-8000 + noise).astype(np.int64), 900_000)
        rows = [blocks.block(logger.pk, logger.code, day, part, 1, None) for day, part in blocks.by_day(held)]
        ReadingBlock.objects.bulk_create(rows, batch_size=500)


def happened(boxes: int, sets: list[str]) -> Iterator[Any]:
    """Every box's tubes were spun and put away at minutes of their own."""
    for kind, code, above in made.places(boxes):
        if kind != "box" or above is not None:
            yield made.act("moved", [{"u": code, "role": "subj", "to": above}], 0)
    label = {"role": "new", "label": "Serum 1", "matrix": "SER", "additive": "SST", "ul": 1000}
    for n, one in enumerate(sets):
        tubes = made.tubes_of(one)
        subjects = [{"t": tube, "role": "subj"} for tube in tubes]
        yield made.act("label_printed", [{"t": tube} | label for tube in tubes], 1, {"set": one})
        yield made.act("drawn", [line | {"ul": 1_000} for line in subjects], 2)
        yield made.act("spun", subjects, 40 + n % 170, {"g": 2000, "minutes": 10})
        yield made.act("graded", [line | {"haemolysis": n % 4} for line in subjects], 215)
        places = [
            line | {"unit": f"BOX{n:05}", "row": at // 9 + 1, "col": at % 9 + 1}
            for at, line in enumerate(subjects)
        ]
        yield made.act("put_away", places, 216 + n % 60)


# --- measuring ----------------------------------------------------------------------------------------------


def measured(size: int) -> dict[str, float]:
    from biobank.checks import judging
    from biobank.checks.facts import facts_of
    from biobank.checks.verdicts import in_force, verdicts_for, verdicts_of
    from biobank.temperature import blocks
    from biobank.temperature.recompute import together

    rule_set, codes, loaded = in_force(), judging.everybody()[:size], [0]
    each = blocks.each

    def counted(spans: Any, raw: bool = False) -> Any:
        for one in each(spans, raw):
            loaded[0] += 1
            yield one

    blocks.each = counted  # type: ignore[assignment]
    words: dict[str, int] = {}
    wall, cpu, parts, facts_s = perf_counter(), process_time(), 0, 0.0
    for part in together(codes):
        begun = process_time()
        facts, parts = facts_of(part, rule_set.rules, NOW), parts + 1
        facts_s += process_time() - begun
        for code in part:
            for one in verdicts_for(facts[code], rule_set, None):
                words[one.word] = words.get(one.word, 0) + 1
    wall, cpu = perf_counter() - wall, process_time() - cpu
    blocks.each = each
    ones = []
    for code in codes[:: max(len(codes) // ONES, 1)][:ONES]:
        begun = process_time()
        verdicts_of([code], NOW)
        ones.append(process_time() - begun)
    begun = process_time()
    judging.judge(codes[:JUDGED], NOW)
    judge = process_time() - begun
    from biobank.models import Logger

    return {
        "tubes": len(codes), "rules": len(rule_set.rules), "verdicts_s": round(wall, 2),
        "verdicts_cpu_s": round(cpu, 2), "facts_cpu_s": round(facts_s, 2),
        "us_a_tube": round(cpu / len(codes) * 1e6, 1),
        "one_ms_p50": round(statistics.median(ones) * 1000, 2),
        "one_ratio": round(statistics.fmean(ones) * len(codes) / cpu, 1),
        "loaded": loaded[0], "pieces": parts, "loggers": Logger.objects.count(),
        "judge_cpu_s": round(judge, 2), "judge_us_a_tube": round(judge / len(codes[:JUDGED]) * 1e6, 1),
        **{f"n_{word}": n for word, n in sorted(words.items())}, **page(codes),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
        "cpus": os.cpu_count() or 0, "load": round(os.getloadavg()[0], 2),
    }  # fmt: skip


def page(codes: list[str]) -> dict[str, float]:
    """One tube's page with its template, through the test client: ms on the processor and by the clock."""
    from django.test import Client

    from biobank.models import Person

    client = Client(SERVER_NAME="localhost")
    client.force_login(Person.objects.get(code="P3").user)
    cpu, wall = [], []
    for code in codes[:: max(len(codes) // PAGES, 1)][:PAGES]:
        begun, at = process_time(), perf_counter()
        assert client.get(f"/fit/{code}/").status_code == 200
        cpu.append((process_time() - begun) * 1000)
        wall.append((perf_counter() - at) * 1000)
    return {
        "page_cpu_ms_p50": round(statistics.median(cpu[2:]), 1),
        "page_ms_p50": round(statistics.median(wall[2:]), 1), "page_ms_most": round(max(wall[2:]), 1),
    }  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
