"""Haemolysis, lipaemia and icterus: what a grade by eye and a measured value say of each other.

Promises: a disagreement is a sentence and never a refusal. The scale is of one analyser and of people: it
does not hold for other analysers and animals (eclinpath.com), and an eye is no instrument (r² 0.648 against
the measurement, doi 10.1515/labmed-2018-0122).
"""

from __future__ import annotations

NAMES = ("haemolysis", "lipaemia", "icterus")
SUBSTANCE = {"haemolysis": "free haemoglobin", "lipaemia": "triglycerides", "icterus": "bilirubin"}
# hundredths of mg/dL where the grades 1, 2, 3 and 4 begin: a chemistry analyser's scale from - to ++++, as in
# protocol Jen1sIsBwGXEOgeskwRI at pubcompare.ai
BORDERS = {
    "haemolysis": (4_500, 14_000, 23_500, 44_500),
    "lipaemia": (12_000, 24_500, 49_500, 99_500),
    "icterus": (160, 650, 1_500, 2_800),
}
MOST_CMGDL = 5_000_000  # 50 g/dL, more than any blood has; a slip of typing. Common practice, no source


def grades_of(name: str, cmgdl: int) -> tuple[int, ...]:
    """The grades of so many hundredths of mg/dL: one, or both at a border, which the scale leaves open."""
    borders = BORDERS[name]
    low = sum(border < cmgdl for border in borders)
    high = sum(border <= cmgdl for border in borders)
    return tuple(range(low, high + 1))


def disagreement(name: str, grade: int | None, cmgdl: int | None) -> str:
    """What is said when a grade and a measured value do not go together; empty when they do or one lacks."""
    if grade is None or cmgdl is None or grade in grades_of(name, cmgdl):
        return ""
    scale = " or ".join(str(one) for one in grades_of(name, cmgdl))
    return (
        f"{name} was graded {grade}, and {cmgdl / 100:.2f} mg/dL {SUBSTANCE[name]} would be {scale} on the "
        "scale of one analyser for people"
    )
