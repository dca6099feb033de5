"""Tubes and stays for trying the starting rule set; no limit stands here."""

from dataclasses import dataclass, field

from biobank.checks.starter import starter
from custody.core.rules import Facts

MIN = 60_000
HOUR = 60 * MIN
DAY = 24 * HOUR
DRAW = 1_780_000_000_000

RULES = {rule.code: rule for rule in starter().rules}
ASSAYS = {assay.code: assay for assay in starter().assays}


class Over(dict):
    """Milliseconds beyond any temperature, for a stay at one temperature throughout."""

    def __init__(self, ms, beyond):
        super().__init__()
        self.ms, self.beyond = ms, beyond

    def get(self, centi, _default=None):
        return self.ms if self.beyond(centi) else 0


@dataclass(frozen=True)
class Steady:
    """A stay whose temperature was measured all the time and never changed."""

    name: str
    start_ms: int
    end_ms: int
    celsius: float
    assumed_ms: int = 0
    no_data_ms: int = 0
    above: Over = field(init=False)
    below: Over = field(init=False)

    def __post_init__(self):
        centi, ms = round(self.celsius * 100), self.end_ms - self.start_ms
        object.__setattr__(self, "above", Over(ms, lambda edge: centi > edge))
        object.__setattr__(self, "below", Over(ms, lambda edge: centi < edge))


def spent(first, second, celsius, ms):
    """So long at one temperature between two acts, the first of them at the draw's time."""
    name = "ambient" if celsius > 10 else "frozen" if celsius <= -18 else "cold"
    return {(first, second): (Steady(name, DRAW, DRAW + ms, celsius),)}


def pairs_of(rule):
    """Matrix and additive of the tubes that the rule can be about, by what its assays take."""
    assays = [one for one in ASSAYS.values() if not rule.assay or rule.assay in one.named]
    takes = {pair for one in assays for pair in one.takes}
    return sorted(
        (matrix, rule.additive or additive)
        for matrix, additive in takes
        if rule.matrix in ("", matrix) and (not rule.additive or additive in ("", rule.additive))
    )


def tube(rule, asof_ms=DRAW + 400 * DAY, **said):
    """A tube of a kind that the rule is about."""
    matrix, additive = pairs_of(rule)[0]
    return Facts("K7R2M103T", asof_ms, matrix, additive, **said)
