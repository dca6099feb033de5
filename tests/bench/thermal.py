"""Sixteen numbers for each of 600,000 stretches over 15.5 million readings, against slicing and against SQL.

uv run python -m tests.bench thermal           READINGS=… INTERVALS=… for other sizes

ours_s is building and answering, logger by logger, in one process (ours_cpu_s: what it took of the
processor, where much else runs). The other ways answer a sample of the same stretches in the same run (NAIVE
and SQL of them for each logger); *_s is their mean times the number of stretches, *_se_pct the standard error
of that mean. They are held to our numbers: *_off is the largest difference, relative to 1 or to the number,
whichever is larger (rates: to the number). The SQL engine is SQLite in memory; it gives eight of the sixteen
numbers, in one range join for each stretch.
"""

from __future__ import annotations

import os
import resource
from time import perf_counter, process_time

import numpy as np

from custody.core.budget import Bands
from custody.core.spec import Spec
from custody.core.thermal import Measured, Series
from tests.bench import _thermal as made

READINGS = int(os.environ.get("READINGS") or 15_500_000)
INTERVALS = int(os.environ.get("INTERVALS") or 600_000)
NAIVE, SQL = int(os.environ.get("NAIVE") or 20), int(os.environ.get("SQL") or 4)
SPEC = Spec(made.LIMITS, thaw=(made.FREEZE, made.THAW), bands=Bands(made.EDGES, made.BEARS))


def run() -> dict[str, float]:
    build = answer = cpu = 0.0
    readings = inside = intervals = 0
    times: dict[str, list[float]] = {"naive": [], "sql": []}
    off = {"naive": 0.0, "sql": 0.0}
    for one in made.loggers(READINGS, INTERVALS):
        begun, used = perf_counter(), process_time()
        series = Series(one.times, one.centi, made.GAP)
        series.build(SPEC)
        built = perf_counter()
        numbers = sixteen(series.measure(one.a, one.b, SPEC))
        build, answer = build + built - begun, answer + perf_counter() - built
        cpu += process_time() - used
        del series
        readings, intervals = readings + len(one.times), intervals + len(one.a)
        inside += int((np.searchsorted(one.times, one.b) - np.searchsorted(one.times, one.a)).sum())
        _others(one, numbers, times, off)
    ours = build + answer
    return {
        "readings": readings, "intervals": intervals, "readings_inside": inside,
        "ours_s": round(ours, 2), "build_s": round(build, 2), "answer_s": round(answer, 2),
        "ours_cpu_s": round(cpu, 2),
        "ns_a_reading": round(build / readings * 1e9, 1),
        "us_an_interval": round(answer / intervals * 1e6, 2),
        **_told("naive", times["naive"], intervals, ours, off["naive"]),
        **_told("sql", times["sql"], intervals, ours, off["sql"]),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
        "cpus": os.cpu_count() or 0, "load": round(os.getloadavg()[0], 2),
    }  # fmt: skip


def sixteen(found: Measured) -> np.ndarray:
    """One row for each stretch: covered, lowest, highest, rate, four times above, four longest, share of the
    budget, thaws of a sample that came thawed, its state, excursions above the first limit."""
    assert SPEC.bands and found.thaws
    runs = {edge.centi: one for edge, one in found.runs.items() if edge.side == "above"}
    thaws, frozen = found.thaws.of(frozen=False)
    used = SPEC.bands.used(found.ms, lambda edge: found.above_bands[edge])  # type: ignore[arg-type, return-value]
    return np.stack([
        found.ms, found.low, found.high, found.rate,
        *(runs[limit].ms for limit in made.LIMITS), *(runs[limit].longest for limit in made.LIMITS),
        used, thaws, frozen, runs[made.LIMITS[0]].count,
    ], axis=1)  # fmt: skip


def _others(
    one: made.Made, numbers: np.ndarray, times: dict[str, list[float]], off: dict[str, float]
) -> None:
    some = np.random.default_rng(len(one.a)).permutation(len(one.a))
    for k in some[:NAIVE]:
        begun = perf_counter()
        found = made.sliced(one.times, one.centi, int(one.a[k]), int(one.b[k]))
        times["naive"].append(perf_counter() - begun)
        off["naive"] = max(off["naive"], _apart(numbers[k], np.array(found)))
    base = made.stored(one.times, one.centi)
    for k in some[:SQL]:
        begun = perf_counter()
        found = made.joined(base, one.a[k], one.b[k])
        times["sql"].append(perf_counter() - begun)
        off["sql"] = max(off["sql"], _apart(numbers[k, :8], np.array(found)))
    base.close()


def _apart(ours: np.ndarray, theirs: np.ndarray) -> float:
    if not np.array_equal(np.isnan(ours), np.isnan(theirs)):
        return float("inf")
    scale = np.maximum(np.abs(theirs), 1.0)
    scale[3] = abs(theirs[3]) or 1.0  # rates span 35 decades: only a relative difference says anything
    return float(np.nanmax(np.abs(ours - theirs) / scale))


def _told(name: str, times: list[float], intervals: int, ours: float, off: float) -> dict[str, float]:
    mean = float(np.mean(times))
    return {
        f"{name}_s": round(mean * intervals, 1), f"{name}_ratio": round(mean * intervals / ours, 1),
        f"{name}_n": len(times), f"{name}_ms_mean": round(mean * 1000, 3),
        f"{name}_ms_p50": round(float(np.median(times)) * 1000, 3),
        f"{name}_ms_p95": round(float(np.quantile(times, 0.95)) * 1000, 3),
        f"{name}_se_pct": round(100 * float(np.std(times)) / mean / len(times) ** 0.5, 1), f"{name}_off": off,
    }  # fmt: skip
