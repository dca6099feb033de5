"""What a paper should report of a biospecimen, as a table and as a ready paragraph.

Promises: pure. An element that is not recorded is said to be not recorded; nothing is inferred from what is
usual. Every number comes from the ledger, the loggers or a set point, and says which.

Source of the elements: Moore and others, Biospecimen Reporting for Improved Study Quality (BRISQ), Cancer
Cytopathology 2011; 119: 92-101, first tier. Its abstract was read; its table of elements was not: the list
here is from memory and the passport says so. Written for human samples; the words here are for animals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from biobank.checks.passport_thermal import Row, Thermal
from biobank.core.acts_of_life import STORED, TRIP
from biobank.temperature.life_words import percent
from biobank.templatetags.words import additive_words, celsius, matrix_words, span, volume
from custody.core.facts import Facts

SOURCE = (
    "Elements: first tier of BRISQ (Moore and others, Biospecimen Reporting for Improved Study Quality, "
    "Cancer Cytopathology 2011; 119: 92–101). The list is from memory, its table was not read: compare it "
    "before you submit."
)
NOT_RECORDED = "not recorded"
FLUIDS = {"SER", "PL1", "BUF", "CEL"}  # parts of drawn blood
BLOOD = FLUIDS | {"BLD", "SME", "DBS"}
VESSELS = {"tube", "vial", "cryovial", "bottle", "jar", "bag", "syringe"}  # words that ask for an article
PRESERVATIVES = {"ETOH", "F10", "DMSO", "RNA", "VIRTM", "AMIES", "BCB"}
NOTHING = {"NONE", "TRCN"}
GRADES = ("haemolysis", "lipaemia", "icterus")


@dataclass(frozen=True)
class Element:
    """One thing that a paper should say; value empty: not recorded; kept: recorded, not for this reader."""

    name: str
    value: str = ""
    kept: bool = False

    @property
    def said(self) -> str:
        return "recorded, not shown to this reader" if self.kept else self.value or NOT_RECORDED


@dataclass(frozen=True)
class Source:
    """What is known of the animal and of the tube. Empty words: not known.

    body  mass and length in words; body_kept: there is some, but not for this reader
    released  the animal was noted as released after the draw
    """

    species: str = ""
    group: str = ""
    sex: str = ""
    body: str = ""
    body_kept: bool = False
    released: bool = False
    container: str = ""
    primary: str = ""
    year: str = ""
    programme: str = ""


@dataclass(frozen=True)
class Methods:
    """The elements and the same as sentences."""

    elements: tuple[Element, ...]
    sentences: tuple[str, ...]
    source: str = field(default=SOURCE)

    @property
    def paragraph(self) -> str:
        return " ".join(self.sentences)

    @property
    def unknown(self) -> list[str]:
        return [one.name for one in self.elements if not one.value and not one.kept]


def methods(facts: Facts, source: Source, thermal: Thermal | None) -> Methods:
    """The elements for one tube, and the paragraph."""
    rows = thermal.rows if thermal else ()
    stored = [one for one in rows if one.kind == STORED]
    ways = [one for one in rows if one.kind == TRIP]
    elements = (
        Element("Biospecimen type", specimen(facts)),
        Element("Anatomical site of collection"),
        Element("Disease or health status of the source"),
        Element(
            "Clinical characteristics of the source",
            clinical(source),
            source.body_kept and not clinical(source),
        ),
        Element(
            "Vital state of the source",
            f"alive (it was released after the {gained(facts.matrix)[1]})" if source.released else "",
        ),
        Element("Clinical and pathological diagnosis"),
        Element("Collection mechanism", collection(facts, source)),
        Element("Stabilisation", stabilised(facts)),
        Element("Long-term preservation", preserved(stored)),
        Element("Constitution of the preservative", constitution(facts)),
        Element("Storage temperature", temperatures(stored)),
        Element("Storage duration", span(sum(one.length_ms for one in stored)) if stored else ""),
        Element("Shipping temperature", shipped(ways, bool(thermal))),
        Element("Composition assessment", composition(facts)),
        Element("Selection of the specimen"),
    )
    return Methods(elements, tuple(sentences(facts, source, elements)))


def specimen(facts: Facts) -> str:
    if not facts.matrix:
        return ""
    return str(matrix_words(facts.matrix)) + (" from whole blood" if facts.matrix in FLUIDS else "")


def clinical(source: Source) -> str:
    """What is known of the animal itself."""
    species = source.species and f"{source.species}{f' ({source.group.lower()})' if source.group else ''}"
    known = [
        species or (source.group and source.group.lower()),
        source.sex and f"sex {source.sex.lower()}",
        source.body,
    ]
    return ", ".join(one for one in known if one)


def collection(facts: Facts, source: Source) -> str:
    """Into what it was collected; with what needle or blade is not recorded anywhere."""
    if "drawn" not in facts.acts:
        return ""
    into = source.primary or source.container
    how = gained(facts.matrix)[0]
    return f"{how} into {_article(into)}{into}; the device used was not recorded" if into else ""


def gained(matrix: str) -> tuple[str, str]:
    """The verb and the noun for how such a sample came to be: only blood is drawn."""
    return ("drawn", "draw") if matrix in BLOOD or not matrix else ("collected", "collection")


def _article(container: str) -> str:
    """For a vessel named by one of the usual words; other words stand as they were written."""
    if container.split()[-1] not in VESSELS:
        return ""
    return "an " if container[0] in "aeioAEIO" else "a "


def stabilised(facts: Facts) -> str:
    if not facts.additive:
        return ""
    return "none: no additive" if facts.additive in NOTHING else additive_words(facts.additive)


def constitution(facts: Facts) -> str:
    if not facts.additive:
        return ""
    if facts.additive in PRESERVATIVES:
        return f"{additive_words(facts.additive)}; its make and concentration were not recorded beyond that"
    if facts.additive in NOTHING:
        return "none: no additive"
    return f"none on record beyond the additive, {additive_words(facts.additive)}"


def preserved(stored: Sequence[Row]) -> str:
    """Frozen or kept otherwise, as far as it was stored at all."""
    return " and ".join(
        dict.fromkeys({True: "frozen", False: "stored, not frozen"}[_frozen(one)] for one in stored)
    )


def _frozen(row: Row) -> bool:
    return row.words.casefold().startswith("frozen")


def temperatures(rows: Sequence[Row]) -> str:
    """The range that loggers measured over all of them; else that a set point is all that is known."""
    lows = [one.summary.min_centi for one in rows if one.summary.min_centi is not None]
    highs = [one.summary.max_centi for one in rows if one.summary.max_centi is not None]
    if not lows or not highs:
        return (
            "set point of the unit only, not measured" if any(one.summary.assumed_ms for one in rows) else ""
        )
    length = sum(one.length_ms for one in rows)
    share = percent(sum(one.summary.measured_ms for one in rows), max(1, length))
    return f"{celsius(min(lows))} to {celsius(max(highs))} (measured beside it for {share} of that time)"


def shipped(ways: Sequence[Row], known: bool) -> str:
    """Each trip for itself: on ice from the beach and frozen to the store are not one range."""
    if not ways:
        return "not shipped" if known else ""
    found = [temperatures([one]) or "not known" for one in ways]
    if len(found) == 1 or set(found) == {"not known"}:
        return "" if set(found) == {"not known"} else found[0]
    return "; ".join(f"trip {n}: {words}" for n, words in enumerate(found, 1))


def composition(facts: Facts) -> str:
    """Grades by eye and indices; the number of thaws is part of what it went through."""
    known = [f"{name} grade {facts.grades[name]} of 4 by eye" for name in GRADES if name in facts.grades]
    known += [f"{name} index {centi / 100:g} mg/dL" for name, centi in _indices(facts.indices)]
    return ", ".join(known)


def _indices(found: Mapping[str, int]) -> list[tuple[str, int]]:
    return [(name, found[name]) for name in GRADES if name in found]


# --- the paragraph --------------------------------------------------------------------------------


def sentences(facts: Facts, source: Source, elements: Sequence[Element]) -> list[str]:
    """What is known, each as a sentence; last, what is not recorded, by name."""
    by = {one.name: one for one in elements}
    found = [_first(facts, source), *_worked(facts)]
    found += [_sentence(words, by[name]) for words, name in SAID if by[name].value]
    found.append(_thaws(facts))
    unknown = [one.name[0].lower() + one.name[1:] for one in elements if not one.value and not one.kept]
    if unknown:
        found.append(f"Not recorded: {', '.join(unknown)}.")
    kept = [one.name[0].lower() + one.name[1:] for one in elements if one.kept]
    if kept:
        found.append(f"Recorded, not shown to this reader: {', '.join(kept)}.")
    return [one for one in found if one]


ACTS = (
    ("spun", "It was spun", True), ("aliquoted", "It was divided", False),
    ("frozen", "It was put in a freezer", False),
)  # fmt: skip
SAID = (
    ("It was preserved", "Long-term preservation"),
    ("Storage temperature:", "Storage temperature"),
    ("Time in storage:", "Storage duration"),
    ("Shipping:", "Shipping temperature"),
    ("Vital state of the animal:", "Vital state of the source"),
    ("Assessed:", "Composition assessment"),
)


def _sentence(words: str, element: Element) -> str:
    return f"{words} {element.value}."


def _first(facts: Facts, source: Source) -> str:
    """What it is, of whom, into what it was collected, when, by whom."""
    what = matrix_words(facts.matrix) if facts.matrix else "a specimen of a kind that was not recorded"
    start = f"{what[0].upper()}{what[1:]}{' of ' + source.species if source.species else ''}"
    year = f" in {source.year}" if source.year else ""
    by = f" by the programme {source.programme}" if source.programme else ""
    into = collection(facts, source).partition(";")[0]
    if not into:
        return f"{start}, collected{year}{by}."
    added = f" ({stabilised(facts).removeprefix('none: ')})" if facts.additive else " (additive not recorded)"
    blood = "; the blood was " if facts.matrix in FLUIDS else " was "
    return f"{start}{blood}{into}{added}{year}{by}."


def _worked(facts: Facts) -> list[str]:
    """Spin, aliquoting and freezing as times since the draw."""
    drawn = facts.acts.get("drawn")
    if drawn is None:
        return []
    found = []
    hard = (
        f", at {facts.spin_g} × g for {facts.spin_minutes} min" if facts.spin_g and facts.spin_minutes else ""
    )
    for name, words, more in ACTS:
        act = facts.acts.get(name)
        if act is not None and act.at_ms >= drawn.at_ms:
            after = f"{span(act.at_ms - drawn.at_ms)} after the {gained(facts.matrix)[1]}"
            found.append(f"{words} {after}{hard if more else ''}.")
    return found


def _thaws(facts: Facts) -> str:
    seen = f"; loggers in its places saw at most {facts.seen_thaws}" if facts.seen_thaws else ""
    left = f" {volume(facts.volume_ul)} are left." if facts.volume_ul is not None else ""
    return f"Thaws on record: {facts.thaws or 'none'}{seen}.{left}"
