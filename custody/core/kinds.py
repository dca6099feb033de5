"""The one table of event kinds: what each needs, does, and is called.

Promises: nothing else in the project knows what a kind needs or does. Adding a kind is adding a row
here (and a step in `effects`, when it does something new).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from custody.core import effects
from custody.core.effects import Step
from custody.core.event import Act
from custody.core.refusal import Refused

Spec = dict[str, str]  # field name -> "text", "int" (0 or more), "any int", "bool", "object"; ?: optional
Wrong = list[tuple[str, str]]

PLACE: Spec = {"unit": "text", "row": "int?", "col": "int?"}
GRADES: Spec = {"haemolysis": "int?", "lipaemia": "int?", "icterus": "int?"}
MEASURED: Spec = {f"{name}_cmgdl": "int?" for name in GRADES}  # beside a grade, hundredths of mg/dL
DESCRIBED: Spec = {"label": "text?", "matrix": "text?", "additive": "text?", "container": "text?"}
SENT: Spec = {
    "to": "text", "how": "text", "seal": "text?", "due_ms": "any int?", "centi_c": "any int?",
    "carrier": "text?", "waybill": "text?", "logger": "text?", "assay": "text?", "rules": "text?",
    "shipment": "text?", "hazard": "text?", "terms": "text?", "ice_g": "int?",
}  # fmt: skip
# `grade` is how good the answer is (`core.evidence`); `name` and `paper` when no login answered
ANSWERED: Spec = {
    "counted": "int?", "seal_intact": "bool?", "seal": "text?", "centi_c": "any int?",
    "low_centi": "any int?", "high_centi": "any int?", "logger": "text?", "coolant": "text?",
    "foreign": "text?", "again": "text?", "grade": "text?", "name": "text?", "paper": "text?",
}  # fmt: skip
JUDGED: Spec = {"verdict": "text?"}  # for the assay of the event, by its rules, when it was said
SENT_LINE: Spec = JUDGED | {"box": "text?", "row": "int?", "col": "int?"}  # where in its box it lies
RESULT: Spec = {"result": "text"}
COMMON: Spec = {"note": "text?", "reason": "text?"}

RESULTS = {
    "received": {"ok", "missing", "extra", "unreadable", "damaged", "warm"},
    "counted": {"seen", "not_seen", "foreign"},
}
HOW = {"hand", "view", "locked", "secured", "sealed"}
GRADES_OF = ("A", "B", "C")  # an answer by login, by a link, on paper; a carrier's word (D) is no answer
REASONS = {"did_not_occur", "incorrect_data"}


@dataclass(frozen=True)
class Kind:
    """One kind of event.

    words  what people read in a timeline; rank breaks ties between acts of one and the same millisecond
    data   fields of the event; lines: role -> fields of a line with that role
    step   effect on a tube; whole: what must hold across the lines of one event
    """

    words: str
    step: Step = effects.nothing
    data: Spec = field(default_factory=dict)
    lines: Mapping[str, Spec] = field(default_factory=lambda: {"subj": {}})
    rank: int = 5
    whole: Callable[[Act], Wrong] = lambda act: []


def balances(act: Act) -> Wrong:
    """What was given away and lost may not exceed what was taken."""
    sentence = over(act.lines, act.data)
    return [("aliquot_balances", sentence)] if sentence else []


def over(lines: Iterable[Mapping[str, Any]], data: Mapping[str, Any]) -> str:
    """How much more an aliquoting gave than it took, in a sentence; empty when it did not."""
    given, taken = data.get("loss_ul") or 0, 0
    for line in lines:
        taken += line["ul"] if line["role"] == "from" else 0
        given += line["ul"] if line["role"] == "to" else 0
    return f"{given / 1000:g} mL cannot come out of the {taken / 1000:g} mL taken." if given > taken else ""


def known_how(act: Act) -> Wrong:
    how = act.data["how"]
    return (
        []
        if how in HOW
        else [("data_malformed", f"A handoff goes by {', '.join(sorted(HOW))}, not {how!r}.")]
    )


def known_result(act: Act) -> Wrong:
    odd = {line["result"] for line in act.lines} - RESULTS[act.kind]
    return [("line_malformed", f"{word!r} is not a result of {act.kind}.") for word in sorted(odd)]


def answered(act: Act) -> Wrong:
    """A known result for each tube, a known grade of evidence for the whole."""
    grade = act.data.get("grade")
    odd = (
        [("data_malformed", f"{grade!r} is no grade of an answer.")]
        if grade not in (None, *GRADES_OF)
        else []
    )
    return odd + known_result(act)


def grades_0_to_4(act: Act) -> Wrong:
    odd = any((line.get(name) or 0) > 4 for line in act.lines for name in GRADES)
    return [("grade_out_of_range", "Grades go from 0 to 4.")] if odd else []


def amends(act: Act) -> Wrong:
    odd = act.data["reason"] not in REASONS
    return [("data_malformed", "The reason is did_not_occur or incorrect_data.")] if odd else []


KINDS: dict[str, Kind] = {
    "label_printed": Kind(
        "Label printed", effects.printed,
        {"set": "text?", "plan": "text?", "copy": "int?"},
        {"new": DESCRIBED | {"ul": "int?"}, "copy": {}}, rank=0),
    "packed": Kind("Set packed", data={"set": "text"}, rank=1),
    "issued": Kind("Set issued", data={"set": "text", "to": "text?"}, rank=1),
    "bound": Kind("Bound to a workup", effects.bound, {"set": "text?", "workup": "text"}, rank=1),
    "drawn": Kind(
        "Drawn", effects.drawn, {"workup": "text?"}, {"subj": {"ul": "int?", "short": "bool?"}}, rank=2),
    "not_collected": Kind("Not collected", effects.not_collected, {"reason": "text"}, rank=2),
    "returned": Kind("Set returned unused", data={"set": "text", "why": "text?"}, rank=1),
    "closed": Kind("Set closed", data={"set": "text"}, rank=9),
    "spun": Kind(
        "Spun", effects.handled,
        {"g": "int", "rpm": "int?", "radius_mm": "int?", "minutes": "int", "centi_c": "any int?",
         "brake": "bool?"}, rank=3),
    "graded": Kind("Graded", effects.handled, lines={"subj": GRADES | MEASURED}, whole=grades_0_to_4),
    "aliquoted": Kind(
        "Aliquoted", effects.aliquoted, {"loss_ul": "int?", "recovered_ul": "int?", "hct_pct": "int?"},
        {"from": {"ul": "int"}, "to": DESCRIBED | {"of": "text", "ul": "int"}}, rank=4, whole=balances),
    "handed_off": Kind("Handed off", effects.handed_off, SENT, {"subj": SENT_LINE}, whole=known_how),
    "shipped": Kind("Shipped", effects.handed_off, SENT, {"subj": SENT_LINE}, whole=known_how),
    "received": Kind(
        "Received", effects.received, ANSWERED, {"subj": RESULT | {"own": "text?", "condition": "text?"}},
        whole=answered),
    "tracked": Kind("Carrier's word", data={"said": "text"}, lines={}),
    "refused": Kind("Handoff refused", effects.returned, {"reason": "text"}),
    "withdrawn": Kind("Handoff withdrawn", effects.returned, {"reason": "text"}),
    "put_away": Kind("Put away", effects.put_away, lines={"subj": PLACE}),
    "moved": Kind("Moved", effects.moved, lines={"subj": PLACE | {"to": "text?"}}),
    "pulled": Kind(
        "Pulled", effects.pulled, {"why": "text", "assay": "text?", "rules": "text?"}, {"subj": JUDGED}),
    "thawed": Kind("Thawed", effects.thawed, {"why": "text?"}),
    "counted": Kind("Counted", effects.counted, {"unit": "text"}, {"subj": RESULT}, whole=known_result),
    "discrepancy_noted": Kind("Discrepancy noted", effects.dispute_noted, {"code": "text"}),
    "discrepancy_resolved": Kind(
        "Discrepancy resolved", effects.dispute_resolved, {"code": "text", "finding": "text?"}),
    "discarded": Kind(
        "Discarded", effects.discarded,
        {"why": "text", "method": "text?", "witness": "text?", "consent": "text?"}),
    "reserved": Kind("Reserved", effects.reserved, {"why": "text?"}),
    "released": Kind("Released from reserve", effects.released, {"why": "text?"}),
    "override_asked": Kind(
        "Override asked for",
        data={"assay": "text", "rule": "text", "rules": "text", "limit": "text?"},
        lines={"subj": {"fact": "text?"}}, rank=7),
    "override_answered": Kind("Override answered", data={"of": "text", "granted": "bool"}, rank=8),
    "deviation_noted": Kind(
        "Deviation filed", data={"rule": "text", "rules": "text", "severity": "text"},
        lines={"subj": {"fact": "text?"}}, rank=7),
    "deviation_closed": Kind("Deviation closed", data={"of": "text"}, rank=8),
    "voided": Kind(
        "Event voided", data={"of": "text", "reason": "text", "instead": "text?"}, lines={}, whole=amends),
    "corrected": Kind(
        "Event corrected", data={"of": "text", "reason": "text", "set": "object"}, lines={}, whole=amends),
}  # fmt: skip

AMENDING = {"voided", "corrected"}


def check(act: Act) -> None:
    """Refused when an act lacks what its kind needs, or says what its kind does not know."""
    kind = KINDS.get(act.kind)
    if kind is None:
        raise Refused("kind_unknown", f"{act.kind!r} is not a kind of event.")
    _fits("data_malformed", act.kind, act.data, COMMON | dict(kind.data))
    if kind.lines and not act.lines:
        raise Refused("line_malformed", f"{kind.words}: no tube is named.")
    for line in act.lines:
        _check_line(kind, act.kind, line)
    _no_line_twice(act)


def whole(act: Act) -> Wrong:
    """What is wrong across the lines of one well-formed act."""
    return KINDS[act.kind].whole(act)


def _check_line(kind: Kind, name: str, line: Mapping[str, Any]) -> None:
    role = line.get("role")
    if not isinstance(role, str) or role not in kind.lines:
        raise Refused("line_malformed", f"{name} has no lines with the role {role!r}.")
    if isinstance(line.get("u"), str):
        return _fits(
            "line_malformed", name, line, {"u": "text", "role": "text", "to": "text?", "note": "text?"}
        )
    spec = {"t": "text", "role": "text", "note": "text?"} | dict(kind.lines[role])
    if name == "moved":
        spec.pop("to")
    return _fits("line_malformed", name, line, spec)


def _no_line_twice(act: Act) -> None:
    named = [(line.get("t"), line.get("u"), line["role"]) for line in act.lines]
    if len(set(named)) < len(named):
        raise Refused("line_twice", "The same tube is named twice in one act.")


def _fits(code: str, kind: str, given: Mapping[str, Any], spec: Mapping[str, str]) -> None:
    for name in given:
        if name not in spec:
            raise Refused(code, f"{kind} does not know the field {name!r}.")
    for name, wanted in spec.items():
        value = given.get(name)
        if value is None and not wanted.endswith("?"):
            raise Refused(code, f"{kind} needs the field {name!r}.")
        if value is not None and not _is(value, wanted.rstrip("?")):
            raise Refused(code, f"{kind}: {name!r} must be {wanted.rstrip('?')}, not {value!r}.")


def _is(value: Any, wanted: str) -> bool:
    match wanted:
        case "text":
            return isinstance(value, str) and value != ""
        case "int":
            return isinstance(value, int) and not isinstance(value, bool) and value >= 0
        case "any int":
            return isinstance(value, int) and not isinstance(value, bool)
        case "bool":
            return isinstance(value, bool)
    return isinstance(value, dict)
