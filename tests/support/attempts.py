"""One presentation that is granted as it stands, with short ways to change it.

The moment is Tuesday 10 June 2025, 10:00 in London.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from passdesk.core.clock import MICROSECONDS, parse_instant, zone_named
from passdesk.core.code import Claims, Proof
from passdesk.core.decision import decide
from passdesk.core.hours import Interval, ProofMode, Schedule
from passdesk.core.reasons import Reason
from passdesk.core.values import (
    MAX_LEEWAY_US,
    MAX_WRONG_PINS,
    Direction,
    DoorRules,
    Outcome,
    Passback,
    PinProof,
    Presented,
    Proofs,
    ReaderState,
    Standing,
)

if TYPE_CHECKING:
    from collections.abc import Callable

LONDON = zone_named("Europe/London")
NOW_US = parse_instant("2025-06-10T10:00", LONDON)
SECOND_US = MICROSECONDS
MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US
FROM_US, UNTIL_US = NOW_US - HOUR_US, NOW_US + HOUR_US
GROUP, HALL, READER = 7, 20, 4


def always(*modes: ProofMode) -> tuple[Schedule, ...]:
    """Give a schedule for each mode, in which it holds day and night."""
    return tuple(Schedule(((Interval(0, 1440, mode),),) * 7) for mode in modes)


@dataclass(frozen=True, slots=True)
class Attempt:
    """Everything that one decision depends on."""

    presented: Presented
    standing: Standing | None
    door: DoorRules
    reader: ReaderState
    now_us: int
    proofs: Proofs

    @property
    def held(self) -> Standing:
        """The standing of an attempt whose pass is known."""
        assert self.standing is not None
        return self.standing

    def but(self, **changes: Any) -> Attempt:  # noqa: ANN401 # fields of five classes
        """Give the attempt with other values, named as in `passdesk.core.values`.

        Whole parts can be given too. Where no standing is left, what would change it is dropped.
        """
        whole = {name: changes.pop(name) for name in PARTS if name in changes}
        changed = replace(self, **whole)
        for name, names in PARTS.items():
            own = {field: changes.pop(field) for field in names & changes.keys()}
            part = getattr(changed, name)
            if own and part is not None:
                changed = replace(changed, **{name: replace(part, **own)})
        return replace(changed, **changes)

    def decide(self) -> Outcome:
        """Ask for the decision."""
        return decide(
            self.presented, self.standing, self.door, self.reader, self.now_us, self.proofs
        )


PARTS = {
    name: {field.name for field in fields(kind)}
    for name, kind in (
        ("presented", Presented),
        ("standing", Standing),
        ("door", DoorRules),
        ("reader", ReaderState),
        ("proofs", Proofs),
    )
}

GOOD = Attempt(
    presented=Presented(
        Claims(bytes(16), FROM_US // SECOND_US, UNTIL_US // SECOND_US, 2, (GROUP,))
    ),
    standing=Standing(FROM_US, UNTIL_US, frozenset({GROUP}), entry_limit=2),
    door=DoorRules(frozenset({GROUP}), always(ProofMode.PASS), LONDON, into_area=HALL),
    reader=ReaderState(READER, Direction.ENTRY),
    now_us=NOW_US,
    proofs=Proofs(),
)
"""A pass for two entries, an hour after it began and an hour before it ends, at its door."""


def _distrusted(reason: Reason) -> Callable[[Attempt], Attempt]:
    return lambda attempt: attempt.but(presented=Presented(None, reason))


def _with(**changes: Any) -> Callable[[Attempt], Attempt]:  # noqa: ANN401 # fields of five classes
    return lambda attempt: attempt.but(**changes)


def _asked(proof: Proof, **changes: Any) -> Callable[[Attempt], Attempt]:  # noqa: ANN401 # as above
    return lambda attempt: attempt.but(proof=attempt.held.proof | proof, **changes)


def _locked(attempt: Attempt) -> Attempt:
    pin = PinProof.OFFERED if attempt.proofs.pin is PinProof.WRONG else attempt.proofs.pin
    return _asked(Proof.PIN, wrong_pins=MAX_WRONG_PINS, pin=pin)(attempt)


FAULTS: dict[Reason, Callable[[Attempt], Attempt]] = {
    Reason.CLOCK_WRONG: _with(clock_us=NOW_US - MAX_LEEWAY_US - 1),
    Reason.RULES_STALE: _with(rules_until_us=NOW_US),
    Reason.UNREADABLE: _distrusted(Reason.UNREADABLE),
    Reason.UNKNOWN_KEY: _distrusted(Reason.UNKNOWN_KEY),
    Reason.BAD_SIGNATURE: _distrusted(Reason.BAD_SIGNATURE),
    Reason.UNKNOWN_PASS: _with(standing=None),
    Reason.LOCKDOWN: _with(locked_down=True),
    Reason.BARRED: _with(barred=True),
    Reason.WITHDRAWN: _with(withdrawn=True),
    Reason.TOO_EARLY: _with(valid_from_us=NOW_US + MAX_LEEWAY_US + 1),
    Reason.EXPIRED: _with(valid_until_us=NOW_US - MAX_LEEWAY_US),
    Reason.REQUIREMENT_MISSING: _with(missing="permit"),
    Reason.WRONG_DOOR: _with(groups=frozenset({GROUP + 1})),
    Reason.OUTSIDE_HOURS: _with(schedules=()),
    Reason.PIN_LOCKED: _locked,
    Reason.PIN_NEEDED: _asked(Proof.PIN, pin=PinProof.ABSENT),
    Reason.WRONG_PIN: _asked(Proof.PIN, pin=PinProof.WRONG),
    Reason.ESCORT_NEEDED: _asked(Proof.ESCORT_NEEDED, escort=False),
    Reason.ALREADY_INSIDE: _with(inside_area=HALL, passback=Passback.HARD),
    Reason.COUNT_ELSEWHERE: _with(kept_by=READER + 1),
    Reason.USED_UP: _with(entries_used=2),
    Reason.AREA_FULL: _with(occupancy_limit=9, occupancy=9),
}
"""A way for each reason to plant a fault that gives it."""
