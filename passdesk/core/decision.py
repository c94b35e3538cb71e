"""The decision: whether a presented code opens an entry, and if not, why.

`decide` is the one place where this is settled. Everything it needs comes in as values
(`passdesk.core.values`) and an outcome goes out; it reads no clock, no database and no network.
The service calls it inside the transaction that counts and records, the reader at a door calls it
when the line is down.

The checks run in the order of `passdesk.core.reasons.Reason` and the first that fails is the
answer. What the caller still owes: the count that a grant spends must be taken in the same
transaction, and the outcome must be recorded before it is told to anybody.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import cast

from passdesk.core.code import Proof
from passdesk.core.hours import ProofMode, modes_at, within_daily
from passdesk.core.reasons import Reason
from passdesk.core.values import (
    MAX_LEEWAY_US,
    MAX_WRONG_PINS,
    Direction,
    DoorRules,
    Granted,
    Outcome,
    Passback,
    PinProof,
    PinToCheck,
    Presented,
    Proofs,
    ReaderState,
    Refused,
    Standing,
)


@dataclass
class _Case:
    """One presentation with everything that the checks look at.

    What the hours ask for is worked out when a check first needs it, and kept.
    """

    presented: Presented
    standing: Standing
    door: DoorRules
    reader: ReaderState
    now_us: int
    proofs: Proofs

    @property
    def leeway_us(self) -> int:
        """The clock difference that is tolerated, never more than the most that is allowed."""
        return min(self.reader.leeway_us, MAX_LEEWAY_US)

    @property
    def read_again(self) -> bool:
        """Whether this is the attempt that was granted a moment ago, read once more."""
        last_us = self.standing.last_grant_us
        return last_us is not None and 0 <= self.now_us - last_us < self.door.reread_us

    @cached_property
    def modes(self) -> frozenset[ProofMode]:
        """What the door asks for now, any one of which is enough; none is closed."""
        return modes_at(self.door.schedules, self.now_us, self.door.zone)

    @property
    def free(self) -> bool:
        """Whether neither proofs nor anti-passback nor the count are asked for now."""
        return ProofMode.FREE in self.modes

    @property
    def inside(self) -> bool:
        """Whether the guest is known to be in the area that this door leads to."""
        return self.standing.inside_area == self.door.into_area

    @property
    def beyond(self) -> bool:
        """Whether the guest is known to be where nobody is who stands before this door.

        That is in the area it leads to, and for a door that leads in from outside anywhere inside.
        """
        entering = self.door.counts_entries and self.standing.inside_area is not None
        return self.inside or entering

    @property
    def passback(self) -> Passback:
        """The anti-passback that this guest meets here now."""
        return self.door.passback if self.beyond and not self.free else Passback.OFF

    @property
    def spends(self) -> bool:
        """Whether a grant here takes an entry."""
        return self.door.counts_entries and not self.free

    @property
    def counted(self) -> bool:
        """Whether a grant here takes one of a limited number of entries."""
        return self.spends and self.standing.entry_limit > 0

    @cached_property
    def unproven(self) -> Reason | PinToCheck | None:
        """What is missing to meet one of the rules that apply now, None if one is met.

        Several rules form a union (ONVIF access rules): whoever meets one of them passes. When
        none is met, the least demanding says what is missing.
        """
        proof = self.standing.proof
        if self.free or (ProofMode.PASS in self.modes and not proof):
            return None
        pin, escort = Proof.PIN in proof, Proof.ESCORT_NEEDED in proof
        # Who may accompany others needs nobody where it is the door that asks for company.
        visits = Proof.ESCORT_PASS not in proof
        rules = {
            (
                escort or (visits and mode is ProofMode.PASS_AND_ESCORT),
                pin or mode is ProofMode.PASS_AND_PIN,
            )
            for mode in self.modes
        }
        # Fewest proofs first; of one proof each, the PIN, which takes no second person.
        answers = [
            self._missing(escort=escort, pin=pin)
            for escort, pin in sorted(rules, key=lambda rule: (sum(rule), rule))
        ]
        return None if None in answers else answers[0]

    def _missing(self, *, escort: bool, pin: bool) -> Reason | PinToCheck | None:
        offered = self.proofs.pin
        if pin and offered is not PinProof.RIGHT:
            # A try that is reserved is counted already: its result is told even if it was the last.
            if offered is PinProof.WRONG:
                return Reason.WRONG_PIN
            if self.standing.wrong_pins >= MAX_WRONG_PINS:
                return Reason.PIN_LOCKED
            return Reason.PIN_NEEDED if offered is PinProof.ABSENT else PinToCheck()
        return Reason.ESCORT_NEEDED if escort and not self.proofs.escort else None


def _clock_wrong(case: _Case) -> bool:
    reader = case.reader
    clock_us = case.now_us if reader.clock_us is None else reader.clock_us
    return clock_us < reader.floor_us or abs(clock_us - case.now_us) > case.leeway_us


def _rules_stale(case: _Case) -> bool:
    until_us = case.reader.rules_until_us
    return until_us is not None and case.now_us >= until_us


def _not_trusted(case: _Case) -> bool:
    """Tell whether there is anything against a code, known by name or not, or no claims at all."""
    return case.presented.distrust is not None or case.presented.claims is None


def _too_early(case: _Case) -> bool:
    return case.now_us < case.standing.valid_from_us - case.leeway_us


def _expired(case: _Case) -> bool:
    return case.now_us >= case.standing.valid_until_us + case.leeway_us


def _outside_hours(case: _Case) -> bool:
    daily = case.standing.daily
    if daily is not None and not within_daily(daily, case.now_us, case.door.zone):
        return True
    return not case.modes


def _already_inside(case: _Case) -> bool:
    if case.passback is Passback.TIMED:
        return case.now_us < case.standing.entered_us + case.door.passback_us
    return case.passback is Passback.HARD


def _count_elsewhere(case: _Case) -> bool:
    keeper, reader = case.standing.kept_by, case.reader
    return case.counted and (reader.refuses_counted or keeper not in {None, reader.reader_id})


def _used_up(case: _Case) -> bool:
    return case.counted and case.standing.entries_used >= case.standing.entry_limit


def _area_full(case: _Case) -> bool:
    limit = case.door.occupancy_limit
    return limit is not None and not case.inside and case.door.occupancy >= limit


Check = tuple[Reason, Callable[[_Case], bool]]

# Run at every presentation, a code read again included.
STANDING_CHECKS: tuple[Check, ...] = (
    (Reason.CLOCK_WRONG, _clock_wrong),
    (Reason.RULES_STALE, _rules_stale),
    (Reason.UNREADABLE, lambda case: case.presented.distrust is Reason.UNREADABLE),
    (Reason.UNKNOWN_KEY, lambda case: case.presented.distrust is Reason.UNKNOWN_KEY),
    (Reason.BAD_SIGNATURE, _not_trusted),
    (Reason.UNKNOWN_PASS, lambda case: case.standing is None),
    (Reason.LOCKDOWN, lambda case: case.door.locked_down),
    (Reason.BARRED, lambda case: case.standing.barred),
    (Reason.WITHDRAWN, lambda case: case.standing.withdrawn),
    (Reason.TOO_EARLY, _too_early),
    (Reason.EXPIRED, _expired),
)
# Run before a try at a PIN is taken.
RIGHTS_CHECKS: tuple[Check, ...] = (
    (Reason.REQUIREMENT_MISSING, lambda case: case.standing.missing is not None),
    (Reason.WRONG_DOOR, lambda case: not case.standing.door_groups & case.door.groups),
    (Reason.OUTSIDE_HOURS, _outside_hours),
)
ENTRY_CHECKS: tuple[Check, ...] = (
    (Reason.PIN_LOCKED, lambda case: case.unproven is Reason.PIN_LOCKED),
    (Reason.PIN_NEEDED, lambda case: case.unproven is Reason.PIN_NEEDED),
    (Reason.WRONG_PIN, lambda case: case.unproven is Reason.WRONG_PIN),
    (Reason.ESCORT_NEEDED, lambda case: case.unproven is Reason.ESCORT_NEEDED),
    (Reason.ALREADY_INSIDE, _already_inside),
    (Reason.COUNT_ELSEWHERE, _count_elsewhere),
    (Reason.USED_UP, _used_up),
    (Reason.AREA_FULL, _area_full),
)
CHECKS: tuple[Check, ...] = STANDING_CHECKS + RIGHTS_CHECKS + ENTRY_CHECKS


def _refusal(checks: tuple[Check, ...], case: _Case) -> Refused | None:
    for reason, fails in checks:
        if fails(case):
            return Refused(reason)
    return None


def decide(  # the six things a decision depends on
    presented: Presented,
    standing: Standing | None,
    door: DoorRules,
    reader: ReaderState,
    now_us: int,
    proofs: Proofs,
) -> Outcome:
    """Decide one presentation.

    Args:
        presented: the code as verified by the caller, or why it cannot be trusted.
        standing: how the pass stands; None when the register does not know the code.
        door: what the door asks for.
        reader: which reader asks, and the state of its clock and rules.
        now_us: the moment that is decided for, microseconds UTC.
        proofs: what came with the code.

    Returns:
        Granted, Refused with the first reason that applies, or PinToCheck when all that comes
        before the PIN holds and one was offered that has not been checked. An exit is granted
        before anything is looked at.
    """
    if reader.direction is Direction.EXIT:
        return Granted(leaving=True)
    # Without a standing UNKNOWN_PASS ends the checks before any of them looks at it.
    case = _Case(presented, cast("Standing", standing), door, reader, now_us, proofs)
    refused = _refusal(STANDING_CHECKS, case)
    if refused is None and case.read_again:
        return Granted(again=True)
    refused = refused or _refusal(RIGHTS_CHECKS, case)
    if refused is None and isinstance(case.unproven, PinToCheck):
        return case.unproven
    return (
        refused
        or _refusal(ENTRY_CHECKS, case)
        or Granted(spends=case.spends, passed_back=case.passback is Passback.SOFT)
    )
