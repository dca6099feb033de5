"""What is done on the bench: spin, aliquot, grade. Each is one event, however many tubes.

Promises: every function raises Refused (code, sentence) and changes nothing, or returns the id of its
event; the same key again returns the same id and writes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from django.utils import timezone

from biobank.acting import Actor, ms
from biobank.bench import queries
from biobank.bench.hands import in_hand, on_the_bench, repeated, write
from biobank.bench.proposal import check_left
from biobank.bench.spinning import refuse_again
from biobank.bench.vials import UNSAID, check_rack, labels_for
from biobank.core import codes
from biobank.core.indices import MOST_CMGDL, NAMES
from biobank.core.yields import check_hct
from biobank.models import Tube
from custody import queries as ledger
from custody.core.effects import clock
from custody.core.refusal import Refused
from custody.core.spin import rcf, rpm_for
from custody.core.state import TubeState

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

    A g and a radius give the speed; both are kept. again_why: why a gel tube was spun a second time; without
    it that is refused.
    """
    if repeated(actor, key, "spun"):
        return key
    force, speed = run_of(g, rpm, radius_mm)
    if minutes is None or minutes < 1:
        raise Refused("minutes_not_positive", "A spin lasts at least one minute.")
    _once(tubes)
    on_the_bench(actor, tubes)
    refuse_again(tubes, again_why)
    said = {
        "g": force,
        "rpm": speed,
        "radius_mm": radius_mm,
        "minutes": minutes,
        "centi_c": centi_c,
        "brake": brake,
        "note": again_why.strip(),
    }
    return write(actor, "spun", key, at, [{"t": code, "role": "subj"} for code in tubes], said)


def _once(tubes: Sequence[str]) -> None:
    twice = next((code for n, code in enumerate(tubes) if code in tubes[:n]), None)
    if twice:
        raise Refused(
            "line_twice",
            f"{codes.show(twice)} is in this run twice. A tube stands in one place of the rotor.",
            twice,
        )


def run_of(g: int | None, rpm: int | None, radius_mm: int | None) -> tuple[int, int | None]:
    """Force (whole multiples of g) and speed (rpm) of a run; with a radius each gives the other."""
    if rpm is not None and radius_mm is None:
        raise Refused(
            "rpm_needs_radius", "A speed says nothing without the rotor's radius. Give both, or neither."
        )
    for number in (g, rpm, radius_mm):
        if number is not None and number < 1:
            raise Refused("g_not_positive", "Force, speed and radius are more than nought.")
    if rpm is None or radius_mm is None:
        if g is None:
            raise Refused("g_missing", "Give the force in g, or the speed and the rotor's radius.")
        return g, round(rpm_for(g, radius_mm)) if radius_mm else None
    return _agreed(g, rpm, radius_mm), rpm


def _agreed(g: int | None, rpm: int, radius_mm: int) -> int:
    """The force that speed and radius give; one that was typed beside them may only be a rounded one."""
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
    """As `grade_each`, the same grades for all these tubes."""
    same = {"haemolysis": haemolysis, "lipaemia": lipaemia, "icterus": icterus}
    return grade_each(actor, key, {code: same for code in tubes}, at=at)


def grade_each(
    actor: Actor, key: str, seen: Mapping[str, Mapping[str, int | None]], at: datetime | None = None
) -> str:
    """One `graded` event. seen: tube -> haemolysis, lipaemia, icterus (0 to 4 by eye) and measured values
    (`haemolysis_cmgdl` …, hundredths of mg/dL); None: not looked at, not measured.

    Refused: nothing_graded (names the tube), grade_out_of_range, measured_out_of_range.
    """
    if repeated(actor, key, "graded"):
        return key
    lines = [_graded(code, said) for code, said in seen.items()]
    in_hand(actor, list(seen))
    return write(actor, "graded", key, at, lines)


def _graded(code: str, said: Mapping[str, int | None]) -> dict[str, object]:
    found = {name: value for name, value in said.items() if value is not None}
    if not found:
        raise Refused("nothing_graded", "Give at least one grade.", code)
    for name, value in found.items():
        if name in NAMES and not 0 <= value <= 4:
            raise Refused("grade_out_of_range", "Grades go from 0 to 4.", code)
        if not 0 <= value <= MOST_CMGDL:
            raise Refused(
                "measured_out_of_range",
                f"A measured value lies between 0 and {MOST_CMGDL // 100} mg/dL.",
                code,
            )
    return {"t": code, "role": "subj"} | found


def aliquot(
    actor: Actor,
    key: str,
    parent: str,
    children: Sequence[tuple[str, int]],
    *,
    loss_ul: int | None = None,
    recovered_ul: int | None = None,
    hct_pct: int | None = None,
    rack: Sequence[str] = (),
    unspun_why: str = "",
    at: datetime | None = None,
) -> str:
    """One `aliquoted` event: `children` are (code, microlitres), in the order in which they were filled.

    recovered_ul  serum or plasma (or what else was poured) measured before pouring
    loss_ul       lost; None: what was recovered and is in no vial, or nothing when that was not measured
    rack          codes as scanned in rack order, compared with the children place by place; empty: no scan
    unspun_why    why there is serum or plasma without a spin; without it that is refused
    """
    if repeated(actor, key, "aliquoted"):
        return key
    state = on_the_bench(actor, [parent])[parent]
    _volumes(children)
    check_hct(hct_pct)
    check_left(state, recovered_ul)
    lost = loss_of([ul for _, ul in children], recovered_ul, loss_ul)
    names = [code for code, _ in children]
    if rack:
        check_rack(names, rack)
    labels = labels_for(state, names)
    _after_spin(state, [labels[code] for code in names], at, unspun_why)
    lines = [{"t": parent, "role": "from", "ul": sum(ul for _, ul in children) + lost}]
    lines += [_to_line(labels[code], state, ul) for code, ul in children]
    said = {
        "loss_ul": lost, "recovered_ul": recovered_ul, "hct_pct": hct_pct, "note": unspun_why.strip(),
    }  # fmt: skip
    return write(actor, "aliquoted", key, at, lines, said)


def loss_of(poured_ul: Sequence[int], recovered_ul: int | None, loss_ul: int | None) -> int:
    """Microlitres lost: as said, else what was recovered and is in no vial; nothing when that is not known.

    Refused: volume_not_positive, volume_over_recovered.
    """
    if (loss_ul or 0) < 0:
        raise Refused("volume_not_positive", "A loss cannot be less than nought.")
    if recovered_ul is None:
        return loss_ul or 0
    poured = sum(poured_ul)
    if poured + (loss_ul or 0) > recovered_ul:
        raise Refused(
            "volume_over_recovered",
            f"{poured / 1000:g} mL in the vials and {(loss_ul or 0) / 1000:g} mL lost are more than the "
            f"{recovered_ul / 1000:g} mL recovered. Correct one of them.",
        )
    return recovered_ul - poured if loss_ul is None else loss_ul


def _to_line(label: Tube, parent: TubeState, ul: int) -> dict[str, object]:
    additive = parent.additive if label.additive in UNSAID else label.additive
    return {
        "t": label.code, "role": "to", "of": parent.tube, "ul": ul, "label": label.label,
        "matrix": label.matrix, "additive": additive, "container": label.container,
    }  # fmt: skip


def _volumes(children: Sequence[tuple[str, int]]) -> None:
    if not children:
        raise Refused("no_aliquot", "Give the volume of at least one aliquot.")
    names = [code for code, _ in children]
    twice = next((code for n, code in enumerate(names) if code in names[:n]), None)
    if twice:
        raise Refused("line_twice", f"{codes.show(twice)}: this vial is named twice.", twice)
    for code, ul in children:
        if ul <= 0:
            raise Refused(
                "volume_not_positive", f"{codes.show(code)}: the volume must be more than nought.", code
            )


def _after_spin(parent: TubeState, labels: Sequence[Tube], at: datetime | None, why: str) -> None:
    """What a spin separates cannot leave the tube before it; whole blood can, and what is separated."""
    apart = {label.matrix for label in labels} & queries.SEPARATED
    if not apart or parent.matrix != "BLD" or why.strip():
        return
    spins = [one for one in ledger.history(parent.tube) if one.kind == "spun" and not one.voided]
    if not spins:
        raise Refused(
            "parent_not_spun",
            f"{codes.show(parent.tube)}: this tube was not spun, so what the labels say has not come apart. "
            "Save the spin first, or say why there was none.",
            parent.tube,
        )
    if ms(at or timezone.now()) < spins[0].at_ms:
        said = clock(spins[0].at_ms, spins[0].off_min)
        raise Refused(
            "time_before_parent",
            f"{codes.show(parent.tube)}: this is before the tube was spun on {said}.",
            parent.tube,
        )
