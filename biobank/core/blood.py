"""How much blood may be taken of an animal: a rule and a mass in, microlitres out, and which rule counted.

Promises: integers only (grams, microlitres, milliseconds, parts per thousand); a limit is cut down, never
rounded up; what is not known is counted as known to be unknown, never as nought. One gram of body is taken
as one millilitre, as all the published rules do. The numbers of a rule are a veterinarian's, never ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from custody.core.refusal import Refused

DAY_MS = 86_400_000
BLOOD = frozenset({"BLD", "SER", "PL1", "BUF", "CEL", "DBS"})  # what counts as drawn; a smear is a drop

# Largest mass that is no slip: a southern elephant seal bull, some 4 t, is the largest animal that is worked
# up in hand. Common practice, no source.
LARGEST_G = 5_000_000
# Bounds against slips of typing. Published volumes go from below 40 to above 90 mL/kg (research.psu.edu) and
# to 162 in the hooded seal (Cabanac 2000, Can J Zool 78:1293); we leave room on both sides.
ML_PER_KG = (20, 250)
MOST_DAYS = 365
WHOLE = 1000
MOST_OF_MASS = 100  # a tenth of a small bird's mass is all of its blood (cal.vet.upenn.edu)

OFTEN_OF_VOLUME = 150  # parts per thousand: 15 % of the blood volume at once
OFTEN_OF_MASS, OFTEN_DAYS = 10, 14  # 1 % of body mass in 14 days; in fewer days as much less
SOURCE_OF_VOLUME = "altasciences.com: at most 15 % of the blood volume at once"
SOURCE_OF_MASS = "University of California, Davis: 1 % of body mass in 14 days, half of it when weekly"


@dataclass(frozen=True)
class Rule:
    """A share of body mass, a share of blood volume, or both, in a window.

    mass_per_mille    share of body mass, parts per thousand (10 is 1 %)
    volume_per_mille  share of blood volume, parts per thousand; needs ml_per_kg, blood in a kilogram
    window_days       all draws inside so many days of 24 hours count together
    """

    mass_per_mille: int | None = None
    volume_per_mille: int | None = None
    ml_per_kg: int | None = None
    window_days: int = 1


@dataclass(frozen=True)
class Limit:
    """The most that may be taken in the window, µL; which share gave it, and what the other would give."""

    ul: int
    kind: str  # "mass" or "volume"
    words: str
    other_ul: int | None = None


@dataclass(frozen=True)
class Doubt:
    """A number that is allowed and that a published text would not go along with."""

    sentence: str
    source: str


@dataclass(frozen=True)
class Draw:
    """Blood in one tube: when, how much (None: not measured), and what the tube is made for."""

    at_ms: int
    ul: int | None
    nominal_ul: int | None = None


@dataclass(frozen=True)
class Total:
    """A sum of draws. unmeasured: counted at the nominal volume; unknown: not even that is known."""

    ul: int = 0
    unmeasured: int = 0
    unknown: int = 0


@dataclass(frozen=True)
class Asked:
    """A tube that is still to be drawn. priority: 1 is drawn first; ul None: nobody knows how much."""

    code: str
    ul: int | None
    priority: int = 1


def check_mass(mass_g: int) -> int:
    """The mass, grams. Refused: mass_not_plausible, at 0, below, and above LARGEST_G."""
    if not 0 < mass_g <= LARGEST_G:
        sentence = (
            f"A mass of {mass_g / 1000:g} kg cannot be; it is above 0 and at most {LARGEST_G // 1000} kg."
        )
        raise Refused("mass_not_plausible", sentence)
    return mass_g


def checked(rule: Rule) -> Rule:
    """The rule, if it is one.

    Refused: limit_says_nothing, share_not_positive, share_too_large, blood_volume_missing,
    blood_volume_not_plausible, window_out_of_range.
    """
    if rule.mass_per_mille is None and rule.volume_per_mille is None:
        raise Refused("limit_says_nothing", "Give a share of body mass, a share of blood volume, or both.")
    _share(rule.mass_per_mille, MOST_OF_MASS, "body mass")
    _share(rule.volume_per_mille, WHOLE, "blood volume")
    _blood_volume(rule)
    if not 1 <= rule.window_days <= MOST_DAYS:
        sentence = f"The window is 1 to {MOST_DAYS} days, not {rule.window_days}."
        raise Refused("window_out_of_range", sentence)
    return rule


def _share(per_mille: int | None, most: int, of: str) -> None:
    if per_mille is None:
        return
    if per_mille <= 0:
        raise Refused("share_not_positive", f"A share of {of} is more than nothing.")
    if per_mille > most:
        sentence = (
            f"{percent(per_mille)} of {of} is more than all that could be meant; at most {percent(most)}."
        )
        raise Refused("share_too_large", sentence)


def _blood_volume(rule: Rule) -> None:
    least, most = ML_PER_KG
    if (rule.volume_per_mille is None) != (rule.ml_per_kg is None):
        raise Refused("blood_volume_missing", "A share of blood volume and the blood volume go together.")
    if rule.ml_per_kg is not None and not least <= rule.ml_per_kg <= most:
        sentence = f"A blood volume is {least} to {most} mL for a kilogram, not {rule.ml_per_kg}."
        raise Refused("blood_volume_not_plausible", sentence)


def doubts(rule: Rule) -> list[Doubt]:
    """What published texts would say against the rule. Nothing is stopped by it."""
    found, volume, mass = [], rule.volume_per_mille or 0, rule.mass_per_mille or 0
    if volume > OFTEN_OF_VOLUME:
        said = f"{percent(volume)} of the blood volume is more than a published text takes at once."
        found.append(Doubt(said, SOURCE_OF_VOLUME))
    if mass * OFTEN_DAYS > OFTEN_OF_MASS * min(rule.window_days, OFTEN_DAYS):
        said = (
            f"{percent(mass)} of body mass in {days(rule.window_days)} is more than a published text takes."
        )
        found.append(Doubt(said, SOURCE_OF_MASS))
    return found


def blood_volume_ul(mass_g: int, ml_per_kg: int) -> int:
    """All the blood of an animal, µL: mL for a kilogram are µL for a gram."""
    return mass_g * ml_per_kg


def share_of_mass_ul(mass_g: int, per_mille: int) -> int:
    """A share of body mass as µL, 1 g taken as 1 mL."""
    return mass_g * per_mille


def share_of_volume_ul(mass_g: int, ml_per_kg: int, per_mille: int) -> int:
    """A share of blood volume, µL, cut down to whole ones."""
    return blood_volume_ul(mass_g, ml_per_kg) * per_mille // WHOLE


def limit(rule: Rule, mass_g: int) -> Limit:
    """The stricter of what the rule's shares give for this mass; of two alike, that of body mass.

    Refused: as `checked` and `check_mass`.
    """
    checked(rule)
    check_mass(mass_g)
    found = sorted(_each(rule, mass_g), key=lambda one: one.ul)
    other = found[1].ul if len(found) > 1 else None
    return Limit(found[0].ul, found[0].kind, found[0].words, other)


def _each(rule: Rule, mass_g: int) -> Iterable[Limit]:
    if rule.mass_per_mille is not None:
        words = f"{percent(rule.mass_per_mille)} of body mass in {days(rule.window_days)}"
        yield Limit(share_of_mass_ul(mass_g, rule.mass_per_mille), "mass", words)
    if rule.volume_per_mille is not None and rule.ml_per_kg is not None:
        ul = share_of_volume_ul(mass_g, rule.ml_per_kg, rule.volume_per_mille)
        words = (
            f"{percent(rule.volume_per_mille)} of the blood volume ({rule.ml_per_kg} mL/kg) "
            f"in {days(rule.window_days)}"
        )
        yield Limit(ul, "volume", words)


def words(rule: Rule) -> str:
    """The rule in words, without a mass: `1 % of body mass in 14 days`."""
    return ", or ".join(one.words for one in _each(rule, 0))


def inside(draws: Iterable[Draw], start_ms: int, end_ms: int, window_days: int) -> list[Draw]:
    """The draws that count: later than `window_days` times 24 hours before `start_ms`, until `end_ms`.

    A draw exactly that long before no longer counts (1 % in 14 days may be taken again after 14 days), one
    at `end_ms` does. Days are 24 hours long, whatever the clocks of a place do.
    """
    oldest = start_ms - window_days * DAY_MS
    return [one for one in draws if oldest < one.at_ms <= end_ms]


def total(draws: Iterable[Draw]) -> Total:
    """The sum, µL. What was not measured counts at its nominal volume and is told apart."""
    ul = unmeasured = unknown = 0
    for one in draws:
        counted = one.nominal_ul if one.ul is None else one.ul
        ul += counted or 0
        unmeasured += one.ul is None and counted is not None
        unknown += counted is None
    return Total(ul, unmeasured, unknown)


def fitting(left_ul: int, tubes: Sequence[Asked]) -> list[str]:
    """Codes of the tubes that still fit, by priority and then as given. One that does not fit is passed over
    for smaller ones after it; one of unknown volume never fits."""
    found = []
    for one in sorted(tubes, key=lambda one: one.priority):
        if one.ul is not None and one.ul <= left_ul:
            left_ul -= one.ul
            found.append(one.code)
    return found


def percent(per_mille: int) -> str:
    """Parts per thousand as people say them: 10 is `1 %`, 175 is `17.5 %`."""
    return f"{per_mille / 10:g} %"


def days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"
