"""The values that a decision is made of, and those that come out of it.

Whoever calls `passdesk.core.decision.decide` fills these in from what it knows: the service from
the register's rows, a reader that decides alone from the code and its bundle. None of them looks
at anything beyond itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import TYPE_CHECKING

from passdesk.core.clock import MICROSECONDS
from passdesk.core.code import NO_PROOF, Proof

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from passdesk.core.code import Claims, Daily
    from passdesk.core.hours import Schedule
    from passdesk.core.reasons import Reason

DEFAULT_LEEWAY_US = 60 * MICROSECONDS
MAX_LEEWAY_US = 300 * MICROSECONDS
MAX_WRONG_PINS = 5
ESCORT_WAIT_US = 30 * MICROSECONDS


class Direction(StrEnum):
    """Which way a reader's door is passed."""

    ENTRY = "entry"
    EXIT = "exit"


class Passback(StrEnum):
    """What happens when somebody who is inside an area enters it again (anti-passback)."""

    OFF = "off"
    SOFT = "soft"
    HARD = "hard"
    TIMED = "timed"


class PinProof(Enum):
    """What is known of the PIN that came with a presentation."""

    ABSENT = "absent"
    OFFERED = "offered"
    RIGHT = "right"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Presented:
    """What a reader got: claims whose signature holds, or why they cannot be trusted.

    Attributes:
        claims: of a code that was verified; None when `distrust` says why not.
        distrust: one of UNREADABLE, UNKNOWN_KEY, BAD_SIGNATURE; None with claims.
    """

    claims: Claims | None
    distrust: Reason | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """How a pass stands now, as far as the one who decides knows.

    Online these are the register's rows, offline the code's claims with the bundle's changes.

    Attributes:
        barred: the guest is on the list of those who may not enter.
        withdrawn: the pass, or this code of it, was ended.
        valid_from_us, valid_until_us: the window, half-open, microseconds UTC.
        missing: the first requirement that is not met (approval, permit ...), or None.
        door_groups: numbers of the groups the pass names; none means no doors.
        proof: what the pass itself asks for.
        daily: daily hours within the window, local wall time, or None.
        wrong_pins: wrong PINs since the last right one.
        inside_area: id of the area the guest is in, None when outside or unknown.
        entered_us: when they came into it.
        kept_by: id of the reader that keeps this pass's count now, or None.
        entry_limit: entries allowed, 0 for no limit.
        entries_used: entries spent so far.
        last_grant_us: when this reader last granted this code with these proofs, or None.
    """

    valid_from_us: int
    valid_until_us: int
    door_groups: frozenset[int]
    entry_limit: int
    entries_used: int = 0
    proof: Proof = NO_PROOF
    daily: Daily | None = None
    barred: bool = False
    withdrawn: bool = False
    missing: str | None = None
    wrong_pins: int = 0
    inside_area: int | None = None
    entered_us: int = 0
    kept_by: int | None = None
    last_grant_us: int | None = None


@dataclass(frozen=True, slots=True)
class DoorRules:
    """What a door asks of visitors.

    Attributes:
        groups: numbers of the door groups it belongs to.
        schedules: when it asks for what; none means closed.
        zone: the site's time zone.
        into_area: id of the area an entry leads to.
        counts_entries: whether an entry here is spent (doors that lead in from outside).
        locked_down: whether its site or area takes nobody in.
        passback: anti-passback of the area it leads to.
        passback_us: for TIMED, how long an entry keeps the next one out.
        reread_us: how long the same code counts as the same attempt, 0 for never.
        occupancy_limit: most guests in the area, None for no limit.
        occupancy: guests in the area now.
    """

    groups: frozenset[int]
    schedules: tuple[Schedule, ...]
    zone: ZoneInfo
    into_area: int
    counts_entries: bool = True
    locked_down: bool = False
    passback: Passback = Passback.OFF
    passback_us: int = 0
    reread_us: int = 5 * MICROSECONDS
    occupancy_limit: int | None = None
    occupancy: int = 0


@dataclass(frozen=True, slots=True)
class ReaderState:
    """The reader that asks, and what is known of its clock and its rules.

    Attributes:
        reader_id: its number.
        direction: ENTRY or EXIT.
        clock_us: its own clock at the presentation, None when it sent none.
        floor_us: the newest signed time it has seen; a clock behind it is wrong.
        leeway_us: clock difference that is tolerated, also at both ends of a window.
        rules_until_us: end of the signed bundle it decides by, None when the service decides.
        refuses_counted: it decides alone and its door refuses counted passes then.
    """

    reader_id: int
    direction: Direction
    clock_us: int | None = None
    floor_us: int = 0
    leeway_us: int = DEFAULT_LEEWAY_US
    rules_until_us: int | None = None
    refuses_counted: bool = False


@dataclass(frozen=True, slots=True)
class Proofs:
    """What came with the code: a PIN, and whether an escort stands at the same reader."""

    pin: PinProof = PinProof.ABSENT
    escort: bool = False


@dataclass(frozen=True, slots=True)
class Granted:
    """The door may be opened.

    Attributes:
        spends: an entry is to be taken from the pass, in the same transaction.
        again: the same attempt read again: nothing is spent, the relay is not worked.
        leaving: an exit: granted whatever was shown.
        passed_back: they were inside already, and the area only takes note of it.
    """

    spends: bool = False
    again: bool = False
    leaving: bool = False
    passed_back: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """The door stays shut, for exactly one reason."""

    reason: Reason


@dataclass(frozen=True, slots=True)
class PinToCheck:
    """Everything before the PIN holds and a PIN was offered: reserve a try, check it, ask again."""


Outcome = Granted | Refused | PinToCheck
