"""Opening hours.

The zones are those of the `tzdata` package, so that an old system database changes no answer.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from passdesk.core.clock import DAY_US, MICROSECONDS, TimeRangeError, local_time, parse_instant
from passdesk.core.code import Daily
from passdesk.core.hours import (
    Interval,
    ProofMode,
    Schedule,
    ScheduleError,
    Span,
    by_demand,
    format_weekly,
    modes_at,
    next_opening,
    parse_weekly,
    spans,
    within_daily,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

MINUTE_US = 60 * MICROSECONDS
HOUR_US = 60 * MINUTE_US
CLOSED: frozenset[ProofMode] = frozenset()
OPEN = frozenset({ProofMode.PASS})
NEVER: tuple[tuple[Interval, ...], ...] = ((),) * 7
MONDAY = "2025-06-09"


@cache
def zone_of(name: str) -> ZoneInfo:
    with (files("tzdata") / "zoneinfo" / name).open("rb") as rules:
        return ZoneInfo.from_file(rules, key=name)


LONDON = zone_of("Europe/London")


def at(text: str, zone: ZoneInfo = LONDON) -> int:
    return parse_instant(text, zone)


def weekly(text: str) -> Schedule:
    return Schedule(parse_weekly(text))


def day_hours(text: str) -> tuple[Interval, ...]:
    """Read hours such as `09:00-11:00`, as those of a special day."""
    return parse_weekly(f"mon {text}")[0]


# Outside checks: ONVIF Schedule Service 18.06 and Access Rules Service 19.06.


@pytest.mark.parametrize(
    ("moment", "modes"),
    [
        ("T07:59:59.999999", CLOSED),
        ("T08:00", OPEN),
        ("T16:59:59.999999", OPEN),
        ("T17:00", CLOSED),
    ],
)
def test_a_period_has_its_start_and_not_its_end(moment: str, modes: frozenset[ProofMode]) -> None:
    # Schedule Service, TimePeriod: StartTime <= t < EndTime.
    assert modes_at([weekly("mon 08:00-17:00")], at(f"{MONDAY}{moment}"), LONDON) == modes


@pytest.mark.parametrize(
    ("moment", "modes"),
    [
        ("T08:30", CLOSED),
        ("T09:00", OPEN),
        ("T11:00", CLOSED),
        ("T13:00", OPEN),
        ("T16:30", CLOSED),
    ],
)
def test_a_special_day_replaces_the_weekly_times(moment: str, modes: frozenset[ProofMode]) -> None:
    # Schedule Service, SpecialDaysSchedule, TimeRange: Mondays 8 to 17, but this one 9 to 11 and
    # 13 to 16.
    special = {date.fromisoformat(MONDAY): (*day_hours("09:00-11:00"), *day_hours("13:00-16:00"))}
    schedule = Schedule(parse_weekly("mon 08:00-17:00"), special)
    assert modes_at([schedule], at(f"{MONDAY}{moment}"), LONDON) == modes
    assert modes_at([schedule], at("2025-06-16T08:30"), LONDON) == OPEN


def test_a_special_day_without_times_is_closed() -> None:
    # Schedule Service, SpecialDaysSchedule: the group 'Holidays' holds no time periods.
    schedule = Schedule(parse_weekly("mon-sun 00:00-24:00"), {date.fromisoformat(MONDAY): ()})
    day = spans([schedule], LONDON, at("2025-06-08T00:00"), at("2025-06-11T00:00"))
    assert day == (
        Span(at("2025-06-08T00:00"), at("2025-06-09T00:00"), OPEN),
        Span(at("2025-06-10T00:00"), at("2025-06-11T00:00"), OPEN),
    )


def test_a_half_day_has_its_own_times() -> None:
    # Schedule Service, SpecialDaysSchedule: the group 'Half-days' holds 7 AM to 1 PM.
    schedule = Schedule(NEVER, {date.fromisoformat(MONDAY): day_hours("07:00-13:00")})
    half_day = spans([schedule], LONDON, at("2025-06-08T00:00"), at("2025-06-11T00:00"))
    assert half_day == (Span(at("2025-06-09T07:00"), at("2025-06-09T13:00"), OPEN),)


def test_several_schedules_at_one_door_form_a_union() -> None:
    # Access Rules Service, AccessPolicy: several policies for one access point are a union.
    both = [weekly("mon 08:00-12:00"), weekly("mon 11:00-15:00 pass and escort")]
    assert modes_at(both, at(f"{MONDAY}T08:30"), LONDON) == OPEN
    assert modes_at(both, at(f"{MONDAY}T11:30"), LONDON) == OPEN | {ProofMode.PASS_AND_ESCORT}
    assert modes_at(both, at(f"{MONDAY}T14:30"), LONDON) == {ProofMode.PASS_AND_ESCORT}


def test_a_special_day_of_one_schedule_leaves_the_other_as_it_is() -> None:
    both = [weekly("mon 08:00-12:00"), Schedule(NEVER, {date.fromisoformat(MONDAY): ()})]
    assert modes_at(both, at(f"{MONDAY}T08:30"), LONDON) == OPEN


def test_a_period_may_run_past_midnight() -> None:
    # Schedule Service, Overview: 8 PM on November 25, 2014 to 2 AM on November 26, 2014.
    schedule = Schedule(NEVER, {date(2014, 11, 25): day_hours("20:00-02:00")})
    night = spans([schedule], LONDON, at("2014-11-20T00:00"), at("2014-11-30T00:00"))
    assert night == (Span(at("2014-11-25T20:00"), at("2014-11-26T02:00"), OPEN),)
    assert modes_at([schedule], at("2014-11-26T01:59"), LONDON) == OPEN
    assert modes_at([schedule], at("2014-11-26T02:00"), LONDON) == CLOSED


# Outside checks: IANA tzdata. Hours are wall time, so they last longer or shorter when clocks
# change.


@pytest.mark.parametrize(
    ("name", "hours", "day", "first", "end", "minutes"),
    [
        ("Europe/London", "sun 00:30-03:00", "2025-10-26", "00:30+01:00", "03:00+00:00", 210),
        ("Europe/London", "sun 00:30-03:00", "2025-03-30", "00:30+00:00", "03:00+01:00", 90),
        ("Europe/London", "sun 00:30-03:00", "2025-06-08", "00:30+01:00", "03:00+01:00", 150),
        ("Europe/Dublin", "sun 00:30-03:00", "2025-10-26", "00:30+01:00", "03:00+00:00", 210),
        ("Europe/London", "sat 22:00-02:00", "2025-10-26", "22:00+01:00", "02:00+00:00", 300),
        ("Europe/London", "sun 01:15-04:00", "2025-03-30", "02:00+01:00", "04:00+01:00", 120),
        ("America/New_York", "sun 01:00-03:00", "2025-11-02", "01:00-04:00", "03:00-05:00", 180),
        ("Australia/Lord_Howe", "sun 02:00-03:00", "2025-10-05", "02:30+11:00", "03:00+11:00", 30),
        ("Australia/Lord_Howe", "sun 01:00-02:00", "2025-04-06", "01:00+11:00", "02:00+10:30", 90),
        ("Africa/Cairo", "fri 00:00-02:00", "2025-04-25", "01:00+03:00", "02:00+03:00", 60),
        ("America/Santiago", "sun 00:00-02:00", "2025-09-07", "01:00-03:00", "02:00-03:00", 60),
        ("America/Santiago", "sat 22:00-02:00", "2025-09-07", "22:00-04:00", "02:00-03:00", 180),
        ("Asia/Kathmandu", "sun 09:00-10:00", "2025-06-08", "09:00+05:45", "10:00+05:45", 60),
    ],
)
def test_hours_are_wall_time_also_when_clocks_change(
    name: str,
    hours: str,
    day: str,
    first: str,
    end: str,
    minutes: int,
) -> None:
    zone = zone_of(name)
    noon = parse_instant(f"{day}T12:00", zone)
    (span,) = spans([weekly(hours)], zone, noon - DAY_US, noon)
    assert local_time(span.start_us, zone).isoformat(timespec="minutes").endswith(first)
    assert local_time(span.end_us, zone).isoformat(timespec="minutes").endswith(end)
    assert span.end_us - span.start_us == minutes * MINUTE_US


def test_hours_that_occur_twice_are_two_spans() -> None:
    night = spans(
        [weekly("sun 01:15-01:45")], LONDON, at("2025-10-26T00:00"), at("2025-10-27T00:00")
    )
    assert [(span.start_us, span.end_us) for span in night] == [
        (at("2025-10-26T00:15Z"), at("2025-10-26T00:45Z")),
        (at("2025-10-26T01:15Z"), at("2025-10-26T01:45Z")),
    ]


def test_hours_inside_a_jump_do_not_occur() -> None:
    day = (at("2025-03-30T00:00"), at("2025-03-31T00:00"))
    assert spans([weekly("sun 01:00-02:00")], LONDON, *day) == ()


def test_a_friday_that_is_absent_opens_no_door() -> None:
    zone = zone_of("Pacific/Apia")
    week = (at("2011-12-26T00:00", zone), at("2012-01-02T00:00", zone))
    assert spans([weekly("fri 08:00-17:00")], zone, *week) == ()
    thursday_and_saturday = spans([weekly("thu-sat 08:00-17:00")], zone, *week)
    assert [local_time(span.start_us, zone).day for span in thursday_and_saturday] == [29, 31]


# Promise 9: an empty or missing rule refuses.


@pytest.mark.parametrize(
    "schedules",
    [
        [],
        [Schedule(NEVER)],
        [Schedule(NEVER), Schedule(NEVER)],
        [weekly("mon-sun 00:00-24:00 closed to visitors")],
        [Schedule(parse_weekly("mon-sun 00:00-24:00"), {date.fromisoformat(MONDAY): ()})],
    ],
)
def test_an_empty_rule_is_closed(schedules: list[Schedule]) -> None:
    day = (at(f"{MONDAY}T00:00"), at(f"{MONDAY}T00:00") + DAY_US)
    assert {modes_at(schedules, moment, LONDON) for moment in range(*day, 30 * MINUTE_US)} == {
        CLOSED
    }
    assert spans(schedules, LONDON, *day) == ()
    assert next_opening(schedules, LONDON, day[0], horizon_days=1) is None


def test_closed_to_visitors_has_no_effect_beside_another_mode() -> None:
    both = [weekly("mon 08:00-12:00 closed to visitors"), weekly("mon 11:00-15:00 pass and PIN")]
    assert modes_at(both, at(f"{MONDAY}T11:30"), LONDON) == {ProofMode.PASS_AND_PIN}
    assert modes_at(both, at(f"{MONDAY}T08:30"), LONDON) == CLOSED


# Modes.


def test_the_least_demanding_mode_comes_first() -> None:
    assert by_demand(reversed(ProofMode)) == (
        ProofMode.FREE,
        ProofMode.PASS,
        ProofMode.PASS_AND_PIN,
        ProofMode.PASS_AND_ESCORT,
        ProofMode.CLOSED_TO_VISITORS,
    )


def test_the_words_of_the_modes_are_the_agreed_ones() -> None:
    assert sorted(ProofMode) == [
        "closed to visitors",
        "free",
        "pass",
        "pass and PIN",
        "pass and escort",
    ]


# Bad hours.


@pytest.mark.parametrize(
    ("first", "end", "field"),
    [
        (-1, 60, "first_minute"),
        (1440, 1500, "first_minute"),
        (60, 60, "end_minute"),
        (60, 59, "end_minute"),
        (60, 1501, "end_minute"),
    ],
)
def test_an_interval_out_of_range_names_its_field(first: int, end: int, field: str) -> None:
    with pytest.raises(ScheduleError) as refused:
        Interval(first, end)
    assert refused.value.field == field


@pytest.mark.parametrize(("first", "end"), [(0, 1), (0, 1440), (1439, 1440), (1439, 2879)])
def test_an_interval_may_reach_the_limits(first: int, end: int) -> None:
    assert Interval(first, end).mode is ProofMode.PASS


@pytest.mark.parametrize("days", [0, 6, 8])
def test_a_week_has_seven_days(days: int) -> None:
    with pytest.raises(ScheduleError, match="seven days") as refused:
        Schedule(((),) * days)
    assert refused.value.field == "weekly"


# A pass's daily hours.


@pytest.mark.parametrize(
    ("daily", "moment", "within"),
    [
        (Daily(480, 1020, 0b0000001), "2025-06-09T08:00", True),
        (Daily(480, 1020, 0b0000001), "2025-06-09T07:59:59", False),
        (Daily(480, 1020, 0b0000001), "2025-06-09T16:59:59", True),
        (Daily(480, 1020, 0b0000001), "2025-06-09T17:00", False),
        (Daily(480, 1020, 0b1111110), "2025-06-09T12:00", False),
        (Daily(480, 1020, 0b1000000), "2025-06-15T12:00", True),
        (Daily(0, 1440, 0b0000011), "2025-06-09T00:00", True),
        (Daily(0, 1440, 0b0000011), "2025-06-10T23:59:59.999999", True),
        (Daily(0, 1440, 0b0000011), "2025-06-11T00:00", False),
    ],
)
def test_daily_hours_are_local_and_on_their_weekdays(
    daily: Daily,
    moment: str,
    within: bool,  # noqa: FBT001 # a row of the table above
) -> None:
    assert within_daily(daily, at(moment), LONDON) is within


# Spans and the next opening.


def test_spans_part_where_the_modes_change_and_join_where_they_do_not() -> None:
    hours = (
        "mon 08:00-12:00; mon 12:00-14:00; mon 13:00-15:00 free; mon 22:00-24:00; tue 00:00-01:00"
    )
    day = spans([weekly(hours)], LONDON, at(f"{MONDAY}T00:00"), at("2025-06-11T00:00"))
    assert [
        (local_time(s.start_us, LONDON).hour, local_time(s.end_us, LONDON).hour) for s in day
    ] == [
        (8, 13),
        (13, 14),
        (14, 15),
        (22, 1),
    ]
    assert [s.modes for s in day] == [OPEN, OPEN | {ProofMode.FREE}, {ProofMode.FREE}, OPEN]


def test_spans_are_cut_to_the_range_to_the_microsecond() -> None:
    start, end = at(f"{MONDAY}T09:00:00.000001"), at(f"{MONDAY}T10:00:00.000002")
    assert spans([weekly("mon 08:00-12:00")], LONDON, start, end) == (Span(start, end, OPEN),)


def test_an_edge_just_inside_the_range_is_found() -> None:
    opening, closing = at(f"{MONDAY}T08:00"), at(f"{MONDAY}T12:00")
    hours = [weekly("mon 08:00-12:00")]
    assert spans(hours, LONDON, opening - 1, opening + 1) == (Span(opening, opening + 1, OPEN),)
    assert spans(hours, LONDON, closing - 1, closing + 1) == (Span(closing - 1, closing, OPEN),)


def test_a_range_of_nothing_has_no_spans() -> None:
    noon = at(f"{MONDAY}T12:00")
    always = [weekly("mon-sun 00:00-24:00")]
    assert spans(always, LONDON, noon, noon) == ()
    assert spans(always, LONDON, noon, noon - 1) == ()
    assert spans(always, LONDON, noon, noon + 1) == (Span(noon, noon + 1, OPEN),)


def test_a_range_outside_the_years_is_refused() -> None:
    with pytest.raises(TimeRangeError):
        spans([weekly("mon 08:00-12:00")], LONDON, -1, DAY_US)


@pytest.mark.parametrize(
    ("moment", "opens"),
    [
        ("2025-06-09T07:00", "2025-06-09T08:00"),
        ("2025-06-09T08:00", "2025-06-09T08:00"),
        ("2025-06-09T11:59:59.999999", "2025-06-09T11:59:59.999999"),
        ("2025-06-09T12:00", "2025-06-09T13:00"),
        ("2025-06-13T18:00", "2025-06-16T08:00"),
    ],
)
def test_a_closed_door_says_when_it_opens_next(moment: str, opens: str) -> None:
    hours = [weekly("mon-fri 08:00-12:00; mon-fri 13:00-18:00")]
    assert next_opening(hours, LONDON, at(moment)) == at(opens)


def test_the_next_opening_is_looked_for_up_to_the_horizon() -> None:
    opening = [Schedule(NEVER, {date(2025, 6, 23): day_hours("08:00-09:00")})]
    assert next_opening(opening, LONDON, at("2025-06-09T08:00:00.000001")) == at("2025-06-23T08:00")
    assert next_opening(opening, LONDON, at("2025-06-09T08:00")) is None
    assert next_opening(opening, LONDON, at("2025-06-09T08:00"), horizon_days=15) is not None


# The text form.


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("mon 08:00-12:30", {0: [Interval(480, 750)]}),
        ("sat 09:00-12:00 pass and escort", {5: [Interval(540, 720, ProofMode.PASS_AND_ESCORT)]}),
        ("sun 00:00-24:00 free", {6: [Interval(0, 1440, ProofMode.FREE)]}),
        ("fri 22:00-02:00", {4: [Interval(1320, 1560)]}),
        ("fri 08:00-08:00", {4: [Interval(480, 1920)]}),
        ("tue,thu-fri 8:00-9:00", {day: [Interval(480, 540)] for day in (1, 3, 4)}),
        ("sat-mon 08:00-09:00", {day: [Interval(480, 540)] for day in (5, 6, 0)}),
        (
            "; MON , Tue  08:00 - 09:00\tPass  And Pin ;; ",
            {day: [Interval(480, 540, ProofMode.PASS_AND_PIN)] for day in (0, 1)},
        ),
        (
            "mon 13:00-15:00; mon 08:00-14:00; mon 08:00-14:00",
            {0: [Interval(480, 840), Interval(780, 900)]},
        ),
        ("", {}),
    ],
)
def test_weekly_hours_are_read_from_their_text(text: str, days: dict[int, list[Interval]]) -> None:
    assert parse_weekly(text) == tuple(tuple(days.get(day, ())) for day in range(7))


@pytest.mark.parametrize(
    ("piece", "way_out"),
    [
        ("monday 08:00-12:00", "the days are mon, tue"),
        ("mon-tue-wed 08:00-12:00", "the days are mon, tue"),
        ("mon-fry 08:00-12:00", "the days are mon, tue"),
        ("08:00-12:00", "write days, times and a mode"),
        ("mon", "write days, times and a mode"),
        ("mon- 08:00-12:00", "write days, times and a mode"),
        ("mon 08:00", "write days, times and a mode"),
        ("mon 8-12", "times are hours and minutes"),
        ("mon 08:00-24:01", "times are hours and minutes"),
        ("mon 25:00-26:00", "times are hours and minutes"),
        ("mon 08:60-12:00", "times are hours and minutes"),
        ("mon 24:00-02:00", "24:00 can only be an end"),
        ("mon 08:00-12:00 password", "the mode is one of: free, pass, pass and PIN"),
        ("mon ٠٨:00-12:00", "write days, times and a mode"),
    ],
)
def test_hours_that_cannot_be_read_name_the_piece_and_the_way_out(piece: str, way_out: str) -> None:
    with pytest.raises(ScheduleError) as refused:
        parse_weekly(f"tue 08:00-12:00; {piece}; wed 08:00-12:00")
    assert repr(piece) in str(refused.value)
    assert way_out in str(refused.value)
    assert refused.value.field == "weekly"


def test_a_long_piece_is_quoted_briefly() -> None:
    with pytest.raises(ScheduleError) as refused:
        parse_weekly("mon" + " " * 50_000 + "x")
    assert len(str(refused.value)) < 200


def test_equal_hours_are_written_together() -> None:
    hours = parse_weekly(
        "fri 22:00-02:00; mon-wed,fri 08:00-24:00 pass and PIN; sun 8:00-8:00 free"
    )
    assert format_weekly(hours) == (
        "mon-wed,fri 08:00-24:00 pass and PIN; fri 22:00-02:00 pass; sun 08:00-08:00 free"
    )
    assert format_weekly(NEVER) == ""


def test_hours_are_written_once_and_in_order() -> None:
    morning, noon = Interval(480, 720), Interval(720, 780, ProofMode.FREE)
    week = ((noon, morning, morning), *NEVER[1:])
    assert format_weekly(week) == "mon 08:00-12:00 pass; mon 12:00-13:00 free"


# Rules.

MOMENTS = tuple(
    (zone_of(name), at(moment))
    for name, moment in (
        ("Europe/London", "2025-03-30T01:00Z"),
        ("Europe/London", "2025-10-26T01:00Z"),
        ("America/New_York", "2025-03-09T07:00Z"),
        ("America/New_York", "2025-11-02T06:00Z"),
        ("Australia/Lord_Howe", "2025-10-04T15:30Z"),
        ("Australia/Lord_Howe", "2025-04-05T15:00Z"),
        ("Africa/Cairo", "2025-04-24T22:00Z"),
        ("America/Santiago", "2025-09-07T04:00Z"),
        ("Pacific/Apia", "2011-12-30T10:00Z"),
        ("Europe/Dublin", "2025-10-26T01:00Z"),
        ("Asia/Kathmandu", "2025-06-09T00:00Z"),
        ("UTC", "2025-06-09T00:00Z"),
        ("Africa/Monrovia", "1972-01-07T00:44:30Z"),  # from an offset with seconds
    )
)
INTERVALS = st.builds(
    lambda first, length, mode: Interval(first, first + length, mode),
    st.integers(0, 1439),
    st.integers(1, 1440),
    st.sampled_from(ProofMode),
)
DAILY = st.builds(
    lambda minutes, weekdays: Daily(min(minutes), max(minutes), weekdays),
    st.lists(st.integers(0, 1440), min_size=2, max_size=2, unique=True),
    st.integers(1, 127),
)
DAYS = st.lists(INTERVALS, max_size=2).map(tuple)
WEEKS = st.tuples(*[DAYS] * 7)
# In days, minutes and microseconds from a moment at which clocks may change.
AWAY = st.builds(
    lambda minutes, rest: minutes * MINUTE_US + rest,
    st.integers(-3 * 1440, 3 * 1440),
    st.sampled_from([0, -1, 1, 30 * MICROSECONDS]),
)


@st.composite
def doors(draw: st.DrawFn) -> tuple[ZoneInfo, int, list[Schedule]]:
    """Draw a zone, a moment at which its clocks may change, and a door's schedules about then."""
    zone, moment = draw(st.sampled_from(MOMENTS))
    near = local_time(moment, zone).date()
    dates = st.integers(-3, 3).map(lambda days: near + timedelta(days=days))
    specials = st.dictionaries(dates, DAYS, max_size=3)
    return zone, moment, draw(st.lists(st.builds(Schedule, WEEKS, specials), max_size=3))


def modes_by_search(schedules: Sequence[Schedule], at_us: int, zone: ZoneInfo) -> set[ProofMode]:
    """Answer as `modes_at` should, from dates and times laid out one by one."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)
    wall = moment.astimezone(zone).replace(tzinfo=None)
    found = set()
    for schedule in schedules:
        for back in range(-1, 4):
            day = wall.date() - timedelta(days=back)
            midnight = datetime.combine(day, time())
            hours = schedule.special.get(day, schedule.weekly[day.isoweekday() - 1])
            for interval in hours:
                first = midnight + timedelta(minutes=interval.first_minute)
                end = midnight + timedelta(minutes=interval.end_minute)
                if first <= wall < end:
                    found.add(interval.mode)
    return found - {ProofMode.CLOSED_TO_VISITORS}


@given(doors(), AWAY)
def test_modes_are_those_that_a_plain_search_finds(
    door: tuple[ZoneInfo, int, list[Schedule]],
    away: int,
) -> None:
    zone, moment, schedules = door
    assert modes_at(schedules, moment + away, zone) == modes_by_search(
        schedules,
        moment + away,
        zone,
    )


@given(doors(), AWAY, WEEKS)
def test_a_further_schedule_takes_nothing_away(
    door: tuple[ZoneInfo, int, list[Schedule]],
    away: int,
    week: tuple[tuple[Interval, ...], ...],
) -> None:
    zone, moment, schedules = door
    alone = modes_at(schedules, moment + away, zone)
    assert alone <= modes_at([*schedules, Schedule(week)], moment + away, zone)


@given(doors(), AWAY, AWAY, st.lists(AWAY, max_size=20))
@example((LONDON, at("2025-10-26T01:00Z"), [weekly("sun 00:30-03:00")]), -DAY_US, DAY_US, [0])
def test_spans_say_at_every_instant_what_applies(
    door: tuple[ZoneInfo, int, list[Schedule]],
    start: int,
    end: int,
    samples: list[int],
) -> None:
    zone, moment, schedules = door
    from_us, until_us = sorted((moment + start, moment + end))
    found = spans(schedules, zone, from_us, until_us)
    edges = [edge for span in found for edge in (span.start_us, span.end_us)]
    near = [edge + step for edge in edges for step in (-1, 0)]
    for at_us in (*near, *(moment + sample for sample in samples)):
        if from_us <= at_us < until_us:
            said = [span.modes for span in found if span.start_us <= at_us < span.end_us]
            assert (said or [CLOSED]) == [modes_at(schedules, at_us, zone)]


@given(doors(), AWAY, AWAY)
def test_spans_are_in_order_and_as_long_as_they_can_be(
    door: tuple[ZoneInfo, int, list[Schedule]],
    start: int,
    end: int,
) -> None:
    zone, moment, schedules = door
    from_us, until_us = sorted((moment + start, moment + end))
    found = spans(schedules, zone, from_us, until_us)
    assert all(from_us <= span.start_us < span.end_us <= until_us and span.modes for span in found)
    for before, after in pairwise(found):
        assert before.end_us <= after.start_us
        assert before.end_us < after.start_us or before.modes != after.modes


@given(doors(), AWAY)
def test_before_the_next_opening_the_door_is_closed(
    door: tuple[ZoneInfo, int, list[Schedule]],
    away: int,
) -> None:
    zone, moment, schedules = door
    now = moment + away
    opening = next_opening(schedules, zone, now, horizon_days=2)
    until = now + 2 * DAY_US if opening is None else opening
    assert not any(modes_at(schedules, t, zone) for t in range(now, until, 17 * MINUTE_US))
    assert opening is None or modes_at(schedules, opening, zone)


@given(st.sampled_from(MOMENTS), AWAY, DAILY)
def test_daily_hours_are_hours_of_those_weekdays(
    case: tuple[ZoneInfo, int],
    away: int,
    daily: Daily,
) -> None:
    zone, moment = case
    hours = (Interval(daily.first_minute, daily.end_minute),)
    week = Schedule(tuple(hours if daily.weekdays >> day & 1 else () for day in range(7)))
    expected = bool(modes_at([week], moment + away, zone))
    assert within_daily(daily, moment + away, zone) == expected


@given(WEEKS)
def test_weekly_hours_are_read_back_as_they_were(week: tuple[tuple[Interval, ...], ...]) -> None:
    assert parse_weekly(format_weekly(week)) == tuple(tuple(sorted(set(day))) for day in week)


@given(st.text() | st.text("montuefri-,:;0128 pasndPIN", max_size=40))
def test_any_text_is_read_or_refused_by_the_named_error(text: str) -> None:
    try:
        read = parse_weekly(text)
    except ScheduleError as refused:
        read = NEVER
        field = refused.field
    else:
        field = "weekly"
    assert (len(read), field) == (7, "weekly")
