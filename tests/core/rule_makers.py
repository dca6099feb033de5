"""Short ways to a rule and to the facts of a tube, for the tests about rules."""

from custody.core.phase import PhaseSummary
from custody.core.rules import Assay, Facts, Moment, Rule, evaluate

MIN = 60_000
HOUR = 60 * MIN
DRAW = 1_780_000_000_000  # some morning, UTC ms
SST = Assay("SER", "Serum chemistry", frozenset({("SER", "")}))


def rule(kind="interval", **said):
    said = {"code": "r", "severity": "stop", "evidence": "human", "source": "a test", "assay": "SER"} | said
    if kind == "interval":
        said = {"from_act": "drawn", "to_act": "spun"} | said
    return Rule(kind=kind, **said)


def facts(asof_ms=DRAW + 24 * HOUR, **said):
    return Facts("K7R2M103T", asof_ms, **({"matrix": "SER", "additive": "SST"} | said))


def spun(after_ms, unc_s=0, **said):
    acts = {"drawn": Moment(DRAW, unc_s, "e-drawn"), "spun": Moment(DRAW + after_ms, unc_s, "e-spun")}
    return facts(acts=acts, **said)


def answer(*args):
    return evaluate(*args).answer


def phase(name="frozen", hours=10, *, above=None, below=None, assumed=0, no_data=0, start=DRAW):
    measured = hours * HOUR - assumed - no_data
    return PhaseSummary(
        name, start, start + hours * HOUR, measured, assumed, no_data, above=above or {}, below=below or {}
    )
