"""What is known of one tube when it is checked against rules.

Promises: values only, already effective: voided acts are not in here, corrected acts carry their
new values, and an aliquot has the draw, the spin and the earlier history of the tubes it came from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from custody.core.kleene import Answer

ACTS = ("net_closed", "drawn", "spun", "aliquoted", "put_away", "frozen", "pulled", "thawed", "shipped",
        "received")  # fmt: skip
# Nothing is missing when these have not happened: they need not
OPTIONAL = frozenset({"pulled", "thawed", "shipped", "received"})
NOW = "now"  # as the end of an interval: the moment of checking


class Phase(Protocol):
    """What a rule reads of a stretch of storage (custody.core.thermal.PhaseSummary fits).

    name            frozen, cold or ambient
    start/end_ms    UTC milliseconds; no end: it lasts
    assumed_ms      time for which only a set point is known; no_data_ms: not even that
    above, below    milliseconds above / below a temperature in hundredths of °C, assumed time at its
                    set point included
    """

    @property
    def name(self) -> str: ...
    @property
    def start_ms(self) -> int: ...
    @property
    def end_ms(self) -> int | None: ...
    @property
    def assumed_ms(self) -> int | None: ...
    @property
    def no_data_ms(self) -> int | None: ...
    @property
    def above(self) -> Mapping[int, int] | None: ...
    @property
    def below(self) -> Mapping[int, int] | None: ...


@dataclass(frozen=True)
class Moment:
    """When an act happened.

    at_ms      UTC milliseconds
    unc_s      the true time lies within this many seconds of it, either way
    event      id of the ledger event; corrected: its values were corrected later
    ValueError: less exact than exact.
    """

    at_ms: int
    unc_s: int = 0
    event: str = ""
    corrected: bool = False

    def __post_init__(self) -> None:
        if self.unc_s < 0:
            raise ValueError("a time cannot be more exact than exact")


@dataclass(frozen=True)
class Facts:
    """One tube as the rules see it at `asof_ms` (UTC milliseconds).

    matrix, additive  codes; an empty additive is not known ("NONE" is known to be none).
                      The additive is the one that the blood was drawn into
    acts              moment of each act of ACTS that happened: the draw, the first spin, the first
                      aliquoting, the first putting away, the first storage at or below -18 °C; the
                      latest pull, thaw, sending and receipt; when the net closed
    volume_ul         what is left; nominal_ul what the tube should take; drawn_ul what went in
    short             marked as a short draw
    taxon, species    species group as plans have it, and the animal's species; empty: not known
    spins             how often it was spun
    grades            haemolysis, lipaemia, icterus: 0 to 4; indices: as measured, hundredths of mg/dL; each
                      with its events
    thaws             recorded ones; seen_thaws: how often it went from frozen to thawed by what loggers in
                      its places measured (air is warm before a tube is: at most so often)
    unseen_ms         how long nobody measured it since it first stood in a freezer, there or elsewhere
    phases            storage so far, oldest first, with that of parents before this tube was made
    between           phases between two acts, by (from, to): of those spans that the rules ask for and whose
                      first act happened (to now, when the second has not)
    disputes          open discrepancies, also of what it came from, and the events behind them; gaps:
                      sentences about times for which custody is not shown
    permits           by "take" and "hold": whether a permit covers it, and a sentence that says which
    """

    code: str
    asof_ms: int
    matrix: str = ""
    additive: str = ""
    container: str = ""
    acts: Mapping[str, Moment] = field(default_factory=dict)
    spin_g: int | None = None
    spin_minutes: int | None = None
    volume_ul: int | None = None
    nominal_ul: int | None = None
    drawn_ul: int | None = None
    short: bool = False
    thaws: int = 0
    thaw_events: tuple[str, ...] = ()
    seen_thaws: int = 0
    unseen_ms: int = 0
    grades: Mapping[str, int] = field(default_factory=dict)
    grade_events: Mapping[str, str] = field(default_factory=dict)
    phases: tuple[Phase, ...] = ()
    disputes: int = 0
    taxon: str = ""
    species: str = ""
    spins: int = 0
    indices: Mapping[str, int] = field(default_factory=dict)
    index_events: Mapping[str, str] = field(default_factory=dict)
    dispute_events: tuple[str, ...] = ()
    between: Mapping[tuple[str, str], tuple[Phase, ...]] = field(default_factory=dict)
    gaps: tuple[str, ...] = ()
    gap_events: tuple[str, ...] = ()
    permits: Mapping[str, tuple[Answer, str]] = field(default_factory=dict)
