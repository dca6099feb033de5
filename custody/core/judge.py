"""How each kind of rule is answered from the facts of one tube: which function answers which kind.

Promises: a time that is not exact is an interval, which passes only if all of it passes and fails only
if all of it fails; what was not measured never counts as good. Each answer says the fact, the limit and
the events behind it in one sentence.
"""

from __future__ import annotations

from collections.abc import Callable

from custody.core import judge_act, judge_temperature, judge_tube
from custody.core.facts import Facts
from custody.core.judge_said import Said
from custody.core.rule import Rule

KINDS: dict[str, Callable[[Rule, Facts], Said]] = {
    "interval": judge_act.interval,
    "never": judge_act.never,
    "temperature": judge_temperature.temperature,
    "budget": judge_temperature.budget,
    "thaws": judge_tube.thaws,
    "volume": judge_tube.volume,
    "fill": judge_tube.fill,
    "grade": judge_tube.grade,
    "spin": judge_act.spin,
    "spins": judge_act.spins,
    "container": judge_tube.container,
    "custody": judge_tube.custody,
    "permit": judge_tube.permit,
}
