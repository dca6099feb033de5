"""The Standard PREanalytical Code, version 2.0, worked out from what happened to a sample; never typed.

Promises: what is not known is X (XXX), what the table has no letter for is Z (ZZZ), never the nearest letter;
a temperature that nobody measured throughout is not known; times that are not exact and lie on both sides of
a limit are not known. Each element says why. Limits belong to the longer range (exactly 2 h is C), as in the
code library from which they were read. Tables and their sources: custody.core.sprec_tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from custody.core import rule_words as words
from custody.core import sprec_spin
from custody.core import sprec_tables as tables
from custody.core.sprec_spin import Spin
from custody.core.sprec_tables import HOUR, MINUTE, NONE, OTHER, UNKNOWN, VERSION, Table

ROOM, COLD, WARM = (1_800, 2_800), (200, 1_000), (3_500, 3_800)  # hundredths of °C, both ends in
# Our codes of matrices and additives. What is not here has no letter of its own.
TYPES = {"BLD": "BLD", "SER": "SER", "PL1": "PL1", "BUF": "BUF", "DBS": "DWB", "URN": "URN", "STL": "STL",
         "MLK": "BMK"}  # fmt: skip
SOLID = {"SKN": "TIS", "BLU": "TIS", "TIS": "TIS", "SWB": "ZZZ", "HAR": "ZZZ", "PAR": "ZZZ"}
TUBES = {"EDTK": "PED", "HEPL": "HEP", "HEPN": "SHP", "C32": "SCI", "ACDA": "ACD", "SST": "SST",
         "TRCE": "TRC", "TRCN": "TRC", "VIRTM": "ADD", "AMIES": "ADD", "ETOH": "ADD", "DMSO": "ADD",
         "BCB": "ADD"}  # fmt: skip
FIXATIVES = {"F10": "FOR", "ETOH": "ETH", "RNA": "RNL"}
CLASSES = {"-20": (-3_500, -1_800), "-80": (-8_500, -6_000), "-135": (-27_315, -13_501)}
LIQUID_NITROGEN = -19_600


class Element(NamedTuple):
    """One element: what it is about, its letter, what that means and why, and how far the letter was read."""

    name: str
    letter: str
    why: str
    status: str


@dataclass(frozen=True)
class Delay:
    """From one act to another: at least and at most so many ms; the lowest and highest that was measured in
    it, hundredths of °C (None: nothing), and whether all of it was measured."""

    low_ms: int
    high_ms: int
    min_centi: int | None = None
    max_centi: int | None = None
    whole: bool = False


@dataclass(frozen=True)
class Sample:
    """What the code is worked out from.

    matrix, additive   our codes; the additive of the primary container, empty: not known
    delay, after       to the first processing; from the last spin to the freezer. None: one of the acts, or
                       its time, is not known. spins: oldest first
    kind, centi        long-term storage: a key of sprec_tables.STORES ("" not known, "other" none of them),
                       and the set point of the unit that it stands in (None: not stored, or not known)
    seen               the lowest and highest that loggers saw while it was frozen there, hundredths of °C
    biopsy             it was taken from a living animal as a biopsy
    """

    matrix: str
    additive: str = ""
    delay: Delay | None = None
    spins: Sequence[Spin] = ()
    after: Delay | None = None
    kind: str = ""
    centi: int | None = None
    seen: tuple[int, int] | None = None
    biopsy: bool = False


@dataclass(frozen=True)
class Code:
    """elements in their order; kind: fluid or solid; version of the standard whose letters these are."""

    kind: str
    elements: tuple[Element, ...]
    version: str = VERSION

    @property
    def code(self) -> str:
        return "-".join(one.letter for one in self.elements)

    @property
    def flagged(self) -> bool:
        """Is a letter among them that was read nowhere?"""
        return any(one.status == "memory" for one in self.elements)


def code_of(sample: Sample) -> Code:
    return _solid(sample) if sample.matrix in SOLID else _fluid(sample)


def decode(code: str) -> tuple[tuple[str, str, str], ...]:
    """(element, letter, meaning) of a written code; ValueError when it is none of version 2.0."""
    letters = code.split("-")
    for elements in (tables.FLUID_ELEMENTS, tables.SOLID_ELEMENTS):
        if len(letters) == 7 and all(one in table for one, (_, table) in zip(letters, elements, strict=True)):
            return tuple(
                (name, one, table[one][0]) for one, (name, table) in zip(letters, elements, strict=True)
            )
    raise ValueError(f"{code} is no code of version {VERSION}")


def _fluid(sample: Sample) -> Code:
    first, second = sprec_spin.elements(sample.spins)
    said = [
        _type(sample), _container(sample.additive, sample.matrix), _delay(sample.delay),
        (first, _spun(sample, 0)), (second, _spun(sample, 1)), _after(sample), _storage(sample),
    ]  # fmt: skip
    return Code("fluid", _elements(said, tables.FLUID_ELEMENTS))


def _solid(sample: Sample) -> Code:
    fixed = sample.additive in FIXATIVES
    said = [
        (SOLID[sample.matrix], "after what was planned to be in the tube"),
        _collection(sample), _warm(sample), _cold(sample, fixed), _fixation(sample),
        (UNKNOWN, "when it came out of the fixative is not noted") if fixed else (NONE, "not in a fixative"),
        _storage(sample),
    ]  # fmt: skip
    return Code("solid", _elements(said, tables.SOLID_ELEMENTS))


Said = tuple[str, str]  # letter, why


def _elements(said: Sequence[Said], names: Sequence[tuple[str, Table]]) -> tuple[Element, ...]:
    found = []
    for (letter, why), (name, table) in zip(said, names, strict=True):
        meaning, status = table[letter]
        found.append(Element(name, letter, f"{meaning[0].upper()}{meaning[1:]}: {why}.", status))
    return tuple(found)


def _type(sample: Sample) -> Said:
    letter = TYPES.get(sample.matrix, "ZZZ")
    if letter == "PL1" and len(sample.spins) > 1:
        return "PL2", "spun twice"
    return (
        letter,
        "after what was planned to be in the tube" if letter != "ZZZ" else "the code has no letter for it",
    )


def _container(additive: str, matrix: str) -> Said:
    if not additive:
        return "XXX", "the additive of the first tube is not known"
    if additive == "NONE" and matrix in {"BLD", "SER", "CEL"}:
        return "CAT", "drawn into a tube without additive"
    if additive == "NONE":
        return "XXX", "whether the container was sterile, and of what it is, is not noted"
    letter = TUBES.get(additive, "ZZZ")
    return (
        letter,
        "by the additive of the tube drawn" if letter != "ZZZ" else "the code has no letter for its additive",
    )


def _delay(delay: Delay | None) -> Said:
    if delay is None:
        return UNKNOWN, "the draw or the first step of processing is not known"
    band, why = _band(delay)
    if band == "warm":
        return _warm_delay(delay, why)
    return _ranged(delay, band, why, tables.DELAYS, tables.LONGEST_DELAY, ("room", "cold"))


def _warm_delay(delay: Delay, why: str) -> Said:
    if delay.high_ms < 2 * HOUR:
        return tables.WARM, why
    return (OTHER, why) if delay.low_ms >= 2 * HOUR else (UNKNOWN, f"{why}; the times are too inexact")


def _after(sample: Sample) -> Said:
    if not sample.spins:
        return NONE, "not spun"
    if sample.after is None:
        return UNKNOWN, "it is not in a freezer yet, or nobody knows since when"
    band, why = _band(sample.after)
    return _ranged(sample.after, band, why, tables.POST_DELAYS, tables.LONGEST_POST, ("cold", "room"))


def _band(delay: Delay) -> tuple[str, str]:
    """room, cold, warm, "" when it was not measured throughout, other when it was in none of them."""
    took = words.span(delay.low_ms)
    if delay.min_centi is None or delay.max_centi is None:
        return "", f"{took}; its temperature was not measured"
    seen = f"{took} at {words.celsius(delay.min_centi)} to {words.celsius(delay.max_centi)}"
    for name, (least, most) in (("room", ROOM), ("cold", COLD), ("warm", WARM)):
        if least <= delay.min_centi and delay.max_centi <= most:
            return (name, seen) if delay.whole else ("", f"{seen}, but part of it was not measured")
    return "other", seen


def _ranged(
    delay: Delay, band: str, why: str, rows: Sequence[tuple[int, str, str]], longest: Said, order: Said
) -> Said:
    if band not in order:
        return (OTHER if band else UNKNOWN), why
    column = order.index(band)
    low, high = (_row(ms, rows, longest)[column] for ms in (delay.low_ms, delay.high_ms))
    return (low, why) if low == high else (UNKNOWN, f"{why}; the times are too inexact for one range")


def _row(ms: int, rows: Sequence[tuple[int, str, str]], longest: Said) -> Said:
    return next(((a, b) for hours, a, b in rows if ms < hours * HOUR), longest)


def _spun(sample: Sample, n: int) -> str:
    if len(sample.spins) <= n:
        return "no such spin is noted"
    one = sample.spins[n]
    at = "its temperature is not noted" if one.centi_c is None else words.celsius(one.centi_c)
    brake = {None: "the brake is not noted", True: "brake on", False: "brake off"}[one.brake]
    return f"{one.g} × g for {one.minutes} min, {at}, {brake}"


def _storage(sample: Sample) -> Said:
    """By the set point of its unit, unless loggers saw it outside that class."""
    if sample.centi is None:
        return UNKNOWN, "it is in no freezer whose set point is known"
    if not sample.kind:
        return UNKNOWN, "kind and size of its container are not noted"
    name = _class(sample.centi)
    at = f"its unit is set to {words.celsius(sample.centi)}"
    if sample.seen is not None:
        low, high = sample.seen
        at += f"; loggers saw {words.celsius(low)} to {words.celsius(high)}"
        if name and not (CLASSES[name][0] <= low and high <= CLASSES[name][1]):
            return OTHER, at
    nitrogen = tables.STORES.get((sample.kind, "ln2")) if sample.centi <= LIQUID_NITROGEN else None
    return nitrogen or tables.STORES.get((sample.kind, name), OTHER), at


def _class(centi: int) -> str:
    return next((one for one, (low, high) in CLASSES.items() if low <= centi <= high), "")


def _collection(sample: Sample) -> Said:
    if sample.matrix == "SWB":
        return "SWB", "a swab"
    return ("BPS", "its label says biopsy") if sample.biopsy else ("ZZZ", "how it was taken is not noted")


def _warm(sample: Sample) -> Said:
    if sample.biopsy or sample.matrix == "SWB":
        return NONE, "taken from a living animal"
    return UNKNOWN, "when the blood supply ended is not noted"


def _cold(sample: Sample, fixed: bool) -> Said:
    if fixed:
        return UNKNOWN, "when it came into the fixative is not noted"
    if sample.delay is None:
        return UNKNOWN, "it is not in a freezer yet, or nobody knows since when"
    low, high = (_minutes(ms) for ms in (sample.delay.low_ms, sample.delay.high_ms))
    took = f"{words.span(sample.delay.low_ms)} from taking to the freezer"
    return (low, took) if low == high else (UNKNOWN, f"{took}; the times are too inexact for one range")


def _minutes(ms: int) -> str:
    return next((a for minutes, a in tables.ISCHAEMIA_MIN if ms < minutes * MINUTE), tables.LONGEST_ISCHAEMIA)


def _fixation(sample: Sample) -> Said:
    if not sample.additive:
        return "XXX", "what it was put into is not known"
    letter = FIXATIVES.get(sample.additive)
    if letter:
        return letter, "by the additive of its tube"
    if sample.additive == "NONE" and sample.centi is not None and sample.centi <= CLASSES["-20"][1]:
        return "XXX", "frozen; whether it was snap-frozen is not noted"
    return "ZZZ", "not in a fixative of the code's table"
