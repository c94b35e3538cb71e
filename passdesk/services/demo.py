"""Filling a new instance with the invented place and week of `demo_story`.

Every act runs through the services as it would in use, at the moment at which the story has it,
in the order of time. On an instance that was filled like this, a presentation may be decided for
any moment; on others that is a rehearsal.
"""

from __future__ import annotations

import random
import secrets
from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import func, select, update

from passdesk.core import base45, clock, code
from passdesk.core.clock import MICROSECONDS
from passdesk.core.reasons import Reason
from passdesk.services import (
    access,
    barring,
    commissioning,
    finding,
    issuing,
    lockdown,
    withdrawing,
)
from passdesk.services.demo_story import (
    AREAS,
    DOORS,
    GROUPS,
    HOSTS,
    SCHEDULES,
    SITE,
    TODAY,
    VISITS,
    Shown,
    TodayRow,
    Visit,
)
from passdesk.services.errors import CommandError
from passdesk.services.instance import note_fact
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.store.tables import passes, presentations, sites

if TYPE_CHECKING:
    from collections.abc import Iterator

    from passdesk.services.deciding import Answer
    from passdesk.services.instance import Instance
    from passdesk.services.issuing import Issued

MINUTE_US = 60 * MICROSECONDS
DAY_US = 24 * 60 * MINUTE_US
SATURDAY = 5

Event = tuple[int, Callable[[int], object]]
"""When, and what is done then; it gets the moment."""


def load(
    instance: Instance, now_us: int, tell: Callable[[int, int], None] | None = None
) -> dict[str, int]:
    """Fill a new instance; give how many doors, passes and presentations it holds now.

    Args:
        instance: one without a site.
        now_us: the moment around which the week lies.
        tell: gets (done, all) as the work goes on.

    Raises:
        CommandError: the instance has a site already.
    """
    with instance.store.reading() as connection:
        if connection.execute(select(sites.c.id)).first() is not None:
            raise CommandError.at(
                "instance", "holds a place already; use a new folder for the demo"
            )
    telling = _Telling(instance, now_us)
    instance.act("command", telling.opening_us, note_fact, "demo", "yes")
    telling.build_place()
    events = sorted(telling.events(), key=lambda event: event[0])
    for done, (at_us, happen) in enumerate(events, start=1):
        happen(at_us)
        if tell is not None:
            tell(done, len(events))
    with instance.store.reading() as connection:
        shown = connection.execute(select(func.count()).select_from(presentations)).scalar_one()
        return {
            "doors": len(DOORS),
            "passes": finding.count_passes(connection),
            "presentations": shown,
        }


class _Telling:
    """One telling of the story, on one instance."""

    def __init__(self, instance: Instance, now_us: int) -> None:
        self.instance = instance
        self.now_us = now_us
        self.zone = ZoneInfo(SITE[1])
        self.today = clock.local_time(now_us, self.zone).date()
        self.opening_us = clock.start_of_day(_working_day(self.today, -6), self.zone)
        self.presenter = Presenter(instance)
        self.readers: dict[str, int] = {}
        self.issued: dict[str, Issued] = {}
        self.numbers = random.Random(31)  # noqa: S311 # a story, no secret

    def act(self, at_us: int, job: Callable[..., Any], command: object) -> Any:  # noqa: ANN401
        return self.instance.act("command", at_us, job, command)

    def build_place(self) -> None:
        """Set up the site, its areas, doors, groups, schedules and readers."""
        c, at_us = commissioning, self.opening_us
        self.act(at_us, c.add_site, c.AddSite(name=SITE[0], zone=SITE[1]))
        for name, options in AREAS:
            self.act(at_us, c.add_area, c.AddArea.model_validate({"name": name, **options}))
        for name, weekly in SCHEDULES:
            self.act(at_us, c.add_schedule, c.AddSchedule(name=name, weekly=weekly))
        for name in GROUPS:
            self.act(at_us, c.add_group, c.AddGroup(name=name))
        for name, before, into, schedule, group in DOORS:
            door = c.AddDoor(
                name=name, from_area=before, to_area=into, schedules=(schedule,), groups=(group,)
            )
            self.act(at_us, c.add_door, door)
            for word, direction in (("in", "entry"), ("out", "exit")):
                wanted = {"name": f"{name} {word}", "door": name, "direction": direction}
                reader = c.AddReader.model_validate(wanted)
                self.readers[reader.name], *_ = self.act(at_us, access.enrol, reader)

    def events(self) -> Iterator[Event]:
        """Give everything that happens, in any order."""
        yield self.opening_us + MINUTE_US, self._issue_escort
        for visit in VISITS:
            yield from self._visit(visit)
        for row in TODAY:
            yield from self._today(row)

    def _at(self, day: date, time: str) -> int:
        hour, minute, second = map(int, f"{time}:00".split(":")[:3])
        minutes = hour * 60 + minute
        return clock.start_of_day(day, self.zone) + minutes * MINUTE_US + second * MICROSECONDS

    def _visit(self, visit: Visit) -> Iterator[Event]:
        day = _working_day(self.today, visit.day)
        from_us, until_us = (self._at(day, time) for time in visit.times)
        # Made on the day before, or just now for the days to come.
        made_us = min(from_us - DAY_US, self.now_us)

        def issue(at_us: int) -> None:
            self.issued[visit.guest] = self._issue(
                at_us, visit.guest, visit.organisation, visit.host,
                doors=visit.doors,
                valid_from=clock.format_utc(from_us),
                valid_until=clock.format_utc(until_us),
                entries=visit.entries,
                **visit.options,
            )  # fmt: skip

        yield made_us, issue
        for shown in visit.shown:
            yield self._at(day, shown.time), partial(self._show, visit.guest, shown)
        for time, what in visit.then:
            yield self._at(day, time), partial(self._do, visit.guest, what)

    def _today(self, row: TodayRow) -> Iterator[Event]:
        guest, organisation, host, start, end, entries, entered, left = row
        moment = self.now_us - self.now_us % MINUTE_US

        def issue(at_us: int) -> None:
            self.issued[guest] = self._issue(
                at_us, guest, organisation, host,
                doors=("Grounds",),
                valid_from=clock.format_utc(moment + start * MINUTE_US),
                valid_until=clock.format_utc(moment + end * MINUTE_US),
                entries=entries,
            )  # fmt: skip

        yield moment - DAY_US, issue
        steps: tuple[tuple[str, int | None], ...] = (("Lodge in", entered), ("Lodge out", left))
        for reader, minutes in steps:
            if minutes is not None:
                happen = partial(self._show, guest, Shown(reader, ""))
                yield moment + minutes * MINUTE_US, happen

    def _issue(
        self,
        at_us: int,
        guest: str,
        organisation: str | None,
        host: str,
        **fields: Any,  # noqa: ANN401
    ) -> Issued:
        name, email = HOSTS[host]
        command = {
            "guest": guest,
            "guest_email": f"{_mailbox(guest)}@example.com",
            "host": email,
            "host_name": name,
            **fields,
        }
        if organisation is not None:
            command["organisation"] = organisation
        issued: Issued = self.act(at_us, issuing.issue, issuing.IssuePass.model_validate(command))
        return issued

    def _issue_escort(self, at_us: int) -> None:
        """Make the escort pass of a colleague, which holds for the whole week."""
        self.issued["escort"] = self._issue(
            at_us, "Jon Pell", None, "jon",
            doors=("Grounds", "Weir House", "Archive"),
            valid_from=clock.format_utc(at_us),
            valid_until=clock.format_utc(self.now_us + 14 * DAY_US),
            entries=0,
            escort_pass=True,
        )  # fmt: skip

    # --- what happens at a door ---

    def _show(self, guest: str, shown: Shown, at_us: int) -> None:
        issued = self.issued["escort" if shown.what == "escort" else guest]
        pin = issued.pin if shown.pin == "right" else _other_pin(issued.pin, shown.pin)
        clock_us = at_us + shown.clock_minutes * MINUTE_US
        command = PresentCode(
            presentation_id=f"demo-{self.numbers.getrandbits(64):016x}",
            text=self._text(issued, shown.what),
            pin=pin,
            reader_clock=clock.format_utc(clock_us) if shown.clock_minutes else None,
        )
        reader_id, moments = self.readers[shown.reader], Moments(at_us, at_us)
        if shown.what == "alone":
            # The line was down, and the rules that the reader held had ended.
            self.presenter.deliver(
                command, reader_id=reader_id, moments=moments,
                reason=Reason.RULES_STALE, spent=False,
            )  # fmt: skip
            return
        if shown.what == "kept":
            self._keep(issued, self.readers["Weir garden in"], at_us)
        self._present(command, reader_id, moments)

    def _present(self, command: PresentCode, reader_id: int, moments: Moments) -> Answer:
        return self.presenter.present(
            command, reader_id=reader_id, by=f"reader:{reader_id}", moments=moments
        )

    def _keep(self, issued: Issued, reader_id: int, at_us: int) -> None:
        """Let another reader keep a pass's count for five minutes, as a lease does."""

        def work(connection: Any) -> None:  # noqa: ANN401
            connection.execute(
                update(passes)
                .where(passes.c.id == issued.pass_id)
                .values(kept_by=reader_id, kept_until_us=at_us + 5 * MINUTE_US)
            )

        self.instance.writer.run(work, alone=True)

    def _text(self, issued: Issued, what: str) -> str:
        """Give the pass's code, or a text that a reader must refuse."""
        claims = code.parse(issued.text).claims
        if what == "noise":
            return "HTTPS://EXAMPLE.ORG/MENU"
        if what == "foreign":
            return code.mint(claims, Ed25519PrivateKey.generate())
        if what == "altered":
            message = bytearray(base45.decode(issued.text.removeprefix(code.PREFIX)))
            message[-1] ^= 1
            return code.PREFIX + base45.encode(bytes(message))
        if what == "unlisted":
            unlisted = code.Claims(
                secrets.token_bytes(16), claims.valid_from_s, claims.valid_until_s, 1,
                claims.door_groups,
            )  # fmt: skip
            kid = code.parse(issued.text).kid
            return code.mint(unlisted, self.instance.keyring.issuer(kid))
        return issued.text

    def _do(self, guest: str, what: str, at_us: int) -> None:
        reference = {"pass": str(self.issued[guest].pass_id)}
        if what == "withdraw":
            command = {**reference, "because": "The meeting was called off"}
            self.act(at_us, withdrawing.withdraw, withdrawing.WithdrawPass.model_validate(command))
        elif what == "bar":
            command = {**reference, "because": "Took documents on the last visit"}
            self.act(at_us, barring.bar, barring.BarGuest.model_validate(command))
        else:
            change = lockdown.ChangeLockdown(because="Smell of gas in the hall, a false alarm")
            self.act(at_us, lockdown.start if what == "lockdown on" else lockdown.end, change)


def _working_day(today: date, away: int) -> date:
    """Give the working day so many working days from a date; 0 is the date itself."""
    day, step = today, timedelta(days=1 if away > 0 else -1)
    for _ in range(abs(away)):
        day += step
        while day.weekday() >= SATURDAY:
            day += step
    return day


def _other_pin(pin: str | None, wanted: str | None) -> str | None:
    if wanted is None or pin is None:
        return None
    return f"{(int(pin) + 1) % 10**6:06d}"


def _mailbox(name: str) -> str:
    plain = name.lower().translate(str.maketrans("řáåøö ", "raaoo."))
    return "".join(character for character in plain if character.isascii())
