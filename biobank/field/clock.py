"""A workup's clock: net closed, out of water, first needle, last tube, released.

Promises: nothing is written here. Times are kept to the minute; the clock runs forward or is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from django.utils import timezone

from biobank.core import codes
from biobank.models import Workup
from custody.core.fold import FUTURE_MS
from custody.core.refusal import Refused

Clock = Mapping[str, datetime | None]


def minute(when: datetime) -> datetime:
    """The clock of a workup is read in minutes."""
    return when.replace(second=0, microsecond=0)


def words(name: str) -> str:
    return name.replace("_", " ")


def set_times(workup: Workup, clock: Clock) -> None:
    """Put these times on the workup, unsaved. Refused: time_in_future, clock_runs_backwards."""
    latest = timezone.now() + timedelta(milliseconds=FUTURE_MS)
    for name, when in clock.items():
        if when is not None and when > latest:
            raise Refused("time_in_future", f"{words(name).capitalize()}: this time lies in the future.")
    stands = [(name, clock.get(name, getattr(workup, name))) for name in Workup.CLOCK]
    known = [(name, minute(when)) for name, when in stands if when is not None]
    for (earlier, start), (later, end) in pairwise(known):
        if end < start:
            sentence = f"{words(later).capitalize()} cannot be before {words(earlier)}."
            raise Refused("clock_runs_backwards", sentence)
    for name, when in clock.items():
        setattr(workup, name, when and minute(when))


def changed(workup: Workup, clock: Clock) -> list[str]:
    """The times that would be other than they stand."""
    return [name for name, when in clock.items() if getattr(workup, name) != (when and minute(when))]


def reason_for(workup: Workup, names: Iterable[str], reason: str) -> None:
    """Refused when a time that stands would change and nobody says why."""
    for name in names:
        if getattr(workup, name) is not None and not reason.strip():
            raise Refused(
                "reason_required", f"{words(name).capitalize()} is set already. Say why it changes."
            )


def check_draw(workup: Workup, code: str, when: datetime) -> None:
    """A tube is filled while the animal is in hand.

    Refused: time_before_capture, time_after_release.
    """
    _after_capture(workup, codes.show(code), when, code)
    if workup.released is not None and minute(when) > workup.released:
        sentence = f"{codes.show(code)}: {workup} was released at {_hour(workup, workup.released)}."
        raise Refused("time_after_release", sentence, code)


def check_taken(workup: Workup, when: datetime) -> None:
    """A reading is taken from the capture on. Refused: time_in_future, time_before_capture."""
    if when > timezone.now() + timedelta(milliseconds=FUTURE_MS):
        raise Refused("time_in_future", "This time lies in the future.")
    _after_capture(workup, "A reading", when)


def _after_capture(workup: Workup, what: str, when: datetime, code: str | None = None) -> None:
    for name in ["net_closed", "out_of_water"]:
        start = getattr(workup, name)
        if start is not None and minute(when) < start:
            sentence = f"{what}: this is before {words(name)} of {workup} ({_hour(workup, start)})."
            raise Refused("time_before_capture", sentence, code)


def widened(workup: Workup, needles: list[datetime], tubes: list[datetime]) -> dict[str, datetime | None]:
    """First needle and last tube after these draws; both only ever widen."""
    first = min([*map(minute, needles), *filter(None, [workup.first_needle])], default=None)
    last = max([*map(minute, tubes), *filter(None, [workup.last_tube, first])], default=None)
    return {"first_needle": first, "last_tube": last}


def _hour(workup: Workup, when: datetime) -> str:
    return f"{when.astimezone(ZoneInfo(workup.day.site.programme.tz)):%H:%M}"
