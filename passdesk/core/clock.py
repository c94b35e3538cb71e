"""Instants and local time.

An instant is an integer: microseconds UTC since 1970. A local time is what a clock on the wall of
a site shows; it belongs to none, one or two instants, and what cannot be told is refused here and
never guessed. Nothing in this module reads the clock: 'now' is passed in.

Zone rules come from `zoneinfo`: the system's copy of the IANA database where there is one, else
the `tzdata` package. With `PYTHONTZPATH` set to nothing, the package is the only source, and a
server and its readers count by the same edition.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

MICROSECONDS = 1_000_000
DAY_US = 86_400 * MICROSECONDS

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_WALL_EPOCH = _EPOCH.replace(tzinfo=None)
_MICROSECOND = timedelta(microseconds=1)
_END_US = (datetime(2201, 1, 1, tzinfo=UTC) - _EPOCH) // _MICROSECOND

# Every IANA name begins with a capital. Whatever else lies in a zone folder (`right/`, `posix/`,
# `localtime`, `zone.tab`) does not, and neither does a path.
_ZONE_NAME = re.compile(r"[A-Z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+){0,2}")

# ISO 8601 extended form as RFC 3339 profiles it, with offset and seconds optional. An offset may
# have seconds: Africa/Monrovia had until 1972.
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_TIME = r"([01][0-9]|2[0-3]):[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?"
_OFFSET = r"Z|[+-][0-9]{2}:[0-9]{2}(:[0-9]{2})?"
_DATE_TIME = re.compile(f"{_DATE}(?P<time>[T ]{_TIME}({_OFFSET})?)?")


class LocalTimeError(ValueError):
    """A time or a zone that cannot be used; the message says why and what to write instead."""


class TimeFormatError(LocalTimeError):
    """The text is no date and time."""


class TimeRangeError(LocalTimeError):
    """The instant lies outside the years 1970 to 2200 (UTC)."""


class UnknownZoneError(LocalTimeError):
    """There is no such time zone."""


class NonexistentTimeError(LocalTimeError):
    """A local time that the clocks jump over.

    Attributes:
        at_us: the instant of the jump.
        before: local time of the last minute before it.
        after: local time right after it.
    """

    def __init__(self, local: datetime, zone: tzinfo, at_us: int) -> None:
        self.at_us = at_us
        self.before = local_time(at_us - 1, zone).replace(second=0, microsecond=0)
        self.after = local_time(at_us, zone)
        super().__init__(
            f"{local.isoformat()} does not exist in {zone}: the clocks jump over it. "
            f"The nearest times are {self.before.isoformat()} before and "
            f"{self.after.isoformat()} after the jump.",
        )


class AmbiguousTimeError(LocalTimeError):
    """A local time that occurs twice, because the clocks are put back.

    Attributes:
        first_us: the earlier instant (fold 0).
        second_us: the later instant (fold 1).
    """

    def __init__(self, local: datetime, zone: tzinfo, first_us: int, second_us: int) -> None:
        self.first_us = first_us
        self.second_us = second_us
        super().__init__(
            f"{local.isoformat()} occurs twice in {zone}: "
            f"{format_instant(first_us, zone)} and {format_instant(second_us, zone)}. "
            f"Say which: give the offset, or fold 0 for the first and 1 for the second.",
        )


def zone_named(name: str) -> ZoneInfo:
    """Give the time zone with this IANA name.

    Raises:
        UnknownZoneError: no such zone, or the name is none (a path, an alias of this machine).
    """
    unknown = UnknownZoneError(
        f"{_shown(name)} is no time zone: give an IANA name such as Europe/Lisbon.",
    )
    if not _ZONE_NAME.fullmatch(name):
        raise unknown
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        # Unknown, a file that is no zone, a folder of zones or a name too long.
        raise unknown from error


def parse_instant(text: str, zone: tzinfo, *, fold: int | None = None) -> int:
    """Read an ISO 8601 date and time; give microseconds UTC.

    Args:
        text: such as `2025-03-30T09:00`, `2025-03-30 09:00:00.5` or `2025-03-30T09:00+01:00`.
            With an offset or Z it is taken as it is, else it is local time of `zone`.
        zone: the site's zone.
        fold: for a local time that occurs twice, 0 for the first and 1 for the second.

    Raises:
        TimeFormatError: not of this form, or a date without a time.
        NonexistentTimeError: the clocks jump over this local time.
        AmbiguousTimeError: this local time occurs twice and `fold` is None.
        TimeRangeError: outside 1970 to 2200.
    """
    tidy = text.strip().upper()
    form = _DATE_TIME.fullmatch(tidy)
    if form is None:
        raise TimeFormatError(
            f"{_shown(text)} is no date and time: write one such as 2025-03-30T09:00.",
        )
    if form["time"] is None:
        raise TimeFormatError(f"{tidy} is a date without a time: write {tidy}T09:00, for nine.")
    try:
        moment = datetime.fromisoformat(tidy)
    except ValueError as error:
        raise TimeFormatError(f"{tidy} is no date and time: {error}.") from error
    if moment.tzinfo is None:
        return resolve_local(moment, zone, fold=fold)
    return _in_range(_instant(moment))


def resolve_local(local: datetime, zone: tzinfo, *, fold: int | None = None) -> int:
    """Give the instant (microseconds UTC) at which clocks of `zone` show `local`.

    Args:
        local: a date and time without a zone; its own `fold` does not count.
        zone: the site's zone.
        fold: for a local time that occurs twice, 0 for the first and 1 for the second.

    Raises:
        TimeFormatError: `local` has a zone already, or `fold` is neither None, 0 nor 1.
        NonexistentTimeError: the clocks jump over this local time, whatever `fold` is.
        AmbiguousTimeError: this local time occurs twice and `fold` is None.
        TimeRangeError: outside 1970 to 2200.
    """
    if local.tzinfo is not None:
        raise TimeFormatError(f"{local.isoformat()} has an offset already: give it without.")
    if fold not in (None, 0, 1):
        raise TimeFormatError(f"fold is {fold}: give 0 for the first, 1 for the second occurrence.")
    guesses = sorted({_instant(local.replace(tzinfo=zone, fold=side)) for side in (0, 1)})
    # PEP 495: the two sides of a gap give instants at which the clocks show something else.
    found = [at_us for at_us in guesses if _wall(at_us, zone) == local]
    if not found:
        raise NonexistentTimeError(local, zone, _change_between(guesses[0], guesses[-1], zone))
    if len(found) > 1 and fold is None:
        raise AmbiguousTimeError(local, zone, *found)
    return found[-1 if fold else 0]


def local_time(at_us: int, zone: tzinfo) -> datetime:
    """Give the local time of an instant (microseconds UTC).

    Raises:
        TimeRangeError: outside 1970 to 2200.
    """
    return (_EPOCH + timedelta(microseconds=_in_range(at_us))).astimezone(zone)


def format_instant(at_us: int, zone: tzinfo) -> str:
    """Write an instant (microseconds UTC) as local ISO 8601 with its offset.

    Such as `2025-03-30T09:00:00+01:00`; fractions of a second only where there are any.

    Raises:
        TimeRangeError: outside 1970 to 2200.
    """
    return local_time(at_us, zone).isoformat()


def format_utc(at_us: int) -> str:
    """Write an instant (microseconds UTC) as ISO 8601 in UTC, such as `2025-03-30T08:00:00Z`.

    Raises:
        TimeRangeError: outside 1970 to 2200.
    """
    return f"{_wall(at_us, UTC).isoformat()}Z"


def start_of_day(day: date, zone: tzinfo) -> int:
    """Give the first instant (microseconds UTC) of a local date.

    It is midnight, where midnight exists; the first of two; else the end of the jump over it.

    Raises:
        NonexistentTimeError: the clocks jump over the whole date.
        TimeRangeError: outside 1970 to 2200.
    """
    try:
        return resolve_local(datetime.combine(day, time()), zone, fold=0)
    except NonexistentTimeError as jump:
        if jump.after.date() != day:
            raise
        return jump.at_us


def end_of_day(day: date, zone: tzinfo) -> int:
    """Give the instant (microseconds UTC) at which a local date is over: the next one's start.

    It is exclusive. A validity that ends with a date includes that whole day (ONVIF Credential
    Service, CredentialInfo): June 6 to June 7 is June 6 00:00 to June 8 00:00.

    Raises:
        NonexistentTimeError: the clocks jump over the whole date.
        TimeRangeError: outside 1970 to 2200.
    """
    start_of_day(day, zone)
    try:
        return resolve_local(datetime.combine(day + timedelta(days=1), time()), zone, fold=0)
    except NonexistentTimeError as jump:
        return jump.at_us


def offset_us(at_us: int, zone: tzinfo) -> int:
    """Give how far local time is ahead of UTC at an instant; both in microseconds.

    Raises:
        TimeRangeError: outside 1970 to 2200.
    """
    return (_wall(at_us, zone) - _WALL_EPOCH) // _MICROSECOND - at_us


def offset_changes(zone: tzinfo, from_us: int, until_us: int) -> tuple[int, ...]:
    """Give the instants after `from_us` and before `until_us` at which the offset changes.

    They are looked for a day at a time, so that of two changes within a day one would be missed.
    No zone has had two since 1970: the closest are a week apart, less an hour.

    Raises:
        TimeRangeError: outside 1970 to 2200.
    """
    found: list[int] = []
    low, last = from_us, until_us - 1
    while low < last:
        high = min(low + DAY_US, last)
        if offset_us(low, zone) != offset_us(high, zone):
            found.append(_change_between(low, high, zone))
        low = high
    return tuple(found)


def _change_between(low_us: int, high_us: int, zone: tzinfo) -> int:
    """Give the first instant with another offset than `low_us`, up to `high_us`, by halving."""
    before = offset_us(low_us, zone)
    while high_us - low_us > 1:
        middle_us = (low_us + high_us) // 2
        if offset_us(middle_us, zone) == before:
            low_us = middle_us
        else:
            high_us = middle_us
    return high_us


def _wall(at_us: int, zone: tzinfo) -> datetime:
    return local_time(at_us, zone).replace(tzinfo=None)


def _instant(moment: datetime) -> int:
    return (moment - _EPOCH) // _MICROSECOND


def _in_range(at_us: int) -> int:
    if not 0 <= at_us < _END_US:
        raise TimeRangeError("The time lies outside the years 1970 to 2200: check the year.")
    return at_us


def _shown(text: str) -> str:
    """Quote what was given, briefly: it may be anything."""
    return repr(text[:40])
