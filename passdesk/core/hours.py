"""Opening hours: what a door asks for at an instant, and when it opens next.

Hours are local wall time. A schedule has the times of the seven weekdays and special days whose
times replace them whole; several schedules form a union (ONVIF Schedule and Access Rules
Services). Nothing that applies is closed: an empty rule never opens.

An interval belongs to the day on which it starts. One that runs past midnight goes on into a
special day, and one of a special day runs on into the next.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from passdesk.core.clock import DAY_US, MICROSECONDS, local_time, offset_changes, offset_us

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime, tzinfo

    from passdesk.core.code import Daily

DAY_MINUTES = 1440
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

_MINUTE_US = 60 * MICROSECONDS
_EPOCH_DAY = date(1970, 1, 1)
_ONE_DAY = timedelta(days=1)


class ProofMode(StrEnum):
    """What a door asks for; in the order of demand, the least first.

    A PIN comes before an escort because it takes no second person.
    """

    FREE = "free"
    PASS = "pass"  # noqa: S105 # a proof mode, no password
    PASS_AND_PIN = "pass and PIN"  # noqa: S105 # a proof mode, no password
    PASS_AND_ESCORT = "pass and escort"  # noqa: S105 # a proof mode, no password
    CLOSED_TO_VISITORS = "closed to visitors"


_DEMAND = {mode: rank for rank, mode in enumerate(ProofMode)}


def by_demand(modes: Iterable[ProofMode]) -> tuple[ProofMode, ...]:
    """Sort modes, the least demanding first: of several that apply, the first is asked for."""
    return tuple(sorted(modes, key=_DEMAND.__getitem__))


class ScheduleError(ValueError):
    """Hours that make no sense.

    Attributes:
        field: the field at fault, as the command models name it.
    """

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(message)


@dataclass(frozen=True, slots=True, order=True)
class Interval:
    """From one minute of a local day to another; the end is exclusive.

    Attributes:
        first_minute: minutes after midnight on the wall clock, 0 to 1439.
        end_minute: the same, more than `first_minute` by at most 1440; above 1440 it lies on the
            next day.
        mode: what the door asks for meanwhile.

    Raises:
        ScheduleError: a minute is out of its range.
    """

    first_minute: int
    end_minute: int
    mode: ProofMode = ProofMode.PASS

    def __post_init__(self) -> None:
        if not 0 <= self.first_minute < DAY_MINUTES:
            raise ScheduleError("first_minute", "The start must lie between 00:00 and 23:59.")
        if not 0 < self.end_minute - self.first_minute <= DAY_MINUTES:
            raise ScheduleError(
                "end_minute",
                "The end must come after the start, by 24 hours at most.",
            )


@dataclass(frozen=True, slots=True)
class Schedule:
    """Weekly hours and special days.

    Attributes:
        weekly: the intervals of each weekday, Monday first; none means closed.
        special: dates whose intervals replace the weekly ones whole; none means closed.

    Raises:
        ScheduleError: `weekly` does not have seven days.
    """

    weekly: tuple[tuple[Interval, ...], ...]
    special: Mapping[date, tuple[Interval, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.weekly) != len(WEEKDAYS):
            raise ScheduleError("weekly", "Weekly hours have seven days, Monday first.")

    def on(self, day: date) -> tuple[Interval, ...]:
        """Give the intervals that start on this local date."""
        special = self.special.get(day)
        return self.weekly[day.weekday()] if special is None else special


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in which a door asks for the same.

    Attributes:
        start_us: its first instant, microseconds UTC.
        end_us: the first instant after it.
        modes: what applies meanwhile; never empty.
    """

    start_us: int
    end_us: int
    modes: frozenset[ProofMode]


def modes_at(schedules: Sequence[Schedule], at_us: int, zone: tzinfo) -> frozenset[ProofMode]:
    """Give what applies at an instant; empty means closed.

    Any one of the modes is enough to come in. `closed to visitors` has no effect beside another
    mode, since the least demanding applies, and alone it is closed as if nothing applied.

    Args:
        schedules: those of the door.
        at_us: microseconds UTC.
        zone: the site's zone.

    Raises:
        TimeRangeError: `at_us` is outside 1970 to 2200.
    """
    today, minute = _wall_minute(local_time(at_us, zone))
    yesterday = today - _ONE_DAY
    found = {
        interval.mode
        for schedule in schedules
        for day, passed in ((today, minute), (yesterday, minute + DAY_MINUTES))
        for interval in schedule.on(day)
        if interval.first_minute <= passed < interval.end_minute
    }
    found.discard(ProofMode.CLOSED_TO_VISITORS)
    return frozenset(found)


def within_daily(daily: Daily, at_us: int, zone: tzinfo) -> bool:
    """Say whether an instant (microseconds UTC) lies in a pass's daily hours; their end does not.

    Raises:
        TimeRangeError: `at_us` is outside 1970 to 2200.
    """
    today, minute = _wall_minute(local_time(at_us, zone))
    on_this_day = daily.weekdays >> today.weekday() & 1
    return bool(on_this_day) and daily.first_minute <= minute < daily.end_minute


def spans(
    schedules: Sequence[Schedule],
    zone: tzinfo,
    from_us: int,
    until_us: int,
) -> tuple[Span, ...]:
    """Give the stretches of a range in which a door is open, ascending, cut to the range.

    At every instant they say what `modes_at` says, also when clocks change.

    Args:
        schedules: those of the door.
        zone: the site's zone.
        from_us: the range's first instant, microseconds UTC.
        until_us: the first instant after it.

    Raises:
        TimeRangeError: the range is not within 1970 to 2200.
    """
    if until_us <= from_us:
        return ()
    cuts = sorted({from_us, until_us, *_cuts(schedules, zone, from_us, until_us)})
    pieces = [(modes_at(schedules, start, zone), start, end) for start, end in pairwise(cuts)]
    joined = [(modes, list(run)) for modes, run in groupby(pieces, key=lambda piece: piece[0])]
    return tuple(Span(run[0][1], run[-1][2], modes) for modes, run in joined if modes)


def next_opening(
    schedules: Sequence[Schedule],
    zone: tzinfo,
    at_us: int,
    horizon_days: int = 14,
) -> int | None:
    """Give the first instant from `at_us` on at which a door is open; `at_us` if it is open then.

    None means that it stays closed for `horizon_days` times 24 hours. Times are microseconds UTC.

    Raises:
        TimeRangeError: the range is not within 1970 to 2200.
    """
    ahead = spans(schedules, zone, at_us, at_us + horizon_days * DAY_US)
    return ahead[0].start_us if ahead else None


def _wall_minute(local: datetime) -> tuple[date, int]:
    return local.date(), local.hour * 60 + local.minute


def _cuts(
    schedules: Sequence[Schedule],
    zone: tzinfo,
    from_us: int,
    until_us: int,
) -> Iterator[int]:
    """Give the instants in a range at which the modes can change, in no order.

    Between two changes of the offset local time runs straight, so each edge of an interval lies at
    one instant. The day before the first counts too: its intervals may run past midnight.
    """
    for start, end in pairwise((from_us, *offset_changes(zone, from_us, until_us), until_us)):
        yield start
        ahead_us = offset_us(start, zone)
        for number in range((start + ahead_us) // DAY_US - 1, (end + ahead_us) // DAY_US + 1):
            midnight_us = number * DAY_US - ahead_us
            day = _EPOCH_DAY + timedelta(days=number)
            edges = (
                midnight_us + minute * _MINUTE_US
                for schedule in schedules
                for interval in schedule.on(day)
                for minute in (interval.first_minute, interval.end_minute)
            )
            yield from (edge for edge in edges if start < edge < end)


# Weekly hours as text: pieces such as `mon-fri 08:00-12:30 pass and PIN`, parted by semicolons.
_PIECE = re.compile(
    r"(?P<days>[a-z]+( ?[,-] ?[a-z]+)*) (?P<first>[0-9:]+) ?- ?(?P<end>[0-9:]+)"
    r"( (?P<mode>[a-z ]+))?",
)
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])|(24):(00)")
_MODES = {mode.lower(): mode for mode in ProofMode}


def parse_weekly(text: str) -> tuple[tuple[Interval, ...], ...]:
    """Read weekly hours from their text form.

    Pieces are parted by semicolons: days, times and a mode (`pass` where left out), as in
    `mon-fri 08:00-12:30; sat,sun 09:00-12:00 pass and escort; fri 22:00-02:00 pass and PIN`.
    Ranges of days may run past Sunday. An end at or before its start lies on the next day; 24:00
    is the end of the day. Pieces of one day may overlap. No text is closed all week.

    Returns:
        Seven days, Monday first, each in ascending order.

    Raises:
        ScheduleError: a piece cannot be read; the message quotes it and says how to write it.
    """
    week: list[set[Interval]] = [set() for _ in WEEKDAYS]
    for piece in filter(None, map(str.strip, text.split(";"))):
        days, interval = _parse_piece(piece)
        for day in days:
            week[day].add(interval)
    return tuple(tuple(sorted(intervals)) for intervals in week)


def format_weekly(weekly: Sequence[Sequence[Interval]]) -> str:
    """Write weekly hours in the form that `parse_weekly` reads, equal intervals together."""
    days_of: dict[Interval, list[int]] = {}
    for day, intervals in enumerate(weekly):
        for interval in sorted(set(intervals)):
            days_of.setdefault(interval, []).append(day)
    return "; ".join(
        f"{_format_days(days)} {_format_times(interval)} {interval.mode}"
        for interval, days in days_of.items()
    )


def _parse_piece(piece: str) -> tuple[set[int], Interval]:
    form = _PIECE.fullmatch(" ".join(piece.lower().split()))
    if form is None:
        raise _unread(piece, "write days, times and a mode, such as 'mon-fri 08:00-18:00 pass'")
    mode = _MODES.get(form["mode"] or "pass")
    if mode is None:
        raise _unread(piece, f"the mode is one of: {', '.join(ProofMode)}")
    first, end = _parse_clock(piece, form["first"]), _parse_clock(piece, form["end"])
    if first == DAY_MINUTES:
        raise _unread(piece, "24:00 can only be an end; for a start write 00:00 of the next day")
    if end <= first:
        end += DAY_MINUTES
    return _parse_days(piece, form["days"].replace(" ", "")), Interval(first, end, mode)


def _parse_days(piece: str, text: str) -> set[int]:
    days: set[int] = set()
    for part in text.split(","):
        first, _, last = part.partition("-")
        if first not in WEEKDAYS or (last or first) not in WEEKDAYS:
            raise _unread(
                piece, f"the days are {', '.join(WEEKDAYS)}, as in 'mon-fri' or 'mon,wed'"
            )
        start = WEEKDAYS.index(first)
        length = (WEEKDAYS.index(last or first) - start) % 7 + 1
        days.update((start + step) % 7 for step in range(length))
    return days


def _parse_clock(piece: str, text: str) -> int:
    form = _CLOCK.fullmatch(text)
    if form is None:
        raise _unread(piece, "times are hours and minutes from 00:00 to 24:00, such as 08:30")
    hours, minutes = (int(part) for part in form.groups() if part is not None)
    return hours * 60 + minutes


def _unread(piece: str, way_out: str) -> ScheduleError:
    return ScheduleError("weekly", f"The hours {piece[:60]!r} cannot be read: {way_out}.")


def _format_days(days: Sequence[int]) -> str:
    """Write ascending weekdays as ranges: neighbours have the same distance from their place."""
    runs = [list(run) for _, run in groupby(days, key=lambda day: day - days.index(day))]
    names = [[WEEKDAYS[day] for day in run] for run in runs]
    return ",".join(run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in names)


def _format_times(interval: Interval) -> str:
    end = interval.end_minute
    if end > DAY_MINUTES:
        end -= DAY_MINUTES
    return "-".join(
        f"{minute // 60:02}:{minute % 60:02}" for minute in (interval.first_minute, end)
    )
