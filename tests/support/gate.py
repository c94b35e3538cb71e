"""The smallest place there is: one door that leads in from outside, always open, and its readers.

Everything here happens at the clock's now, so that a service that runs can be asked too.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from passdesk.core import clock
from passdesk.core.clock import MICROSECONDS
from passdesk.core.values import Direction
from passdesk.services import access, commissioning, issuing
from passdesk.services.commissioning import AddReader
from passdesk.services.issuing import IssuePass

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.acts import Act
    from passdesk.services.instance import Instance

HOUR_US = 3600 * MICROSECONDS
DAY_US = 24 * HOUR_US


def now_us() -> int:
    """Read the clock: microseconds UTC."""
    return time.time_ns() // 1000


@dataclass(frozen=True, slots=True)
class GateReader:
    """An entry reader: its row, and the secret of its token."""

    id: int
    secret: str


@dataclass(frozen=True, slots=True)
class Gate:
    """The door's readers, and passes for it whenever some are wanted."""

    instance: Instance
    readers: tuple[GateReader, ...]

    @classmethod
    def build(cls, instance: Instance, *, readers: int = 1, reread_seconds: float = 5) -> Gate:
        """Set the place up in a fresh instance, with so many readers at its door."""

        def act(job: Callable[..., Any], command: object) -> Any:  # noqa: ANN401 # what the job gives
            return instance.act("command", now_us(), job, command)

        c = commissioning
        act(c.add_site, c.AddSite(name="Mill Lane", zone="Europe/Lisbon"))
        act(c.add_area, c.AddArea(name="outside", outside=True))
        act(c.add_area, c.AddArea(name="hall"))
        act(c.add_schedule, c.AddSchedule(name="always", weekly="mon-sun 00:00-24:00"))
        act(c.add_group, c.AddGroup(name="Visitors"))
        door = c.AddDoor(
            name="Gate", from_area="outside", to_area="hall",
            groups=("Visitors",), schedules=("always",), reread_seconds=reread_seconds,
        )  # fmt: skip
        act(c.add_door, door)
        enrolled = []
        for number in range(1, readers + 1):
            reader = AddReader(name=f"Gate {number}", door="Gate", direction=Direction.ENTRY)
            reader_id, _, secret = act(access.enrol, reader)
            enrolled.append(GateReader(reader_id, secret))
        return cls(instance, tuple(enrolled))

    def codes(self, count: int, *, entries: int = 1) -> list[str]:
        """Make passes in one act, good from an hour ago until tomorrow; give their codes."""
        command = self.pass_command(entries=entries)

        def make(act: Act) -> list[str]:
            return [issuing.issue(act, command).text for _ in range(count)]

        return self.instance.act("command", now_us(), make)

    @staticmethod
    def pass_command(*, entries: int = 1) -> IssuePass:
        """Give the command for such a pass."""
        return IssuePass(
            guest="Ilse Varga",
            host="tomas.brand@example.org",
            doors=("Visitors",),
            valid_from=clock.format_utc(now_us() - HOUR_US),
            valid_until=clock.format_utc(now_us() + DAY_US),
            entries=entries,
        )
