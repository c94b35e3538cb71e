"""The decision: each reason, their order, and the rules at a door one by one.

PIN, escort and doors that are free: `test_decision_proofs.py`. What must hold for whatever comes
together: `test_decision_promises.py`.
"""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from passdesk.core.clock import parse_instant, zone_named
from passdesk.core.code import Daily
from passdesk.core.decision import CHECKS, STANDING_CHECKS
from passdesk.core.hours import ProofMode, Schedule, parse_weekly
from passdesk.core.reasons import Reason
from passdesk.core.values import (
    DEFAULT_LEEWAY_US,
    MAX_LEEWAY_US,
    Direction,
    Granted,
    Outcome,
    Passback,
    PinProof,
    Presented,
    Refused,
)
from tests.support.attempts import (
    FAULTS,
    FROM_US,
    GOOD,
    HALL,
    LONDON,
    MINUTE_US,
    NOW_US,
    READER,
    SECOND_US,
    UNTIL_US,
    always,
)

ENTERS = Granted(spends=True)
ENTERS_FREE = Granted()
PASS, FREE = ProofMode.PASS, ProofMode.FREE
BY_PIN, BY_ESCORT = ProofMode.PASS_AND_PIN, ProofMode.PASS_AND_ESCORT
CLOSED = ProofMode.CLOSED_TO_VISITORS
ABSENT, OFFERED, RIGHT, WRONG = PinProof


def no(reason: Reason) -> Outcome:
    return Refused(reason)


# A code is distrusted for one reason only, and a PIN that is absent is not wrong.
EXCLUSIVE = {
    (Reason.UNREADABLE, Reason.UNKNOWN_KEY),
    (Reason.UNKNOWN_KEY, Reason.BAD_SIGNATURE),
    (Reason.PIN_NEEDED, Reason.WRONG_PIN),
}


def test_a_good_pass_at_its_door_is_granted_and_spends_an_entry() -> None:
    assert GOOD.decide() == ENTERS


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_has_a_fault_that_gives_exactly_it(reason: Reason) -> None:
    assert FAULTS[reason](GOOD).decide() == no(reason)


def test_the_checks_run_in_the_order_of_the_reasons() -> None:
    assert [reason for reason, _ in CHECKS] == list(Reason)


def test_the_first_eleven_checks_are_those_that_run_at_every_reading() -> None:
    assert [reason for reason, _ in STANDING_CHECKS] == list(Reason)[:11]


@pytest.mark.parametrize(
    ("earlier", "later"), [pair for pair in pairwise(Reason) if pair not in EXCLUSIVE]
)
def test_of_two_neighbours_the_earlier_is_answered(earlier: Reason, later: Reason) -> None:
    for first, second in ((earlier, later), (later, earlier)):
        assert FAULTS[second](FAULTS[first](GOOD)).decide() == no(earlier)


@given(st.sets(st.sampled_from(Reason), min_size=1))
def test_of_any_faults_the_first_of_the_table_is_answered(faults: set[Reason]) -> None:
    in_order = [reason for reason in Reason if reason in faults]
    attempt = GOOD
    # From the last on: of two that exclude each other the earlier remains.
    for reason in reversed(in_order):
        attempt = FAULTS[reason](attempt)
    assert attempt.decide() == no(in_order[0])


def test_directions_and_anti_passback_are_written_in_the_words_of_the_design() -> None:
    # These stand in databases, bundles and the API.
    assert [*Direction] == ["entry", "exit"]
    assert [*Passback] == ["off", "soft", "hard", "timed"]


@pytest.mark.parametrize(
    "value",
    [GOOD.presented, GOOD.held, GOOD.door, GOOD.reader, GOOD.proofs, ENTERS, no(Reason.BARRED)],
    ids=lambda value: type(value).__name__,
)
def test_what_is_decided_by_and_what_was_decided_cannot_be_changed(value: Any) -> None:  # noqa: ANN401 # seven classes
    first = fields(value)[0].name
    with pytest.raises(FrozenInstanceError):
        setattr(value, first, None)


# Trust


@pytest.mark.parametrize(
    ("presented", "reason"),
    [
        (Presented(None), Reason.BAD_SIGNATURE),
        (Presented(None, Reason.EXPIRED), Reason.BAD_SIGNATURE),
        (Presented(GOOD.presented.claims, Reason.UNREADABLE), Reason.UNREADABLE),
        (Presented(GOOD.presented.claims, Reason.UNKNOWN_KEY), Reason.UNKNOWN_KEY),
        (Presented(GOOD.presented.claims, Reason.BAD_SIGNATURE), Reason.BAD_SIGNATURE),
    ],
)
def test_a_code_is_trusted_only_with_claims_and_nothing_against_it(
    presented: Presented, reason: Reason
) -> None:
    assert GOOD.but(presented=presented).decide() == no(reason)


# The window and the clocks


def test_the_leeway_is_a_minute_and_five_at_most() -> None:
    # Common practice; no source.
    assert GOOD.reader.leeway_us == DEFAULT_LEEWAY_US == 60 * SECOND_US
    assert MAX_LEEWAY_US == 300 * SECOND_US


@pytest.mark.parametrize(
    ("now_us", "outcome"),
    [
        (FROM_US - 1, no(Reason.TOO_EARLY)),
        (FROM_US, ENTERS),
        (UNTIL_US - 1, ENTERS),
        (UNTIL_US, no(Reason.EXPIRED)),
    ],
)
def test_the_window_has_its_start_and_not_its_end(now_us: int, outcome: Outcome) -> None:
    # RFC 7519 sections 4.1.4 and 4.1.5, by way of RFC 8392: not before nbf, and not on or after
    # exp. ONVIF Credential Service: the end of a validity is exclusive.
    assert GOOD.but(now_us=now_us, leeway_us=0).decide() == outcome


@pytest.mark.parametrize(
    ("leeway_us", "counts_as_us"),
    [
        (1, 1),
        (DEFAULT_LEEWAY_US, DEFAULT_LEEWAY_US),
        (MAX_LEEWAY_US, MAX_LEEWAY_US),
        (MAX_LEEWAY_US + 1, MAX_LEEWAY_US),
        (10**12, MAX_LEEWAY_US),
    ],
)
def test_the_leeway_stretches_both_ends_by_five_minutes_at_most(
    leeway_us: int, counts_as_us: int
) -> None:
    attempt = GOOD.but(leeway_us=leeway_us)
    first_us, end_us = FROM_US - counts_as_us, UNTIL_US + counts_as_us
    assert attempt.but(now_us=first_us - 1).decide() == no(Reason.TOO_EARLY)
    assert attempt.but(now_us=first_us).decide() == ENTERS
    assert attempt.but(now_us=end_us - 1).decide() == ENTERS
    assert attempt.but(now_us=end_us).decide() == no(Reason.EXPIRED)


@pytest.mark.parametrize("leeway_us", [0, DEFAULT_LEEWAY_US, MAX_LEEWAY_US])
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_clock_may_differ_by_the_leeway_and_no_more(leeway_us: int, sign: int) -> None:
    attempt = GOOD.but(leeway_us=leeway_us)
    assert attempt.but(clock_us=NOW_US + sign * leeway_us).decide() == ENTERS
    beyond = attempt.but(clock_us=NOW_US + sign * (leeway_us + 1))
    assert beyond.decide() == no(Reason.CLOCK_WRONG)


def test_no_setting_lets_a_clock_differ_by_more_than_five_minutes() -> None:
    attempt = GOOD.but(leeway_us=10**12, clock_us=NOW_US + MAX_LEEWAY_US + 1)
    assert attempt.decide() == no(Reason.CLOCK_WRONG)


@pytest.mark.parametrize("clock_us", [None, NOW_US, NOW_US + 1])
def test_a_clock_is_wrong_behind_the_newest_signed_time_it_has_seen(clock_us: int | None) -> None:
    shown_us = NOW_US if clock_us is None else clock_us
    assert GOOD.but(clock_us=clock_us, floor_us=shown_us).decide() == ENTERS
    behind = GOOD.but(clock_us=clock_us, floor_us=shown_us + 1)
    assert behind.decide() == no(Reason.CLOCK_WRONG)


def test_rules_hold_until_their_end_and_have_no_leeway() -> None:
    assert GOOD.but(rules_until_us=NOW_US + 1).decide() == ENTERS
    assert GOOD.but(rules_until_us=NOW_US).decide() == no(Reason.RULES_STALE)


# Doors and hours


@pytest.mark.parametrize(
    ("of_pass", "of_door", "outcome"),
    [
        ({1, 2}, {2, 3}, ENTERS),
        ({1}, {2}, no(Reason.WRONG_DOOR)),
        ({1}, set(), no(Reason.WRONG_DOOR)),
        (set(), {1}, no(Reason.WRONG_DOOR)),
        (set(), set(), no(Reason.WRONG_DOOR)),
    ],
)
def test_one_door_group_in_common_is_enough_and_none_is_not(
    of_pass: set[int], of_door: set[int], outcome: Outcome
) -> None:
    attempt = GOOD.but(door_groups=frozenset(of_pass), groups=frozenset(of_door))
    assert attempt.decide() == outcome


@pytest.mark.parametrize(
    "schedules",
    [
        (),
        (Schedule(parse_weekly("")),),
        always(CLOSED),
        (Schedule(parse_weekly("mon 09:00-18:00")),),
    ],
    ids=["none", "empty", "closed to visitors", "another day"],
)
def test_a_door_is_closed_unless_a_schedule_opens_it(schedules: tuple[Schedule, ...]) -> None:
    assert GOOD.but(schedules=schedules).decide() == no(Reason.OUTSIDE_HOURS)
    assert GOOD.but(schedules=(*schedules, *always(PASS))).decide() == ENTERS


EVERY_DAY = 0b111_1111
TUESDAY, SUNDAY = 0b000_0010, 0b100_0000


@pytest.mark.parametrize(
    ("daily", "outcome"),
    [
        (Daily(600, 601, EVERY_DAY), ENTERS),
        (Daily(601, 1440, EVERY_DAY), no(Reason.OUTSIDE_HOURS)),
        (Daily(0, 600, EVERY_DAY), no(Reason.OUTSIDE_HOURS)),
        (Daily(0, 1440, TUESDAY), ENTERS),
        (Daily(0, 1440, EVERY_DAY - TUESDAY), no(Reason.OUTSIDE_HOURS)),
    ],
)
def test_daily_hours_have_their_start_and_not_their_end(daily: Daily, outcome: Outcome) -> None:
    assert GOOD.but(daily=daily).decide() == outcome


def test_daily_hours_have_no_leeway_and_open_no_closed_door() -> None:
    to_ten = Daily(540, 600, EVERY_DAY)
    assert GOOD.but(daily=to_ten, leeway_us=MAX_LEEWAY_US).decide() == no(Reason.OUTSIDE_HOURS)
    assert GOOD.but(daily=to_ten, now_us=NOW_US - 1).decide() == ENTERS
    closed = GOOD.but(daily=Daily(0, 1440, EVERY_DAY), schedules=())
    assert closed.decide() == no(Reason.OUTSIDE_HOURS)


# Facts of the IANA database: London 2025-03-30 01:30 does not exist, 2025-10-26 01:30 occurs twice
# and 00:30 to 03:00 lasts 3 h 30 min that day; Lord Howe 2025-04-06 01:45 occurs at 14:45Z and
# 15:15Z of 5 April, and 2025-10-05 02:15 does not exist.
@pytest.mark.parametrize(
    ("zone", "daily", "start", "minutes"),
    [
        ("Europe/London", Daily(30, 180, SUNDAY), "2025-10-25T23:30Z", 210),
        ("Europe/London", Daily(30, 180, SUNDAY), "2025-03-30T00:30Z", 90),
        ("Europe/London", Daily(90, 120, SUNDAY), "2025-10-26T00:30Z", 30),
        ("Europe/London", Daily(90, 120, SUNDAY), "2025-10-26T01:30Z", 30),
        ("Australia/Lord_Howe", Daily(105, 106, SUNDAY), "2025-04-05T14:45Z", 1),
        ("Australia/Lord_Howe", Daily(105, 106, SUNDAY), "2025-04-05T15:15Z", 1),
        ("Australia/Lord_Howe", Daily(110, 160, SUNDAY), "2025-10-04T15:20Z", 20),
    ],
)
def test_daily_hours_follow_the_clock_on_the_wall_when_it_changes(
    zone: str, daily: Daily, start: str, minutes: int
) -> None:
    start_us = parse_instant(start, LONDON)
    end_us = start_us + minutes * MINUTE_US
    attempt = GOOD.but(
        zone=zone_named(zone), daily=daily, valid_from_us=0, valid_until_us=2 * NOW_US
    )
    for now_us in (start_us, (start_us + end_us) // 2, end_us - 1):
        assert attempt.but(now_us=now_us).decide() == ENTERS
    for now_us in (start_us - 1, end_us):
        assert attempt.but(now_us=now_us).decide() == no(Reason.OUTSIDE_HOURS)


def test_daily_hours_that_do_not_exist_on_a_day_are_not_made_up_for() -> None:
    gone = Daily(60, 120, SUNDAY)
    attempt = GOOD.but(daily=gone, valid_from_us=0, valid_until_us=2 * NOW_US)
    midnight_us = parse_instant("2025-03-30T00:00Z", LONDON)
    outcomes = {attempt.but(now_us=midnight_us + m * MINUTE_US).decide() for m in range(240)}
    assert outcomes == {no(Reason.OUTSIDE_HOURS)}


# Anti-passback


@pytest.mark.parametrize(
    ("passback", "outcome"),
    [
        (Passback.OFF, ENTERS),
        (Passback.SOFT, Granted(spends=True, passed_back=True)),
        (Passback.HARD, no(Reason.ALREADY_INSIDE)),
        (Passback.TIMED, no(Reason.ALREADY_INSIDE)),
    ],
)
def test_who_is_inside_already_meets_the_anti_passback_of_the_area(
    passback: Passback, outcome: Outcome
) -> None:
    door = GOOD.but(passback=passback, passback_us=MINUTE_US, entered_us=NOW_US)
    assert door.but(inside_area=HALL).decide() == outcome
    assert door.but(inside_area=None).decide() == ENTERS
    # From outside one cannot come out of an inner area; from another area inside one can.
    assert door.but(inside_area=HALL + 1).decide() == outcome
    within = door.but(counts_entries=False, inside_area=HALL + 1).decide()
    assert within == Granted(spends=False)


def test_timed_anti_passback_ends_to_the_microsecond() -> None:
    timed = GOOD.but(
        inside_area=HALL, passback=Passback.TIMED, passback_us=MINUTE_US, entered_us=NOW_US
    )
    last_us = NOW_US + MINUTE_US - 1
    assert timed.but(now_us=last_us).decide() == no(Reason.ALREADY_INSIDE)
    assert timed.but(now_us=last_us + 1).decide() == ENTERS


def test_soft_anti_passback_takes_no_note_while_the_door_is_free() -> None:
    free = GOOD.but(inside_area=HALL, passback=Passback.SOFT, schedules=always(FREE))
    assert free.decide() == ENTERS_FREE


# The count


@pytest.mark.parametrize(
    ("used", "outcome"),
    [(0, ENTERS), (1, ENTERS), (2, no(Reason.USED_UP)), (3, no(Reason.USED_UP))],
)
def test_a_pass_for_two_entries_is_used_up_after_two(used: int, outcome: Outcome) -> None:
    assert GOOD.but(entries_used=used).decide() == outcome


def test_a_pass_without_a_limit_spends_entries_and_is_never_used_up() -> None:
    assert GOOD.but(entry_limit=0, entries_used=10**9).decide() == ENTERS


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({"kept_by": READER}, ENTERS),
        ({"kept_by": READER + 1}, no(Reason.COUNT_ELSEWHERE)),
        ({"refuses_counted": True}, no(Reason.COUNT_ELSEWHERE)),
        ({"kept_by": READER, "refuses_counted": True}, no(Reason.COUNT_ELSEWHERE)),
    ],
)
def test_a_count_is_kept_in_one_place(changes: dict[str, Any], outcome: Outcome) -> None:
    assert GOOD.but(**changes).decide() == outcome
    assert GOOD.but(**changes, entry_limit=0).decide() == ENTERS
    assert GOOD.but(**changes, counts_entries=False).decide() == ENTERS_FREE


def test_a_door_inside_spends_no_entry_and_asks_for_none() -> None:
    assert GOOD.but(counts_entries=False).decide() == Granted(spends=False)
    assert GOOD.but(counts_entries=False, entries_used=2).decide() == Granted(spends=False)


# A full area


@pytest.mark.parametrize(
    ("limit", "occupancy", "outcome"),
    [
        (None, 10**6, ENTERS),
        (9, 8, ENTERS),
        (9, 9, no(Reason.AREA_FULL)),
        (9, 10, no(Reason.AREA_FULL)),
        (0, 0, no(Reason.AREA_FULL)),
    ],
)
def test_an_area_takes_as_many_as_its_limit(
    limit: int | None, occupancy: int, outcome: Outcome
) -> None:
    assert GOOD.but(occupancy_limit=limit, occupancy=occupancy).decide() == outcome


def test_a_full_area_does_not_keep_out_who_is_in_it_already() -> None:
    full = FAULTS[Reason.AREA_FULL](GOOD)
    assert full.but(inside_area=HALL).decide() == ENTERS
    assert full.but(inside_area=HALL + 1).decide() == no(Reason.AREA_FULL)


# Read again


@pytest.mark.parametrize(
    ("since_us", "outcome"),
    [
        (-1, ENTERS),
        (0, Granted(again=True)),
        (5 * SECOND_US - 1, Granted(again=True)),
        (5 * SECOND_US, ENTERS),
    ],
)
def test_a_code_read_again_within_five_seconds_is_the_same_attempt(
    since_us: int, outcome: Outcome
) -> None:
    assert GOOD.but(last_grant_us=NOW_US - since_us).decide() == outcome


def test_a_reread_time_of_zero_turns_reading_again_off() -> None:
    assert GOOD.but(last_grant_us=NOW_US, reread_us=0).decide() == ENTERS


@pytest.mark.parametrize("reason", list(Reason)[:11])
def test_a_code_read_again_is_refused_when_a_standing_check_fails_now(reason: Reason) -> None:
    assert FAULTS[reason](GOOD.but(last_grant_us=NOW_US)).decide() == no(reason)


@pytest.mark.parametrize("reason", list(Reason)[11:])
def test_a_code_read_again_is_not_asked_for_what_it_was_granted_for(reason: Reason) -> None:
    # Above all, the grant itself has used the entry and brought the guest inside.
    assert FAULTS[reason](GOOD.but(last_grant_us=NOW_US)).decide() == Granted(again=True)


# Leaving


@pytest.mark.parametrize("reason", Reason)
def test_an_exit_is_granted_whatever_speaks_against_the_code(reason: Reason) -> None:
    leaving = FAULTS[reason](GOOD.but(direction=Direction.EXIT))
    assert leaving.decide() == Granted(leaving=True)
