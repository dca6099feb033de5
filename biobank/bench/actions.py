"""What is done on the bench: spin, aliquot, grade. Each is one event, however many tubes.

Promises: every function raises Refused (code, sentence) and changes nothing, or returns the id of its
event; the same key again returns the same id and writes nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.utils import timezone

from biobank.acting import Actor, ms
from biobank.bench import queries
from biobank.bench.hands import in_hand, on_the_bench, repeated, write
from biobank.bench.spinning import refuse_again
from biobank.core import codes
from biobank.models import Tube
from custody import queries as ledger
from custody.core.effects import clock
from custody.core.refusal import Refused
from custody.core.spin import rcf

AGREE_PERCENT = 5  # a g typed beside rpm and radius may be rounded this much


def spin(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    *,
    minutes: int,
    g: int | None = None,
    rpm: int | None = None,
    radius_mm: int | None = None,
    centi_c: int | None = None,
    brake: bool | None = None,
    again_why: str = "",
    at: datetime | None = None,
) -> str:
    """One `spun` event for all the tubes of one run. `g`, or `rpm` and `radius_mm` (then g follows).

    again_why: why a gel tube was spun a second time; without it that is refused.
    """
    if repeated(actor, key, "spun"):
        return key
    force = spin_force(g, rpm, radius_mm)
    if minutes is None or minutes < 1:
        raise Refused("minutes_not_positive", "A spin lasts at least one minute.")
    on_the_bench(actor, tubes)
    refuse_again(tubes, again_why)
    said = {
        "g": force,
        "rpm": rpm,
        "radius_mm": radius_mm,
        "minutes": minutes,
        "centi_c": centi_c,
        "brake": brake,
        "note": again_why.strip(),
    }
    return write(actor, "spun", key, at, [{"t": code, "role": "subj"} for code in tubes], said)


def spin_force(g: int | None, rpm: int | None, radius_mm: int | None) -> int:
    """The relative centrifugal force of a run, as typed or from speed and radius; whole multiples of g."""
    if (rpm is None) != (radius_mm is None):
        raise Refused(
            "rpm_needs_radius", "A speed says nothing without the rotor's radius. Give both, or neither."
        )
    for number in (g, rpm, radius_mm):
        if number is not None and number < 1:
            raise Refused("g_not_positive", "Force, speed and radius are more than nought.")
    if rpm is None or radius_mm is None:
        if g is None:
            raise Refused("g_missing", "Give the force in g, or the speed and the rotor's radius.")
        return g
    worked_out = round(rcf(rpm, radius_mm))
    if worked_out < 1:
        raise Refused("g_not_positive", "This speed and radius give less than 1 × g.")
    if g is not None and abs(g - worked_out) * 100 > AGREE_PERCENT * worked_out:
        raise Refused(
            "g_disagrees", f"{rpm} rpm at {radius_mm} mm give {worked_out} × g, not {g}. Correct one of them."
        )
    return g or worked_out


def grade(
    actor: Actor,
    key: str,
    tubes: Sequence[str],
    *,
    haemolysis: int | None = None,
    lipaemia: int | None = None,
    icterus: int | None = None,
    at: datetime | None = None,
) -> str:
    """One `graded` event; each grade 0 to 4 by eye, the same for all these tubes. Not looked at: None."""
    if repeated(actor, key, "graded"):
        return key
    grades = {"haemolysis": haemolysis, "lipaemia": lipaemia, "icterus": icterus}
    seen = {name: value for name, value in grades.items() if value is not None}
    if not seen:
        raise Refused("nothing_graded", "Give at least one grade.")
    if any(not 0 <= value <= 4 for value in seen.values()):
        raise Refused("grade_out_of_range", "Grades go from 0 to 4.")
    in_hand(actor, tubes)
    return write(actor, "graded", key, at, [{"t": code, "role": "subj"} | seen for code in tubes])


def aliquot(
    actor: Actor,
    key: str,
    parent: str,
    children: Sequence[tuple[str, int]],
    *,
    loss_ul: int = 0,
    at: datetime | None = None,
) -> str:
    """One `aliquoted` event: `children` are (code, microlitres), in the order in which they were filled."""
    if repeated(actor, key, "aliquoted"):
        return key
    on_the_bench(actor, [parent])
    _volumes(children, loss_ul)
    labels = _labels(parent, [code for code, _ in children])
    _after_spin(parent, [labels[code] for code, _ in children], at)
    taken = sum(ul for _, ul in children) + loss_ul
    lines = [{"t": parent, "role": "from", "ul": taken}]
    lines += [_to_line(labels[code], parent, ul) for code, ul in children]
    return write(actor, "aliquoted", key, at, lines, {"loss_ul": loss_ul})


def _to_line(label: Tube, parent: str, ul: int) -> dict[str, object]:
    return {
        "t": label.code, "role": "to", "of": parent, "ul": ul, "label": label.label, "matrix": label.matrix,
        "additive": label.additive, "container": label.container,
    }  # fmt: skip


def _volumes(children: Sequence[tuple[str, int]], loss_ul: int) -> None:
    if not children:
        raise Refused("no_aliquot", "Give the volume of at least one aliquot.")
    if len({code for code, _ in children}) < len(children):
        raise Refused("line_twice", "The same aliquot label is named twice.")
    for code, ul in children:
        if ul <= 0:
            raise Refused(
                "volume_not_positive", f"{codes.show(code)}: the volume must be more than nought.", code
            )
    if loss_ul < 0:
        raise Refused("volume_not_positive", "A loss cannot be less than nought.")


def _after_spin(parent: str, labels: Sequence[Tube], at: datetime | None) -> None:
    """What a spin separates cannot leave the tube before it; whole blood can."""
    if not any(label.matrix in queries.SEPARATED for label in labels):
        return
    spins = [one for one in ledger.history(parent) if one.kind == "spun" and not one.voided]
    if spins and ms(at or timezone.now()) < spins[0].at_ms:
        said = clock(spins[0].at_ms, spins[0].off_min)
        raise Refused(
            "time_before_parent", f"{codes.show(parent)}: this is before the tube was spun on {said}.", parent
        )


def _labels(parent: str, children: Sequence[str]) -> dict[str, Tube]:
    """The printed aliquot labels; Refused for what is none, or was printed for other blood."""
    rows = {row.code: row for row in Tube.objects.filter(code__in=[parent, *children])}
    for code in children:
        if wrong := _label_wrong(code, rows.get(code), parent, rows.get(parent)):
            raise Refused(wrong[0], f"{codes.show(code)}: {wrong[1]}", code)
    return rows


def _label_wrong(code: str, label: Tube | None, parent: str, source: Tube | None) -> tuple[str, str] | None:
    if code == parent:
        return "not_an_aliquot_label", "this is the tube that is being aliquoted."
    if label is None:
        return "tube_unknown", "no label with this code was printed."
    if not queries.is_aliquot_label(code):
        return "not_an_aliquot_label", "this is the label of a primary tube, not of an aliquot."
    if label.parent_hint and label.parent_hint != parent:
        return (
            "label_of_another_tube",
            f"this label was printed for aliquots of {codes.show(label.parent_hint)}.",
        )
    if source and source.tube_set_id and label.tube_set_id and source.tube_set_id != label.tube_set_id:
        return (
            "label_of_another_set",
            "this label belongs to another tube set, which may be another animal's.",
        )
    return None
