"""A small place to test with, and short ways to act in it.

Two areas inside, four doors, always open but for the courtyard, which keeps hours. The moment is
Tuesday 14 May 2030, 10:00 in Lisbon.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from passdesk.core import clock
from passdesk.core.clock import MICROSECONDS
from passdesk.services import commissioning, issuing, withdrawing
from passdesk.services.issuing import IssuePass
from passdesk.services.presenting import Moments, PresentCode, Presenter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from passdesk.services.deciding import Answer
    from passdesk.services.instance import Instance
    from passdesk.services.issuing import Issued

ZONE = ZoneInfo("Europe/Lisbon")
NOW_US = clock.parse_instant("2030-05-14T10:00", ZONE)
MINUTE_US = 60 * MICROSECONDS
HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US


def at(minutes: float = 0) -> str:
    """Give a moment some minutes after the test's now, in ISO 8601 UTC."""
    return clock.format_utc(NOW_US + round(minutes * MINUTE_US))


@dataclass
class House:
    """An instance with a place in it.

    Doors: `Front` and `Side` lead in from outside, `Lab` from the hall into the laboratory,
    `Yard` from outside into the hall on weekdays from 9 to 17 only. Every door has a reader
    `<door> in`, and all but `Yard` one `<door> out`. Groups: `Visitors` (Front, Side, Yard),
    `Laboratory` (Lab), `Nothing` (no door).
    """

    instance: Instance
    presenter: Presenter
    readers: dict[str, int]
    ids: Iterator[int] = field(default_factory=itertools.count)

    @classmethod
    def build(cls, instance: Instance, **area: Any) -> House:  # noqa: ANN401 # fields of AddArea
        """Set the place up; `area` goes to the hall."""

        def add(job: Callable[..., int], command: object) -> int:
            return instance.act("command", NOW_US, job, command)

        c = commissioning
        add(c.add_site, c.AddSite(name="Mill Lane", zone="Europe/Lisbon"))
        add(c.add_area, c.AddArea(name="outside", outside=True))
        add(c.add_area, c.AddArea(name="hall", **area))
        add(c.add_area, c.AddArea(name="laboratory"))
        add(c.add_schedule, c.AddSchedule(name="always", weekly="mon-sun 00:00-24:00"))
        add(c.add_schedule, c.AddSchedule(name="office", weekly="mon-fri 09:00-17:00"))
        for name in ("Visitors", "Laboratory", "Nothing"):
            add(c.add_group, c.AddGroup(name=name))
        readers = {}
        for door, before, into, group, schedule in (
            ("Front", "outside", "hall", "Visitors", "always"),
            ("Side", "outside", "hall", "Visitors", "always"),
            ("Lab", "hall", "laboratory", "Laboratory", "always"),
            ("Yard", "outside", "hall", "Visitors", "office"),
        ):
            add(
                c.add_door,
                c.AddDoor(
                    name=door, from_area=before, to_area=into,
                    groups=(group,), schedules=(schedule,),
                ),
            )  # fmt: skip
            for direction, word in (("entry", "in"), ("exit", "out")):
                if (door, word) != ("Yard", "out"):
                    name = f"{door} {word}"
                    readers[name] = add(
                        c.add_reader,
                        c.AddReader.model_validate(
                            {"name": name, "door": door, "direction": direction}
                        ),
                    )
        return cls(instance, Presenter(instance), readers)

    def act(self, job: Callable[..., Any], command: object, *, at_us: int = NOW_US) -> Any:  # noqa: ANN401
        """Run a service function as the command line does."""
        return self.instance.act("command", at_us, job, command)

    def issue(self, *, at_us: int = NOW_US, **fields: Any) -> Issued:  # noqa: ANN401 # of IssuePass
        """Make a pass: by default for one entry at the visitors' doors, an hour from now."""
        command = {
            "guest": "Ilse Varga",
            "host": "tomas.brand@example.org",
            "doors": ("Visitors",),
            "valid_from": at(),
            "valid_until": at(60),
            **fields,
        }
        return self.instance.act("command", at_us, issuing.issue, IssuePass.model_validate(command))

    def withdraw(self, issued: Issued, because: str = "Visit called off") -> None:
        """Withdraw a pass."""
        command = {"pass": str(issued.pass_id), "because": because}
        self.act(withdrawing.withdraw, withdrawing.WithdrawPass.model_validate(command))

    def present(  # the fields of a presentation
        self,
        shown: Issued | str,
        reader: str = "Front in",
        *,
        minutes: float = 0,
        pin: str | None = None,
        presentation_id: str | None = None,
        reader_clock: str | None = None,
    ) -> Answer:
        """Show a code at a reader some minutes after the test's now."""
        moment_us = NOW_US + round(minutes * MINUTE_US)
        command = PresentCode(
            presentation_id=presentation_id or f"test-{next(self.ids):08d}",
            text=shown if isinstance(shown, str) else shown.text,
            pin=pin,
            reader_clock=reader_clock,
        )
        reader_id = self.readers[reader]
        return self.presenter.present(
            command, reader_id=reader_id, by=f"reader:{reader_id}",
            moments=Moments(moment_us, moment_us),
        )  # fmt: skip
