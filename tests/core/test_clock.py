"""Instants and local time.

The zones are those of the `tzdata` package, so that an old system database changes no answer.
"""

from __future__ import annotations

import struct
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from passdesk.core.clock import (
    DAY_US,
    MICROSECONDS,
    AmbiguousTimeError,
    LocalTimeError,
    NonexistentTimeError,
    TimeFormatError,
    TimeRangeError,
    UnknownZoneError,
    end_of_day,
    format_instant,
    format_utc,
    local_time,
    offset_changes,
    offset_us,
    parse_instant,
    resolve_local,
    start_of_day,
    zone_named,
)

if TYPE_CHECKING:
    from collections.abc import Callable

HOUR_US = 3600 * MICROSECONDS
END_US = 7_289_654_400 * MICROSECONDS  # 2201-01-01T00:00:00Z
TZDATA = files("tzdata")
ALL_ZONES = (TZDATA / "zones").read_text(encoding="ascii").split()
ZONES = (
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",
    "Africa/Cairo",
    "America/Santiago",
    "Pacific/Apia",
    "Europe/Dublin",
    "Asia/Kathmandu",
    "UTC",
)


@cache
def zone_of(name: str) -> ZoneInfo:
    with (TZDATA / "zoneinfo" / name).open("rb") as rules:
        return ZoneInfo.from_file(rules, key=name)


def utc(text: str) -> int:
    """Microseconds of an ISO 8601 text with offset, by the standard library alone."""
    return (datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(
        microseconds=1,
    )


# Outside checks: IANA tzdata, 'northamerica', 'europe', 'africa', 'australasia', 'southamerica'.


@pytest.mark.parametrize(
    ("name", "local", "jump", "before", "after"),
    [
        ("Europe/London", "2025-03-30T01:30", "2025-03-30T01:00Z", "00:59+00:00", "02:00+01:00"),
        ("America/New_York", "2025-03-09T02:30", "2025-03-09T07:00Z", "01:59-05:00", "03:00-04:00"),
        (
            "Australia/Lord_Howe",
            "2025-10-05T02:15",
            "2025-10-04T15:30Z",
            "01:59+10:30",
            "02:30+11:00",
        ),
        ("Africa/Cairo", "2025-04-25T00:30", "2025-04-24T22:00Z", "23:59+02:00", "01:00+03:00"),
        ("America/Santiago", "2025-09-07T00:30", "2025-09-07T04:00Z", "23:59-04:00", "01:00-03:00"),
        ("Pacific/Apia", "2011-12-30T12:00", "2011-12-30T10:00Z", "23:59-10:00", "00:00+14:00"),
        ("Europe/Dublin", "2025-03-30T01:30", "2025-03-30T01:00Z", "00:59+00:00", "02:00+01:00"),
    ],
)
def test_a_local_time_that_the_clocks_jump_over_does_not_exist(
    name: str,
    local: str,
    jump: str,
    before: str,
    after: str,
) -> None:
    with pytest.raises(NonexistentTimeError, match="does not exist") as refused:
        parse_instant(local, zone_of(name))
    assert refused.value.at_us == utc(jump)
    assert refused.value.before.isoformat(timespec="minutes").endswith(before)
    assert refused.value.after.isoformat(timespec="minutes").endswith(after)


@pytest.mark.parametrize(
    ("name", "local", "first", "second"),
    [
        ("Europe/London", "2025-10-26T01:30", "2025-10-26T00:30Z", "2025-10-26T01:30Z"),
        ("America/New_York", "2025-11-02T01:30", "2025-11-02T05:30Z", "2025-11-02T06:30Z"),
        ("Australia/Lord_Howe", "2025-04-06T01:45", "2025-04-05T14:45Z", "2025-04-05T15:15Z"),
        ("Europe/Dublin", "2025-10-26T01:30", "2025-10-26T00:30Z", "2025-10-26T01:30Z"),
    ],
)
def test_a_local_time_that_occurs_twice_is_asked_about_unless_the_fold_is_given(
    name: str,
    local: str,
    first: str,
    second: str,
) -> None:
    zone = zone_of(name)
    with pytest.raises(AmbiguousTimeError, match="occurs twice") as asked:
        parse_instant(local, zone)
    assert (asked.value.first_us, asked.value.second_us) == (utc(first), utc(second))
    assert parse_instant(local, zone, fold=0) == utc(first)
    assert parse_instant(local, zone, fold=1) == utc(second)


@pytest.mark.parametrize(
    ("name", "day", "start", "end"),
    [
        ("Europe/London", "2025-03-30", "2025-03-30T00:00Z", "2025-03-30T23:00Z"),
        ("Europe/London", "2025-10-26", "2025-10-25T23:00Z", "2025-10-27T00:00Z"),
        # Midnight is jumped over: the day starts at 01:00.
        ("Africa/Cairo", "2025-04-25", "2025-04-25T01:00+03:00", "2025-04-26T00:00+03:00"),
        ("Africa/Cairo", "2025-04-24", "2025-04-24T00:00+02:00", "2025-04-25T01:00+03:00"),
        ("America/Santiago", "2025-09-07", "2025-09-07T01:00-03:00", "2025-09-08T00:00-03:00"),
        # The day after the last one before the absent day is two dates later.
        ("Pacific/Apia", "2011-12-29", "2011-12-29T10:00Z", "2011-12-30T10:00Z"),
        ("Pacific/Apia", "2011-12-31", "2011-12-30T10:00Z", "2011-12-31T10:00Z"),
        # Midnight occurs twice: the day starts, and the day before ends, at the first.
        ("America/Havana", "2025-11-01", "2025-11-01T00:00-04:00", "2025-11-02T00:00-04:00"),
        ("America/Havana", "2025-11-02", "2025-11-02T00:00-04:00", "2025-11-03T00:00-05:00"),
    ],
)
def test_a_day_lasts_from_its_first_instant_to_the_next_existing_day(
    name: str,
    day: str,
    start: str,
    end: str,
) -> None:
    zone = zone_of(name)
    assert start_of_day(date.fromisoformat(day), zone) == utc(start)
    assert end_of_day(date.fromisoformat(day), zone) == utc(end)


@pytest.mark.parametrize("edge", [start_of_day, end_of_day])
def test_a_day_that_is_absent_has_neither_start_nor_end(
    edge: Callable[[date, ZoneInfo], int],
) -> None:
    with pytest.raises(NonexistentTimeError, match=r"2011-12-29T23:59:00-10:00 before"):
        edge(date(2011, 12, 30), zone_of("Pacific/Apia"))


def test_dublin_counts_its_winter_as_one_hour_back_and_still_reads_right() -> None:
    zone = zone_of("Europe/Dublin")
    assert local_time(utc("2025-01-15T12:00Z"), zone).dst() == timedelta(hours=-1)
    assert parse_instant("2025-01-15T12:00", zone) == utc("2025-01-15T12:00Z")
    assert parse_instant("2025-07-15T12:00", zone) == utc("2025-07-15T11:00Z")


def test_london_between_two_local_times_has_three_and_a_half_hours_when_clocks_go_back() -> None:
    zone = zone_of("Europe/London")
    lasted = parse_instant("2025-10-26T03:00", zone) - parse_instant("2025-10-26T00:30", zone)
    assert lasted == 7 * HOUR_US // 2


def test_a_validity_that_ends_with_a_date_includes_that_day() -> None:
    # ONVIF Credential Service 19.12, CredentialInfo: 'the validity June 6 to June 7 is the same
    # as June 6 00:00 to June 8 00:00 (note that the end time is exclusive)'.
    zone = zone_of("Asia/Kathmandu")
    assert start_of_day(date(2025, 6, 6), zone) == utc("2025-06-06T00:00+05:45")
    assert end_of_day(date(2025, 6, 7), zone) == utc("2025-06-08T00:00+05:45")


# Outside check: the transition times that the TZif files themselves list (RFC 9636 section 3).


def listed_changes(name: str) -> list[tuple[int, int]]:
    """Offset changes since 1970 in a zone's file: instant and difference, in seconds."""
    data = (TZDATA / "zoneinfo" / name).read_bytes()
    isut, isstd, leap, times, types, chars = struct.unpack(">6L", data[20:44])
    second = 44 + times * 5 + types * 6 + chars + leap * 8 + isstd + isut  # the 64-bit block
    (times,) = struct.unpack(">L", data[second + 32 : second + 36])
    body = second + 44
    instants = struct.unpack(f">{times}q", data[body : body + 8 * times])
    kinds = data[body + 8 * times : body + 9 * times]
    table = body + 9 * times
    offsets = [struct.unpack(">l", data[table + 6 * k : table + 6 * k + 4])[0] for k in (0, *kinds)]
    steps = [after - before for before, after in pairwise(offsets)]
    return [(at, step) for at, step in zip(instants, steps, strict=True) if step and at >= 0]


def test_no_zone_has_two_changes_within_a_day() -> None:
    changes = [listed_changes(name) for name in ALL_ZONES]
    assert min(b[0] - a[0] for found in changes for a, b in pairwise(found)) > 86_400


@pytest.mark.parametrize("name", [*ZONES, "Asia/Gaza", "Africa/Casablanca", "America/St_Johns"])
def test_offset_changes_are_those_that_the_file_lists(name: str) -> None:
    listed = [at * MICROSECONDS for at, _ in listed_changes(name)]
    last = listed[-1] + 1 if listed else DAY_US
    assert list(offset_changes(zone_of(name), 0, last)) == listed


def test_offset_changes_lie_inside_the_range() -> None:
    zone, change = zone_of("Europe/London"), utc("2025-03-30T01:00Z")
    assert offset_changes(zone, change - 1, change + 1) == (change,)
    assert offset_changes(zone, change - 1 - DAY_US, change + 1) == (change,)
    assert offset_changes(zone, change - 1, change) == ()
    assert offset_changes(zone, change, change + DAY_US) == ()


# Text.


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("2025-06-11T09:00", "2025-06-11T08:00Z"),
        ("2025-06-11 09:00:30", "2025-06-11T08:00:30Z"),
        ("2025-06-11t09:00:30.25", "2025-06-11T08:00:30.25Z"),
        ("  2025-06-11T09:00\n", "2025-06-11T08:00Z"),
        # RFC 3339 section 5.8, examples.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1996-12-20t00:39:57z", "1996-12-20T00:39:57Z"),
        # With an offset, the zone has no say: neither gap nor fold.
        ("2025-03-30T01:30+00:00", "2025-03-30T01:30Z"),
        ("2025-10-26T01:30+01:00", "2025-10-26T00:30Z"),
        ("1971-06-01T00:00-00:44:30", "1971-06-01T00:44:30Z"),
        ("1970-01-01T00:00Z", "1970-01-01T00:00Z"),
        ("2200-12-31T23:59:59.999999Z", "2200-12-31T23:59:59.999999Z"),
    ],
)
def test_a_date_and_time_is_read(text: str, same_as: str) -> None:
    assert parse_instant(text, zone_of("Europe/London")) == utc(same_as)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "tomorrow",
        "11.06.2025 09:00",
        "2025-6-11T09:00",
        "20250611T0900",
        "2025-W24-3T09:00",
        "2025-06-11T9:00",
        "2025-06-11T24:00",
        "2025-06-11T09:60",
        "2025-06-11T09:00:60",
        "2025-02-29T09:00",
        "0000-06-11T09:00",
        "2025-06-11T09:00+25:00",
        "2025-06-11T09:00[Europe/London]",
        "2025-06-11T09:00:00.1234567",
        "２０２５-06-11T09:00",  # noqa: RUF001 # wide digits are the point
        "2025-06-11T09:00\x00",
    ],
)
def test_what_is_no_date_and_time_is_refused(text: str) -> None:
    with pytest.raises(TimeFormatError, match="is no date and time"):
        parse_instant(text, zone_of("UTC"))


def test_a_date_without_a_time_is_refused_with_the_way_out() -> None:
    with pytest.raises(TimeFormatError, match="without a time: write 2025-06-11T09:00"):
        parse_instant("2025-06-11", zone_of("UTC"))


def test_a_refusal_quotes_a_long_text_briefly() -> None:
    with pytest.raises(TimeFormatError) as refused:
        parse_instant("x" * 100_000, zone_of("UTC"))
    assert len(str(refused.value)) < 120


@pytest.mark.parametrize(
    "text",
    ["1969-12-31T23:59:59Z", "2201-01-01T00:00Z", "0001-01-01T00:00", "9999-12-31T23:59"],
)
def test_years_outside_1970_to_2200_are_refused(text: str) -> None:
    with pytest.raises(TimeRangeError, match="1970 to 2200"):
        parse_instant(text, zone_of("Asia/Kathmandu"))


@pytest.mark.parametrize("at_us", [-1, END_US, 2**64, -(10**30)])
def test_an_instant_outside_1970_to_2200_has_no_local_time(at_us: int) -> None:
    with pytest.raises(TimeRangeError):
        local_time(at_us, zone_of("UTC"))
    with pytest.raises(TimeRangeError):
        format_utc(at_us)


def test_both_messages_name_what_to_write_instead() -> None:
    zone = zone_of("Europe/London")
    with pytest.raises(LocalTimeError) as jumped:
        parse_instant("2025-03-30T01:30", zone)
    assert str(jumped.value) == (
        "2025-03-30T01:30:00 does not exist in Europe/London: the clocks jump over it. "
        "The nearest times are 2025-03-30T00:59:00+00:00 before and 2025-03-30T02:00:00+01:00 "
        "after the jump."
    )
    with pytest.raises(LocalTimeError) as twice:
        parse_instant("2025-10-26T01:30", zone)
    assert str(twice.value) == (
        "2025-10-26T01:30:00 occurs twice in Europe/London: 2025-10-26T01:30:00+01:00 and "
        "2025-10-26T01:30:00+00:00. Say which: give the offset, or fold 0 for the first and 1 for "
        "the second."
    )


@pytest.mark.parametrize("fold", [-1, 2])
def test_another_fold_than_0_or_1_is_refused(fold: int) -> None:
    with pytest.raises(TimeFormatError, match="give 0 for the first"):
        resolve_local(datetime(2025, 6, 11, 9), zone_of("UTC"), fold=fold)  # noqa: DTZ001 # local


def test_a_local_time_that_has_an_offset_is_refused() -> None:
    with pytest.raises(TimeFormatError, match="has an offset already"):
        resolve_local(datetime(2025, 6, 11, 9, tzinfo=UTC), zone_of("Europe/London"))


def test_the_fold_of_the_datetime_itself_does_not_count() -> None:
    local = datetime(2025, 10, 26, 1, 30, fold=1)  # noqa: DTZ001 # local by purpose
    zone = zone_of("Europe/London")
    with pytest.raises(AmbiguousTimeError):
        resolve_local(local, zone)
    assert resolve_local(local, zone, fold=0) == utc("2025-10-26T00:30Z")


@pytest.mark.parametrize("fold", [None, 0, 1])
def test_a_fold_changes_nothing_where_a_local_time_occurs_once(fold: int | None) -> None:
    zone = zone_of("Europe/London")
    assert parse_instant("2025-06-11T09:00", zone, fold=fold) == utc("2025-06-11T08:00Z")
    with pytest.raises(NonexistentTimeError):
        parse_instant("2025-03-30T01:30", zone, fold=fold)


@pytest.mark.parametrize(
    ("at", "name", "local", "in_utc"),
    [
        (
            "2025-06-11T08:00Z",
            "Europe/London",
            "2025-06-11T09:00:00+01:00",
            "2025-06-11T08:00:00Z",
        ),
        (
            "2025-06-11T08:00:00.000001Z",
            "Asia/Kathmandu",
            "2025-06-11T13:45:00.000001+05:45",
            "2025-06-11T08:00:00.000001Z",
        ),
    ],
)
def test_an_instant_is_written_with_its_offset_or_in_utc(
    at: str,
    name: str,
    local: str,
    in_utc: str,
) -> None:
    assert format_instant(utc(at), zone_of(name)) == local
    assert format_utc(utc(at)) == in_utc


# Zones.


@pytest.mark.parametrize("name", ["Europe/Lisbon", "UTC", "America/Argentina/Ushuaia", "Etc/GMT+5"])
def test_a_zone_is_found_by_its_iana_name(name: str) -> None:
    assert zone_named(name).key == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        "Atlantis/Poseidonis",
        "europe/london",
        "Europe",
        "Europe/",
        "Europe/London\n",
        "Europe/London\x00",
        "Europe/../Europe/London",
        "../zoneinfo/Europe/London",
        "/usr/share/zoneinfo/Europe/London",
        "right/Europe/London",
        "posix/Europe/London",
        "localtime",
        "zone.tab",
        "A" * 5_000,
    ],
)
def test_another_name_is_no_zone_and_the_way_out_is_named(name: str) -> None:
    with pytest.raises(UnknownZoneError, match="such as Europe/Lisbon") as refused:
        zone_named(name)
    assert isinstance(refused.value, LocalTimeError)
    assert len(str(refused.value)) < 120


# Rules.


INSTANTS = st.integers(0, END_US - 1)
CHANGES = {name: offset_changes(zone_of(name), 0, utc("2040-01-01T00:00Z")) for name in ZONES}


@st.composite
def near_changes(draw: st.DrawFn) -> tuple[int, str]:
    """Draw an instant within two days of a change of some zone's offset, often minutes away."""
    name = draw(st.sampled_from([name for name in ZONES if CHANGES[name]]))
    change = draw(st.sampled_from(CHANGES[name]))
    unit = draw(st.sampled_from([1, 60 * MICROSECONDS]))
    span = 2 * DAY_US // unit
    return max(0, change + unit * draw(st.integers(-span, span))), name


ANYWHERE = st.tuples(INSTANTS, st.sampled_from(ALL_ZONES)) | near_changes()


@given(ANYWHERE)
@example((0, "Africa/Monrovia"))
@example((END_US - 1, "Pacific/Kiritimati"))
def test_what_is_written_is_read_back_as_the_same_instant(case: tuple[int, str]) -> None:
    at_us, zone = case[0], zone_of(case[1])
    assert parse_instant(format_instant(at_us, zone), zone) == at_us
    assert parse_instant(format_utc(at_us), zone) == at_us


def instants_of(local: datetime, zone: ZoneInfo) -> list[int]:
    """Every instant that `resolve_local` knows for a local time."""
    try:
        return [resolve_local(local, zone)]
    except NonexistentTimeError:
        return []
    except AmbiguousTimeError as twice:
        return [twice.first_us, twice.second_us]


@given(ANYWHERE)
def test_every_local_time_that_is_shown_resolves_to_its_instant(case: tuple[int, str]) -> None:
    at_us, zone = case[0], zone_of(case[1])
    local = local_time(at_us, zone)
    assert resolve_local(local.replace(tzinfo=None), zone, fold=local.fold) == at_us
    assert at_us in instants_of(local.replace(tzinfo=None), zone)
    assert local.utcoffset() == timedelta(microseconds=offset_us(at_us, zone))


STEPS = [
    (zone_of(name), change, offset_us(change, zone_of(name)) - offset_us(change - 1, zone_of(name)))
    for name in ZONES
    for change in CHANGES[name]
]


@st.composite
def stepped(draw: st.DrawFn, direction: int) -> tuple[datetime, ZoneInfo, int, int]:
    """Draw a local time that a change jumps over (direction 1) or repeats (-1).

    With it: the zone, the instant of the change, and how far the clocks are put on or back.
    """
    zone, change, step = draw(st.sampled_from([case for case in STEPS if case[2] * direction > 0]))
    first = local_time(change, zone).replace(tzinfo=None) - timedelta(microseconds=max(step, 0))
    into = timedelta(microseconds=draw(st.integers(0, abs(step) - 1)))
    return first + into, zone, change, abs(step)


@given(stepped(1))
def test_what_the_clocks_jump_over_names_the_jump(
    case: tuple[datetime, ZoneInfo, int, int],
) -> None:
    local, zone, change, _ = case
    with pytest.raises(NonexistentTimeError) as refused:
        resolve_local(local, zone)
    assert refused.value.at_us == change


@given(stepped(-1))
def test_what_the_clocks_repeat_names_both_instants(
    case: tuple[datetime, ZoneInfo, int, int],
) -> None:
    local, zone, change, step = case
    with pytest.raises(AmbiguousTimeError) as asked:
        resolve_local(local, zone)
    assert asked.value.first_us < change <= asked.value.second_us
    assert asked.value.second_us - asked.value.first_us == step


@given(near_changes(), st.integers(-3 * 96, 3 * 96))
def test_a_local_time_has_as_many_instants_as_a_search_finds(
    case: tuple[int, str],
    quarters: int,
) -> None:
    zone = zone_of(case[1])
    local = local_time(case[0], zone).replace(tzinfo=None, fold=0) + timedelta(
        minutes=15 * quarters
    )
    assume(1990 <= local.year < 2040)  # since when all these zones keep to quarter hours
    # By the standard library alone: every offset there is, tried out.
    tried = (local - timedelta(minutes=15 * ahead) for ahead in range(-48, 61))
    found = [
        at
        for at in (moment.replace(tzinfo=UTC) for moment in tried)
        if at.astimezone(zone).replace(tzinfo=None, fold=0) == local
    ]
    expected = sorted(utc(at.isoformat()) for at in found)
    assert instants_of(local, zone) == expected


@given(near_changes())
def test_days_follow_one_another_without_gap_or_overlap(case: tuple[int, str]) -> None:
    zone = zone_of(case[1])
    assume(case[0] > 3 * DAY_US)
    day = local_time(case[0], zone).date()
    start, end = start_of_day(day, zone), end_of_day(day, zone)
    assert local_time(start, zone).date() == day
    assert local_time(start - 1, zone).date() < day
    assert start_of_day(local_time(end, zone).date(), zone) == end
    assert start <= case[0] < end


@given(st.text() | st.text("0123456789T:+Z .-", max_size=30), st.sampled_from(ZONES))
def test_any_text_is_read_or_refused_by_a_named_error(text: str, name: str) -> None:
    try:
        at_us = parse_instant(text, zone_of(name))
    except LocalTimeError:
        at_us = 0
    assert 0 <= at_us < END_US
