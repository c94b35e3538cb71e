"""The decision: what holds whatever comes together, each test named after the promise."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from passdesk.core.code import Daily, Proof
from passdesk.core.hours import Interval, ProofMode, Schedule
from passdesk.core.reasons import Reason
from passdesk.core.values import (
    MAX_LEEWAY_US,
    Direction,
    Granted,
    Outcome,
    Passback,
    PinProof,
    PinToCheck,
    Presented,
    Refused,
)
from tests.support.attempts import (
    FROM_US,
    GOOD,
    GROUP,
    HALL,
    HOUR_US,
    MINUTE_US,
    NOW_US,
    READER,
    SECOND_US,
    UNTIL_US,
    Attempt,
    always,
)

if TYPE_CHECKING:
    from collections.abc import Callable

STANDING_REASONS = list(Reason)[:11]
MODES = list(ProofMode)
PASSBACKS = list(Passback)


def near(*moments_us: int) -> st.SearchStrategy[int]:
    """Give moments at, just before and just after those given, and the leeway away from them."""
    steps = (0, 1, 60 * SECOND_US, MAX_LEEWAY_US, MAX_LEEWAY_US + 1)
    return st.sampled_from(
        sorted({at + sign * step for at in moments_us for step in steps for sign in (-1, 1)})
    )


GROUPS = st.frozensets(st.sampled_from((GROUP, GROUP + 1)))
SCHEDULES = st.lists(st.sampled_from(MODES), max_size=3).map(lambda modes: always(*modes))
AREAS = st.sampled_from((None, HALL, HALL + 1))
DAILY = st.builds(
    lambda first, length, days: Daily(first, first + length, days),
    st.sampled_from((0, 599, 600, 601)),
    st.sampled_from((1, 2, 600)),
    st.sampled_from((0b111_1111, 0b000_0010, 0b100_0000)),
)
UNTRUSTED = (Reason.UNREADABLE, Reason.UNKNOWN_KEY, Reason.BAD_SIGNATURE)

VARIATIONS: dict[str, st.SearchStrategy[Any]] = {
    "presented": st.sampled_from([Presented(None, reason) for reason in UNTRUSTED]),
    "standing": st.none(),
    "valid_from_us": near(NOW_US, FROM_US),
    "valid_until_us": near(NOW_US, UNTIL_US),
    "door_groups": GROUPS,
    "entry_limit": st.integers(0, 3),
    "entries_used": st.integers(0, 4),
    "proof": st.integers(0, 7).map(Proof),
    "daily": DAILY,
    "barred": st.booleans(),
    "withdrawn": st.booleans(),
    "missing": st.sampled_from((None, "permit")),
    "wrong_pins": st.integers(0, 7),
    "inside_area": AREAS,
    "entered_us": near(NOW_US),
    "kept_by": st.sampled_from((None, READER, READER + 1)),
    "last_grant_us": near(NOW_US) | st.just(NOW_US - 4 * SECOND_US),
    "groups": GROUPS,
    "schedules": SCHEDULES,
    "counts_entries": st.booleans(),
    "locked_down": st.booleans(),
    "passback": st.sampled_from(PASSBACKS),
    "passback_us": st.sampled_from((0, 1, MINUTE_US, HOUR_US)),
    "reread_us": st.sampled_from((0, 1, 5 * SECOND_US)),
    "occupancy_limit": st.sampled_from((None, 0, 1, 2)),
    "occupancy": st.integers(0, 3),
    "clock_us": near(NOW_US),
    "floor_us": near(NOW_US),
    "leeway_us": st.sampled_from((0, 1, 60 * SECOND_US, MAX_LEEWAY_US, HOUR_US)),
    "rules_until_us": near(NOW_US),
    "refuses_counted": st.booleans(),
    "pin": st.sampled_from(PinProof),
    "escort": st.booleans(),
}


# Granted as they stand, each for a reason of its own that can be taken away.
GRANTED = (
    GOOD,
    GOOD.but(entries_used=1),
    GOOD.but(entries_used=2, counts_entries=False),
    GOOD.but(entries_used=2, schedules=always(ProofMode.FREE)),
    GOOD.but(entries_used=2, last_grant_us=NOW_US),
    GOOD.but(clock_us=NOW_US + 60 * SECOND_US),
    GOOD.but(proof=Proof.PIN, pin=PinProof.OFFERED, wrong_pins=4),
    GOOD.but(proof=Proof.PIN, pin=PinProof.RIGHT),
    GOOD.but(proof=Proof.ESCORT_NEEDED, escort=True),
    GOOD.but(proof=Proof.ESCORT_PASS, schedules=always(ProofMode.PASS_AND_ESCORT)),
    GOOD.but(schedules=always(ProofMode.PASS_AND_PIN, ProofMode.PASS_AND_ESCORT), escort=True),
    GOOD.but(inside_area=HALL, passback=Passback.SOFT, passback_us=1, entered_us=NOW_US),
    GOOD.but(inside_area=HALL, passback=Passback.TIMED, passback_us=1, entered_us=NOW_US - 1),
    GOOD.but(occupancy_limit=1),
)


@st.composite
def attempts(draw: st.DrawFn) -> Attempt:
    """Give attempts that differ from one that is granted in up to six of its values."""
    names = draw(st.lists(st.sampled_from(sorted(VARIATIONS)), max_size=6, unique=True))
    changes = {name: draw(VARIATIONS[name]) for name in names}
    return draw(st.sampled_from(GRANTED)).but(**changes)


def known() -> st.SearchStrategy[Attempt]:
    """Give attempts whose pass is in the register."""
    return attempts().filter(lambda attempt: attempt.standing is not None)


def granted(attempt: Attempt, *, right_pin: bool = True) -> bool:
    """Say what comes of an attempt, once its PIN is checked if that is asked for."""
    outcome = attempt.decide()
    if isinstance(outcome, PinToCheck):
        pin = PinProof.RIGHT if right_pin else PinProof.WRONG
        outcome = attempt.but(pin=pin, wrong_pins=attempt.held.wrong_pins + 1).decide()
    return isinstance(outcome, Granted)


# The window


@given(known(), near(FROM_US, UNTIL_US))
def test_no_grant_outside_the_window_and_five_minutes(attempt: Attempt, now_us: int) -> None:
    attempt = attempt.but(now_us=now_us)
    leeway_us = min(attempt.reader.leeway_us, MAX_LEEWAY_US)
    if granted(attempt):
        assert attempt.held.valid_from_us - leeway_us <= now_us
        assert now_us < attempt.held.valid_until_us + leeway_us


@given(known(), st.integers(0, 10**12))
def test_no_leeway_revives_what_was_withdrawn(attempt: Attempt, leeway_us: int) -> None:
    outcome = attempt.but(withdrawn=True, leeway_us=leeway_us).decide()
    assert isinstance(outcome, Refused)
    assert list(Reason).index(outcome.reason) <= list(Reason).index(Reason.WITHDRAWN)


@given(known(), st.integers(0, 10**12), st.integers(1, 3), st.integers(0, 2))
def test_no_leeway_adds_an_entry(attempt: Attempt, leeway_us: int, limit: int, more: int) -> None:
    used_up = attempt.but(leeway_us=leeway_us, entry_limit=limit, entries_used=limit + more)
    outcome = used_up.decide()
    assert not (isinstance(outcome, Granted) and outcome.spends)


# Rights


def _sooner(attempt: Attempt) -> Attempt:
    limit = attempt.door.occupancy_limit
    return attempt.but(occupancy_limit=1 if limit is None else max(0, limit - 1))


def _stricter_passback(attempt: Attempt) -> Attempt:
    order = (Passback.OFF, Passback.SOFT, Passback.TIMED, Passback.HARD)
    return attempt.but(passback=order[min(3, order.index(attempt.door.passback) + 1)])


def _more_demanding_hours(attempt: Attempt) -> Attempt:
    """Have the first schedule ask for more."""
    more = {
        ProofMode.FREE: ProofMode.PASS,
        ProofMode.PASS: ProofMode.PASS_AND_ESCORT,
        ProofMode.PASS_AND_PIN: ProofMode.CLOSED_TO_VISITORS,
        ProofMode.PASS_AND_ESCORT: ProofMode.CLOSED_TO_VISITORS,
        ProofMode.CLOSED_TO_VISITORS: ProofMode.CLOSED_TO_VISITORS,
    }
    modes = [schedule.weekly[0][0].mode for schedule in attempt.door.schedules]
    return attempt.but(schedules=always(*(more[mode] for mode in modes[:1]), *modes[1:]))


def _an_hour_less(attempt: Attempt) -> Attempt:
    """Close the first schedule from 10 to 11, the hour of the attempts."""
    closed = [
        Schedule(
            (
                (
                    Interval(0, 600, schedule.weekly[0][0].mode),
                    Interval(660, 1440, schedule.weekly[0][0].mode),
                ),
            )
            * 7
        )
        for schedule in attempt.door.schedules[:1]
    ]
    return attempt.but(schedules=(*closed, *attempt.door.schedules[1:]))


LOSSES: dict[str, Callable[[Attempt], Attempt]] = {
    "the trust": lambda a: a.but(presented=Presented(None, Reason.UNREADABLE)),
    "the pass": lambda a: a.but(standing=None),
    "a door group of the pass": lambda a: a.but(door_groups=a.held.door_groups - {GROUP}),
    "a door group of the door": lambda a: a.but(groups=a.door.groups - {GROUP}),
    "a schedule": lambda a: a.but(schedules=a.door.schedules[1:]),
    "an hour of the door": _an_hour_less,
    "an hour of the pass": lambda a: a.but(daily=Daily(600, 601, 0b000_0001)),
    "an easier hour": _more_demanding_hours,
    "an earlier start": lambda a: a.but(valid_from_us=a.held.valid_from_us + 2 * HOUR_US),
    "a later end": lambda a: a.but(valid_until_us=a.held.valid_until_us - 2 * HOUR_US),
    "an entry of the limit": lambda a: a.but(entry_limit=max(1, a.held.entry_limit - 1)),
    "an entry used": lambda a: a.but(entries_used=a.held.entries_used + 1),
    "a door that does not count": lambda a: a.but(counts_entries=True),
    "a PIN not asked for": lambda a: a.but(proof=a.held.proof | Proof.PIN),
    "an escort not asked for": lambda a: a.but(proof=a.held.proof | Proof.ESCORT_NEEDED),
    "the right to accompany": lambda a: a.but(proof=a.held.proof & ~Proof.ESCORT_PASS),
    "a try at the PIN": lambda a: a.but(wrong_pins=a.held.wrong_pins + 1),
    "the PIN": lambda a: a.but(pin=PinProof.ABSENT),
    "the right PIN": lambda a: a.but(pin=PinProof.WRONG),
    "the escort": lambda a: a.but(escort=False),
    "not being barred": lambda a: a.but(barred=True),
    "not being withdrawn": lambda a: a.but(withdrawn=True),
    "a requirement": lambda a: a.but(missing="approval"),
    "the count": lambda a: a.but(kept_by=READER + 1),
    "the count offline": lambda a: a.but(refuses_counted=True),
    "the peace": lambda a: a.but(locked_down=True),
    "an easier anti-passback": _stricter_passback,
    "a shorter anti-passback": lambda a: a.but(passback_us=a.door.passback_us + HOUR_US),
    "room": lambda a: a.but(occupancy=a.door.occupancy + 1),
    "a place": _sooner,
    "leeway": lambda a: a.but(leeway_us=a.reader.leeway_us // 2),
    "an older signed time": lambda a: a.but(floor_us=max(NOW_US, a.reader.floor_us) + 1),
    "lasting rules": lambda a: a.but(rules_until_us=NOW_US),
    "the memory of a grant": lambda a: a.but(last_grant_us=None),
    "re-read time": lambda a: a.but(reread_us=0),
}


@pytest.mark.parametrize("loss", LOSSES)
def test_every_right_here_can_make_the_difference(loss: str) -> None:
    # So that the promise below is not kept by losing what nobody asks for.
    assert all(granted(attempt) for attempt in GRANTED)
    assert not all(granted(LOSSES[loss](attempt)) for attempt in GRANTED)


@settings(max_examples=600)
@given(attempt=known(), loss=st.sampled_from(sorted(LOSSES)), right_pin=st.booleans())
def test_losing_a_right_never_turns_a_refusal_into_a_grant(
    attempt: Attempt, loss: str, *, right_pin: bool
) -> None:
    poorer = LOSSES[loss](attempt)
    assert granted(attempt, right_pin=right_pin) or not granted(poorer, right_pin=right_pin)


@pytest.mark.parametrize(
    "empty",
    [
        {"door_groups": frozenset()},
        {"groups": frozenset()},
        {"schedules": ()},
        {"schedules": (Schedule(((),) * 7),)},
    ],
    ids=["pass without door groups", "door in no group", "no schedules", "no hours"],
)
@given(attempt=attempts())
@settings(max_examples=30)
def test_an_empty_rule_refuses(attempt: Attempt, empty: dict[str, Any]) -> None:
    assert not granted(attempt.but(**empty, last_grant_us=None))


# Leaving


@given(attempts(), st.integers(-(2**63), 2**63))
@example(GOOD.but(standing=None, clock_us=0), -1)
@example(GOOD.but(locked_down=True, barred=True), NOW_US)
@example(GOOD.but(presented=Presented(None, Reason.UNREADABLE), standing=None), NOW_US)
def test_an_exit_is_never_refused(attempt: Attempt, now_us: int) -> None:
    leaving = attempt.but(direction=Direction.EXIT, now_us=now_us)
    assert leaving.decide() == Granted(leaving=True)


# Memory


@given(known(), st.integers(0, 5 * SECOND_US - 1))
def test_a_reading_again_is_granted_when_the_first_eleven_checks_hold_and_else_refused(
    attempt: Attempt, since_us: int
) -> None:
    afresh = attempt.but(last_grant_us=None).decide()
    again = attempt.but(last_grant_us=NOW_US - since_us, reread_us=5 * SECOND_US).decide()
    if isinstance(afresh, Refused) and afresh.reason in STANDING_REASONS:
        assert again == afresh
    else:
        assert again == Granted(again=True)


@given(known())
def test_nothing_is_granted_again_that_was_not_granted_before(attempt: Attempt) -> None:
    outcome = attempt.but(last_grant_us=None).decide()
    assert not (isinstance(outcome, Granted) and outcome.again)


@given(attempts(), st.lists(attempts(), max_size=3))
def test_a_decision_depends_on_its_arguments_alone_and_changes_none(
    attempt: Attempt, between: list[Attempt]
) -> None:
    before = deepcopy(attempt)
    outcome = attempt.decide()
    for other in between:
        other.decide()
    assert attempt.decide() == outcome
    assert attempt == before


# The count, over many presentations


@dataclass
class Keeper:
    """Does what a caller owes: takes the entry, and notes who is where and what was granted."""

    attempt: Attempt
    granted_us: dict[int, int] = field(default_factory=dict)

    def present(self, now_us: int, reader: int, **changes: Any) -> Outcome:  # noqa: ANN401 # fields of five classes
        """Present the code at a reader; even numbers are entries, odd ones the exits beside."""
        direction = Direction.EXIT if reader % 2 else Direction.ENTRY
        outcome = self.attempt.but(
            now_us=now_us,
            reader_id=reader,
            direction=direction,
            last_grant_us=self.granted_us.get(reader),
            **changes,
        ).decide()
        if isinstance(outcome, Granted) and not outcome.again:
            self.attempt = self.attempt.but(
                entries_used=self.attempt.held.entries_used + outcome.spends,
                inside_area=None if outcome.leaving else HALL,
                entered_us=now_us,
            )
            if not outcome.leaving:
                self.granted_us[reader] = now_us
        return outcome


GAPS_US = st.sampled_from((0, 1, SECOND_US, 5 * SECOND_US - 1, 5 * SECOND_US, MINUTE_US))
WALK = st.lists(st.tuples(GAPS_US, st.sampled_from((2, 3, 4))), max_size=30)


def moments(walk: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Turn gaps into moments."""
    now_us, out = NOW_US, []
    for gap_us, reader in walk:
        now_us += gap_us
        out.append((now_us, reader))
    return out


@given(WALK, st.integers(1, 4), st.sampled_from(PASSBACKS))
def test_never_more_grants_than_entries(
    walk: list[tuple[int, int]], limit: int, passback: Passback
) -> None:
    keeper = Keeper(GOOD.but(entry_limit=limit, passback=passback, passback_us=MINUTE_US))
    outcomes = [keeper.present(now_us, reader) for now_us, reader in moments(walk)]
    entries = [
        outcome
        for outcome in outcomes
        if isinstance(outcome, Granted) and not outcome.leaving and not outcome.again
    ]
    assert all(entry.spends for entry in entries)
    assert len(entries) == keeper.attempt.held.entries_used <= limit


@given(WALK, st.integers(1, 4))
def test_exactly_the_entries_of_a_pass_are_granted_and_reading_again_costs_none(
    walk: list[tuple[int, int]], limit: int
) -> None:
    keeper = Keeper(GOOD.but(entry_limit=limit))
    left, granted_us = limit, {2: NOW_US - HOUR_US, 4: NOW_US - HOUR_US}
    for now_us, reader in moments(walk):
        outcome = keeper.present(now_us, reader)
        if reader not in granted_us:
            assert outcome == Granted(leaving=True)
        elif now_us - granted_us[reader] < 5 * SECOND_US:
            assert outcome == Granted(again=True)
        elif left:
            assert outcome == Granted(spends=True)
            left, granted_us[reader] = left - 1, now_us
        else:
            assert outcome == Refused(Reason.USED_UP)


@given(WALK)
def test_hard_anti_passback_lets_nobody_in_twice_without_leaving(
    walk: list[tuple[int, int]],
) -> None:
    keeper = Keeper(GOOD.but(entry_limit=0, passback=Passback.HARD))
    passed = [
        outcome
        for now_us, reader in moments(walk)
        if isinstance(outcome := keeper.present(now_us, reader), Granted) and not outcome.again
    ]
    assert all(first.leaving or second.leaving for first, second in pairwise(passed))


@given(WALK, st.sets(st.integers(0, 29)), st.sampled_from(("barred", "withdrawn", "locked_down")))
def test_a_refusal_leaves_nothing_behind(
    walk: list[tuple[int, int]], spoiled: set[int], fault: str
) -> None:
    interrupted, undisturbed = Keeper(GOOD), Keeper(GOOD)
    for place, (now_us, reader) in enumerate(moments(walk)):
        if place in spoiled and reader % 2 == 0:
            assert isinstance(interrupted.present(now_us, reader, **{fault: True}), Refused)
        else:
            assert interrupted.present(now_us, reader) == undisturbed.present(now_us, reader)


@given(WALK)
def test_entries_while_a_door_is_free_cost_none(walk: list[tuple[int, int]]) -> None:
    keeper = Keeper(GOOD.but(entry_limit=1, schedules=always(ProofMode.FREE)))
    outcomes = [keeper.present(now_us, reader) for now_us, reader in moments(walk)]
    assert all(isinstance(outcome, Granted) for outcome in outcomes)
    assert keeper.attempt.held.entries_used == 0
