"""A swap of freezers: thousands of vials, some old units into some new ones, as one job.

Promises: how far each box has come is what the ledger says now, so the job goes on at any device, after any
pause, and counts what others moved. The same few queries for 3 boxes and for 1,400. Every write raises
Refused and changes nothing, or is done once for its key.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils import timezone

from biobank.acting import Actor
from biobank.bench.hands import repeated
from biobank.core.swapping import ARRIVED, ELSEWHERE, ON_THE_WAY, TO_GO, WORDS, come, outwards, walk
from biobank.models import Swap, Unit
from biobank.store.actions import holder, stated
from biobank.store.carry import carry, scanned
from biobank.store.classes import PASSING
from biobank.store.suggest import DEVICES
from custody import queries as ledger
from custody.core.refusal import Refused

ORDER = [ON_THE_WAY, TO_GO, ELSEWHERE, ARRIVED]  # what needs somebody now comes first


@dataclass(frozen=True)
class Step:
    """A box: where it was fetched from, how far it has come, in what it stands, how many tubes are in it.
    late: it came into an old unit after the job was opened."""

    box: str
    was: list[str]
    word: str
    now: list[str]
    tubes: int = 0
    late: bool = False

    @property
    def words(self) -> str:
        return WORDS[self.word]


@dataclass(frozen=True)
class Job:
    """A swap with all its boxes in walking order. loose: tubes that stand in an old unit without a box."""

    swap: Swap
    out_of: list[Unit]
    into: list[Unit]
    steps: list[Step]
    loose: list[tuple[str, int]]

    @property
    def counts(self) -> dict[str, int]:
        found = Counter(step.word for step in self.steps)
        return {word: found[word] for word in ORDER}

    @property
    def left(self) -> list[Step]:
        """What keeps the job open: every box that is not in a new unit."""
        return [step for word in ORDER[:-1] for step in self.of(word)]

    def of(self, word: str) -> list[Step]:
        return [step for step in self.steps if step.word == word]

    @property
    def tubes(self) -> int:
        return sum(step.tubes for step in self.steps)

    @property
    def tubes_arrived(self) -> int:
        return sum(step.tubes for step in self.of(ARRIVED))

    @property
    def percent(self) -> int:
        """Rounded down: a hundred means that every box has arrived."""
        return 100 * self.counts[ARRIVED] // len(self.steps) if self.steps else 0


# reading ----------------------------------------------------------------------------------------


def jobs() -> list[Swap]:
    """All swaps, open ones first. 3 queries."""
    found = Swap.objects.select_related("opened_by", "closed_by").prefetch_related("out_of", "into")
    return sorted(found, key=lambda one: one.closed is not None)


def job(pk: int) -> Job | None:
    """One swap and how far it has come. 6 queries."""
    swap = Swap.objects.select_related("opened_by", "closed_by").filter(pk=pk).first()
    if swap is None:
        return None
    old, new = list(swap.out_of.order_by("code")), list(swap.into.order_by("code"))
    kinds = dict(Unit.objects.values_list("code", "kind"))
    stands = ledger.units()
    now = {code: outwards(code, stands) for code in kinds}
    inside = ledger.contents()
    return Job(swap, old, new, _steps(swap, old, new, kinds, now, inside), _loose(old, kinds, now, inside))


def _steps(
    swap: Swap,
    old: Sequence[Unit],
    new: Sequence[Unit],
    kinds: dict[str, str],
    now: dict[str, list[str]],
    inside: dict[str, int],
) -> list[Step]:
    out_of, into = {unit.code for unit in old}, {unit.code for unit in new}
    devices = {code for code, kind in kinds.items() if kind in DEVICES}
    listed = [(box, was, False) for box, was in swap.listed]
    known = {box for box, _, _ in listed}
    later = {code: path for code, path in now.items() if kinds[code] == "box" and code not in known}
    came = [(box, was, True) for box, was in walk(later, [unit.code for unit in old])]
    return [
        Step(
            box, was, come(now.get(box, []), out_of, into, devices), now.get(box, []),
            inside.get(box, 0), late,
        )
        for box, was, late in [*listed, *came]
        if not late or come(now[box], out_of, into, devices) == TO_GO
    ]  # fmt: skip


def _loose(
    old: Sequence[Unit], kinds: dict[str, str], now: dict[str, list[str]], inside: dict[str, int]
) -> list[tuple[str, int]]:
    out_of = {unit.code for unit in old}
    return [
        (code, inside[code])
        for code, path in now.items()
        if kinds[code] != "box" and inside.get(code) and out_of & {code, *path}
    ]


# opening and closing ------------------------------------------------------------------------------


def begin(actor: Actor, key: str, out_of: Sequence[str], into: Sequence[str], why: str) -> Swap:
    """A new job with the boxes that stand in the old units now.

    Refused: reason_required, unit_unknown, unit_holds_tubes, swap_units, swap_inside, swap_open, swap_empty.
    """
    if made := Swap.objects.filter(key=UUID(key)).first():
        return made
    reason, old, new = stated(why), _units(out_of), _units(into)
    stands = ledger.units()
    _apart(old, new, stands)
    boxes = Unit.objects.filter(kind="box").values_list("code", flat=True)
    listed = walk({box: outwards(box, stands) for box in boxes}, [unit.code for unit in old])
    if not listed:
        raise Refused("swap_empty", "There is no box in these units; there is nothing to move.")
    with transaction.atomic():
        list(Unit.objects.select_for_update().filter(pk__in=[unit.pk for unit in old]))  # one at a time
        _not_open(old)
        swap = Swap.objects.create(
            key=UUID(key), why=reason, listed=listed, opened=timezone.now(), opened_by=actor.person
        )
        swap.out_of.set(old)
        swap.into.set(new)
    return swap


def _units(texts: Sequence[str]) -> list[Unit]:
    found = {unit.pk: unit for text in texts if (unit := holder(text)) is not None}
    if not found:
        raise Refused("swap_units", "Name at least one unit that is emptied and one that takes its boxes.")
    return list(found.values())


def _apart(old: Sequence[Unit], new: Sequence[Unit], stands: dict[str, str | None]) -> None:
    """No unit of the swap may be, or stand in, another one: a box would be in both."""
    both = [unit.code for unit in (*old, *new)]
    for unit in both:
        around = [one for one in outwards(unit, stands) if one in both]
        if around or both.count(unit) > 1:
            other = f"stands in {around[0]}" if around else "is named twice"
            raise Refused("swap_inside", f"{unit} {other}: old and new units must be apart from each other.")


def _not_open(old: Sequence[Unit]) -> None:
    if other := Swap.objects.filter(closed=None, out_of__in=old).select_related("opened_by").first():
        who = other.opened_by.name
        raise Refused(
            "swap_open", f"One of these units is being emptied already, in a swap that {who} opened."
        )


def close(actor: Actor, key: str, swap: Swap, why: str = "") -> None:
    """The job is over; boxes that have not arrived are kept with it, and need a reason.

    Refused: swap_closed, swap_not_done.
    """
    seen = job(swap.pk)
    if seen is None or seen.swap.close_key == UUID(key):
        return
    if seen.swap.closed:
        raise _closed(seen.swap)
    if seen.left and not why.strip():
        some = ", ".join(step.box for step in seen.left[:5])
        more = f" and {len(seen.left) - 5} more" if len(seen.left) > 5 else ""
        raise Refused(
            "swap_not_done",
            f"{len(seen.left)} of {len(seen.steps)} boxes have not arrived: {some}{more}. Move them, or say "
            "why the swap ends all the same.",
        )
    left = [[step.box, step.word, step.now] for step in seen.left]
    done = Swap.objects.filter(pk=swap.pk, closed=None).update(
        closed=timezone.now(), closed_by=actor.person, closed_why=why.strip(), left=left, close_key=UUID(key)
    )
    if not done:
        raise _closed(Swap.objects.select_related("closed_by").get(pk=swap.pk))


def _closed(swap: Swap) -> Refused:
    who = swap.closed_by.name if swap.closed_by else "somebody"
    return Refused("swap_closed", f"{who} closed this swap already.")


# scanning ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Heard:
    """What a scan came to. unit: waits for its place; to: the place of the next ones; moved: what moved."""

    unit: str = ""
    to: str = ""
    moved: str = ""

    @property
    def sentence(self) -> str:
        if self.moved:
            return f"{self.moved} is in {self.to}. Scan the next one, or another place."
        if self.unit:
            return f"{self.unit}: now scan where it goes."
        return f"Into {self.to}: now scan what goes there."


def scan(
    actor: Actor,
    key: str,
    seen: Job,
    text: str,
    *,
    unit: str = "",
    to: str = "",
    note: str = "",
    at: datetime | None = None,
) -> Heard:
    """One scan: a box or rack that moves, or a place. With both at hand it is one `moved` event.

    unit, to: what was scanned before. A place of a new unit stays for the next boxes. Refused: swap_closed,
    swap_old_unit, swap_not_listed and swap_elsewhere (a note lifts these two), and what `carry` refuses.
    """
    if seen.swap.closed:
        raise _closed(seen.swap)
    found = scanned(text)
    if repeated(actor, key, "moved"):
        return Heard(to=found.code if unit else to, moved=unit or found.code)
    place = _is_place(seen, found)
    moving, above = (unit, found.code) if place else (found.code, to if not unit else "")
    if not moving:
        return Heard(to=above)
    _listed(seen, moving, note)
    if not above:
        return Heard(unit=moving)
    _of_the_swap(seen, above, note)
    carry(actor, key, moving, above, note, at)
    return Heard(to=above, moved=moving)


def _codes(units: Sequence[Unit]) -> set[str]:
    return {unit.code for unit in units}


def _is_place(seen: Job, found: Unit) -> bool:
    """Whether this is where boxes go: all but boxes, and racks that stand, or stood, in an old unit."""
    around = set(ledger.above(found.code))
    if found.code in _codes(seen.out_of):
        raise Refused("swap_old_unit", f"{found.code} is emptied by this swap. Scan a box or rack in it.")
    if found.kind == "box" or around & _codes(seen.out_of):
        return False
    return bool(around & _codes(seen.into)) or not any(found.code in was for _, was in seen.swap.listed)


def _listed(seen: Job, moving: str, note: str) -> None:
    """Something that never stood in an old unit is asked for: perhaps the wrong box was taken out."""
    known = {step.box for step in seen.steps} | {code for _, was in seen.swap.listed for code in was}
    if moving in known or note.strip() or set(ledger.above(moving)) & _codes(seen.out_of):
        return
    raise Refused(
        "swap_not_listed",
        f"{moving} is not on the list of this swap. Look whether it is the right one, or say in the note why "
        "it moves as well.",
    )


def _of_the_swap(seen: Job, above: str, note: str) -> None:
    around = ledger.above(above)
    passing = Unit.objects.filter(code__in=around, kind__in=PASSING).exists()
    if passing or note.strip() or set(around) & _codes(seen.into):
        return
    raise Refused(
        "swap_elsewhere",
        f"{above} stands in no new unit of this swap. Scan another place, or say in the note why it "
        "goes there.",
    )
