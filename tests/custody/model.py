"""The ledger once more, as plain dicts: what people did, and what follows from it.

Written from DEVELOPERS.md and the words of the trade, not from `custody/core`, so that the machine in
test_machine.py has something of its own to compare with. It is slow: each act plays all of it anew.
It knows nothing of hashes, rows, queries or folding.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from custody.core.event import Act

AHEAD_MS = 5 * 60_000
ORDER = {"label_printed": 0, "drawn": 2, "not_collected": 2, "aliquoted": 4}  # within one millisecond
Broken = tuple[str, str, str]  # code, tube, event


@dataclass
class Played:
    """Where everything is after all that was said, and what was wrong on the way."""

    tubes: dict[str, dict[str, Any]]
    broken: set[Broken]

    def slots(self) -> Counter[tuple[str, int, int]]:
        """How many tubes claim each slot."""
        return Counter(place for one in self.tubes.values() if (place := slot(one)))


def slot(tube: dict[str, Any]) -> tuple[str, int, int] | None:
    return tube["place"] if tube["place"] and tube["place"][1] else None


class World:
    """All that was said and kept, in the order in which it was said."""

    def __init__(self) -> None:
        self.said: list[tuple[Act, int]] = []  # and when it was recorded

    def answer(self, act: Act, now_ms: int, strict: bool = True) -> str | None:
        """The code of the refusal that this act must meet; None when it must be kept. Then it is kept."""
        before = self.play()
        self.said.append((act, now_ms))
        after = self.play()
        code = self.whole(act) if strict else None
        code = code or (self.first(before, after) if strict else None)
        if code:
            self.said.pop()
        return code

    def whole(self, act: Act) -> str | None:
        """What cannot be whatever the tubes are."""
        return "aliquot_balances" if gave_too_much(act) else None

    def first(self, before: Played, after: Played) -> str | None:
        """Of what this act broke, the one that is told: by code, tube and event; a taken slot last."""
        new = sorted(after.broken - before.broken)
        if new:
            return new[0][0]
        old, claims = before.slots(), after.slots()
        for name, tube in after.tubes.items():
            mine = slot(tube)
            fresh = mine and (name not in before.tubes or slot(before.tubes[name]) != mine or old[mine] < 2)
            if mine and fresh and claims[mine] > 1:
                return "slot_taken"
        return None

    # --- what was said, as it counts today ---------------------------------------------------------------

    def stands(self, act: Act) -> bool:
        """Not voided by something that itself stands."""
        return not any(
            other.kind == "voided" and other.data["of"] == act.id and self.stands(other)
            for other, _ in self.said
        )

    def corrections(self, act: Act) -> dict[str, Any]:
        """What the newest standing correction sets."""
        sets = [
            (other.at_ms, other.data["set"]) for other, _ in self.said
            if other.kind == "corrected" and other.data["of"] == act.id and self.stands(other)
        ]  # fmt: skip
        return max(sets, key=lambda one: one[0])[1] if sets else {}

    def moment(self, act: Act) -> int:
        """When it happened, as corrected."""
        return self.corrections(act).get("at", act.at_ms)

    def turn(self, act: Act) -> tuple[Any, ...]:
        """Its place in the story: an answer comes after what it answers, whatever the clocks said."""
        question = next((other for other, _ in self.said if act.ref and other.id == act.ref), None)
        at = max(self.moment(act), self.moment(question) if question else 0)
        return at, bool(question), ORDER.get(act.kind, 5), act.id

    def play(self) -> Played:
        played = Played({}, set())
        names = sorted({line["t"] for act, _ in self.said for line in act.lines})
        for name in names:
            played.tubes[name] = self.life(name, played.broken)
        return played

    def life(self, name: str, broken: set[Broken]) -> dict[str, Any]:
        begun = "void" if self.lost_its_label(name) else "unknown"
        tube: dict[str, Any] = {
            "status": begun, "holder": None, "to": None, "offer": None, "place": None, "ul": None,
            "thaws": 0, "open": 0, "parent": None, "drawn": None,
        }  # fmt: skip
        early: list[tuple[str, int]] = []  # acts on a tube that was still empty
        for act, recorded in sorted(self.said, key=lambda one: self.turn(one[0])):
            lines = [(n, line) for n, line in enumerate(act.lines) if line["t"] == name]
            if not self.stands(act):
                continue
            fixes = self.corrections(act)
            at = self.moment(act)
            for n, line in lines:
                fix = next((fix for fix in fixes.get("lines", []) if fix["n"] == n), {})
                wrong = happens(tube, act, {**line, **fix}, at)
                if wrong == "tube_not_drawn":
                    early.append((act.id, at))
                elif wrong:
                    broken.add((wrong, name, act.id))
                if line["role"] == "from" and gave_too_much(act):
                    broken.add(("aliquot_balances", name, act.id))
                if at > recorded + AHEAD_MS:
                    broken.add(("time_in_future", name, act.id))
        for event, at in early:
            late = tube["drawn"] is not None and at < tube["drawn"]
            broken.add(("time_before_parent" if late else "tube_not_drawn", name, event))
        return tube

    def lost_its_label(self, name: str) -> bool:
        """A label was printed, and that was voided."""
        return any(
            act.kind == "label_printed"
            and not self.stands(act)
            and any(line["t"] == name for line in act.lines)
            for act, _ in self.said
        )


def gave_too_much(act: Act) -> bool:
    taken = sum(line["ul"] for line in act.lines if line["role"] == "from")
    given = sum(line["ul"] for line in act.lines if line["role"] == "to")
    return act.kind == "aliquoted" and given + act.data.get("loss_ul", 0) > taken


def happens(tube: dict[str, Any], act: Act, line: dict[str, Any], at: int) -> str | None:
    """This act to this tube: the dict changes, or it does not and the answer says why. Some acts do change
    it and are wrong all the same: what was done in the freezer was done."""
    status, org = tube["status"], act.org
    theirs = None if tube["holder"] == org else "not_the_custodian"
    match act.kind, line["role"]:
        case "label_printed", _:
            if status not in ("unknown", "void"):
                return "label_once"
            tube.update(status="labelled", holder=org)
            return None
        case "aliquoted", "to":
            if status == "discarded":
                return "nothing_after_discard"
            if status == "void":
                return "tube_void"
            if status not in ("unknown", "labelled"):
                return "child_already_made"
            tube.update(status="held", holder=org, parent=line["of"], ul=line["ul"])
            return None
    if status in ("unknown", "void"):
        return f"tube_{status}"
    if status == "discarded":
        return "nothing_after_discard"
    match act.kind:
        case "drawn":
            if status == "not_collected":
                return "not_collected"
            if status != "labelled":
                return "drawn_twice"
            tube.update(status="held", holder=org, ul=line.get("ul"), drawn=at)
            return None
        case "not_collected":
            if status not in ("labelled", "not_collected"):
                return "already_drawn"
            tube["status"] = "not_collected"
            return None
        case "discarded":
            tube.update(status="discarded", holder=None, to=None, offer=None, place=None)
            return theirs
    if status == "not_collected":
        return "not_collected"
    if status == "labelled":
        return "tube_not_drawn"
    return with_content(tube, act, line, theirs)


def with_content(tube: dict[str, Any], act: Act, line: dict[str, Any], theirs: str | None) -> str | None:
    match act.kind:
        case "thawed":
            tube["thaws"] += 1
            return theirs
        case "aliquoted":
            if tube["ul"] is None:
                return theirs
            left = tube["ul"] - line["ul"]
            tube["ul"] = max(left, 0)
            return theirs if left >= 0 else "volume_not_negative"
        case "put_away" | "moved":
            if act.kind == "put_away" and tube["status"] == "stored":
                return "tube_already_stored"
            if tube["status"] == "in_transit":
                return "not_the_custodian"
            tube.update(status="stored", place=(line["unit"], line.get("row"), line.get("col")))
            return theirs
        case "pulled":
            if tube["status"] != "stored":
                return "not_stored"
            tube.update(status="held", place=None)
            return theirs
    return between_agencies(tube, act, line, theirs)


def between_agencies(tube: dict[str, Any], act: Act, line: dict[str, Any], theirs: str | None) -> str | None:
    asked = tube["offer"] is not None and tube["offer"] == act.ref
    match act.kind:
        case "handed_off" | "shipped":
            if theirs:
                return "giver_was_custodian"
            if tube["to"]:
                return "handed_off_twice"
            if slot(tube):
                tube["place"] = None
            tube.update(status="in_transit", to=act.data["to"], offer=act.id)
        case "received":
            return receipt(tube, act, line["result"], asked)
        case "refused" | "withdrawn":
            if not asked:
                return "handoff_answered_once"
            wanted = tube["to"] if act.kind == "refused" else tube["holder"]
            if act.org != wanted:
                return "receiver_was_addressed" if act.kind == "refused" else "giver_was_custodian"
            tube.update(status="stored" if tube["place"] else "held", to=None, offer=None)
    return None


def receipt(tube: dict[str, Any], act: Act, result: str, asked: bool) -> str | None:
    if not asked and result != "extra":
        return "handoff_answered_once" if tube["holder"] == act.org else "receiver_was_addressed"
    if asked and tube["to"] != act.org:
        return "receiver_was_addressed"
    if result in ("missing", "unreadable", "extra"):
        tube["open"] += 1
        return None
    came_after_all = 1 if tube["open"] else 0
    tube.update(status="held", holder=act.org, to=None, offer=None, place=None)
    tube["open"] += (result != "ok") - came_after_all
    return None
