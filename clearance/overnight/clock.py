"""A night's start, time zone and presence go in; moments that can be counted, and who is there, come out.

Moments are counted in minutes that all are equally long, since 1970 (UTC). Times in the file stand on the
wall: a night in which the clocks change has an hour more or less. Where a time comes twice or never that
night, a start is refused until it says its offset; of presence, and of what is due, the reading with less
time counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from clearance.records import record
from clearance.scene.night import NightPlan, Presence

#: nobody looks farther ahead, days
HORIZON = 60
#: intervals (from, to) in minutes, in order and apart
Spans = tuple[tuple[float, float], ...]


@record
class Clock:
    """The clock on the wall.

    ``zone``: None for the clock of this computer.
    """

    zone: tzinfo | None

    def minutes(self, wall: datetime, fold: int = 0) -> float:
        """The moment of a time on the wall; of one that comes twice, ``fold`` says which.

        Args:
            wall: with an offset, that holds.   fold: 0 the first, 1 the second.
        """
        return self._instant(wall, fold).timestamp() / 60.0

    def _instant(self, wall: datetime, fold: int) -> datetime:
        if wall.tzinfo is not None:
            return wall.astimezone(UTC)
        wall = wall.replace(fold=fold)
        return (wall.astimezone() if self.zone is None else wall.replace(tzinfo=self.zone)).astimezone(UTC)

    def both(self, wall: datetime) -> tuple[float, float]:
        """The earlier and the later moment that a time on the wall may mean; mostly they are one."""
        found = sorted(self.minutes(wall, fold) for fold in (0, 1))
        return found[0], found[1]

    def is_never(self, wall: datetime) -> bool:
        """Whether the clocks pass over this time."""
        if wall.tzinfo is not None:
            return False
        return self.wall(self.minutes(wall)).replace(tzinfo=None, fold=0) != wall

    def wall(self, minutes: float) -> datetime:
        """What the clock shows at a moment, with its offset then."""
        return datetime.fromtimestamp(round(minutes * 60.0), UTC).astimezone(self.zone)

    def offset(self, minutes: float) -> str:
        """The offset of the wall's clock at a moment, "+02:00"."""
        text = self.wall(minutes).strftime("%z")
        return f"{text[:3]}:{text[3:5]}"


def clock_of(plan: NightPlan) -> Clock:
    """The clock that a night's file counts by.

    Raises:
        InputError: there is no such time zone here.
    """
    if plan.zone is None:
        return Clock(None)
    try:
        return Clock(ZoneInfo(plan.zone))
    except (ZoneInfoNotFoundError, ValueError, OSError):
        found = f'there is no time zone "{plan.zone}" on this computer'
        raise plan.error(("zone",), found, 'a name such as "Europe/Paris", or leave it out') from None


def start_of(plan: NightPlan, clock: Clock) -> float:
    """When the night begins, in minutes.

    Args:
        plan: as read.   clock: of its time zone.

    Raises:
        InputError: the clocks change then, and the time comes twice or never.
    """
    wall = plan.start
    if clock.is_never(wall):
        found = f"{wall:%Y-%m-%d %H:%M} never comes: the clocks are put forward over it"
        raise plan.error(("start",), found, "an hour later")
    first, second = clock.both(wall)
    if first != second:
        offset = clock.offset(first)
        found = f"{wall:%Y-%m-%d %H:%M} comes twice: the clocks are put back then"
        raise plan.error(("start",), found, f"say which with its offset: {wall:%Y-%m-%dT%H:%M:%S}{offset}")
    return first


def presence_of(listed: Sequence[Presence], clock: Clock, start: float) -> Spans:
    """When somebody is there, from a day before the start for ``HORIZON`` days.

    Args:
        listed: as the file says.   clock: on the wall.   start: minutes.
    """
    found: list[tuple[float, float]] = []
    today = clock.wall(start).date()
    for one in listed:
        if isinstance(one.begins, datetime) and isinstance(one.ends, datetime):
            found.append((clock.both(one.begins)[1], clock.both(one.ends)[0]))
            continue
        assert isinstance(one.begins, time)
        assert isinstance(one.ends, time)
        for k in range(-2, HORIZON):
            day = today + timedelta(days=k)
            if day.weekday() not in one.days:
                continue
            begins = datetime.combine(day, one.begins)
            ends = datetime.combine(day + timedelta(days=int(one.ends < one.begins)), one.ends)
            found.append((clock.both(begins)[1], clock.both(ends)[0]))
    return joined(found)


def joined(spans: Sequence[tuple[float, float]]) -> Spans:
    """Intervals in order, those that touch as one; empty ones left out."""
    out: list[tuple[float, float]] = []
    for begins, ends in sorted(spans):
        if ends <= begins:
            continue
        if out and begins <= out[-1][1]:
            out[-1] = out[-1][0], max(out[-1][1], ends)
        else:
            out.append((begins, ends))
    return tuple(out)
