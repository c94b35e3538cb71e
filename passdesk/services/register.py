"""What the rows say of a door and a pass, and how a decision is written, on the way to an answer.

Every statement here is prepared (`passdesk.store.prepared`) and runs on the cursor of a write
transaction, so that nothing read here can change before the decision is written. On PostgreSQL
that needs the pass to be locked by a statement of its own first: a locked row is read anew, the
rows joined to it are not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import bindparam, delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from passdesk.core import clock
from passdesk.core.code import Daily, Proof
from passdesk.core.hours import Interval, ProofMode, Schedule
from passdesk.core.values import Direction, DoorRules, Passback, Standing
from passdesk.services import statements
from passdesk.store.prepared import Prepared
from passdesk.store.tables import (
    accompaniments,
    areas,
    door_group_doors,
    passes,
    pin_tries,
    presentations,
    records,
    signing_keys,
    special_days,
)

if TYPE_CHECKING:
    from sqlalchemy.engine import Dialect
    from sqlalchemy.sql.expression import Executable

Cursor = Any
"""The driver's own cursor: its type differs from database to database."""


@dataclass(frozen=True, slots=True)
class Place:
    """A reader's place: the rules of its door, read at one version of the site.

    Attributes:
        version: of the site's rules.
        rules: of the door; occupancy is filled in when it matters.
    """

    version: int
    reader_id: int
    direction: Direction
    ended: bool
    site_id: int
    from_area: int
    rules: DoorRules


class PassRow(NamedTuple):
    """A code, its pass and all that stands for or against it, in one row."""

    code_id: int
    code_ended_us: int | None
    pass_id: int
    number: str
    valid_from_us: int
    valid_until_us: int
    entry_limit: int
    entries_used: int
    proof: int
    daily_first: int | None
    daily_end: int | None
    daily_weekdays: int | None
    pin_hash: str | None
    wrong_pins: int
    withdrawn_us: int | None
    kept_by: int | None
    kept_until_us: int | None
    kid: bytes
    key_ended_us: int | None
    groups: str | None
    missing: str | None
    barred: bool
    area_id: int | None
    outside: bool | None
    since_us: int | None
    granted_us: int | None
    granted_mac: bytes | None

    @property
    def entries_left(self) -> int | None:
        """Entries that are left, None without a limit."""
        return max(0, self.entry_limit - self.entries_used) if self.entry_limit else None

    def standing(self, payload_mac: bytes, moment_us: int) -> Standing:
        """Give the pass's standing for one presentation."""
        kept = self.kept_until_us is not None and self.kept_until_us > moment_us
        return Standing(
            valid_from_us=self.valid_from_us,
            valid_until_us=self.valid_until_us,
            door_groups=frozenset(map(int, self.groups.split(","))) if self.groups else frozenset(),
            entry_limit=self.entry_limit,
            entries_used=self.entries_used,
            proof=Proof(self.proof),
            daily=None
            if self.daily_first is None or self.daily_end is None or self.daily_weekdays is None
            else Daily(self.daily_first, self.daily_end, self.daily_weekdays),
            barred=bool(self.barred),
            withdrawn=self.withdrawn_us is not None or self.code_ended_us is not None,
            missing=self.missing,
            wrong_pins=self.wrong_pins,
            inside_area=None if self.outside else self.area_id,
            entered_us=self.since_us or 0,
            kept_by=self.kept_by if kept else None,
            last_grant_us=self.granted_us if self.granted_mac == payload_mac else None,
        )


class Seen(NamedTuple):
    """A presentation that is in the register."""

    id: int
    payload_mac: bytes
    moment_us: int
    pass_id: int | None
    number: str | None
    granted: bool
    reason: str | None
    spent: bool
    again: bool
    entries_left: int | None
    hint_us: int | None


class Waiting(NamedTuple):
    """A guest's presentation that an escort may still turn into a grant."""

    id: int
    code_id: bytes
    payload_mac: bytes
    pin_right: bool


class Register:
    """The statements, compiled for one database."""

    def __init__(self, dialect: Dialect) -> None:
        """Compile every statement once."""
        self._locks = dialect.name == "postgresql"
        self._kept: dict[int, Place] = {}

        def prepare(statement: Executable) -> Prepared:
            return Prepared(statement, dialect)

        self._lock_pass = prepare(statements.lock_pass())
        self._lock_area = prepare(
            select(areas.c.id).where(areas.c.id == bindparam("area")).with_for_update()
        )
        self._seen = prepare(statements.seen())
        self._version = prepare(statements.version())
        self._place = prepare(statements.place())
        self._groups = prepare(
            select(door_group_doors.c.group_id).where(
                door_group_doors.c.door_id == bindparam("door")
            )
        )
        self._hours = prepare(statements.weekly_hours())
        self._special_days = prepare(
            select(special_days.c.day).where(special_days.c.site_id == bindparam("site"))
        )
        self._special_hours = prepare(statements.hours_on_special_days())
        self._pass_row = prepare(
            statements.pass_row(func.string_agg if self._locks else func.group_concat)
        )
        self._key = prepare(
            select(signing_keys.c.ended_us).where(signing_keys.c.kid == bindparam("kid"))
        )
        self._occupancy = prepare(
            select(func.count())
            .select_from(passes)
            .where(
                passes.c.area_id == bindparam("area"),
                # Where nothing has confirmed it after the window's end, presence is unknown.
                passes.c.valid_until_us > bindparam("since"),
            )
        )
        self._escort = prepare(statements.escort())
        self._waiting = prepare(statements.waiting())
        self._accompanied = prepare(statements.accompanied())
        self._reserve_pin = prepare(
            update(passes)
            .where(passes.c.id == bindparam("pass_id"))
            .values(wrong_pins=passes.c.wrong_pins + 1)
        )
        self._pin_try = prepare(
            select(pin_tries.c.payload_mac).where(
                pin_tries.c.reader_id == bindparam("reader"),
                pin_tries.c.presentation_id == bindparam("presentation"),
            )
        )
        self._insert_pin_try = prepare(statements.insertion(pin_tries))
        self._delete_pin_try = prepare(
            delete(pin_tries).where(
                pin_tries.c.reader_id == bindparam("reader"),
                pin_tries.c.presentation_id == bindparam("presentation"),
            )
        )
        self._clear_pins = prepare(
            update(passes).where(passes.c.id == bindparam("pass_id")).values(wrong_pins=0)
        )
        self._spend = prepare(statements.spend())
        self._overspend = prepare(statements.overspend())
        self._insert_presentation = prepare(
            statements.insertion(presentations).returning(presentations.c.id)
        )
        self._insert_accompaniment = prepare(statements.insertion(accompaniments))
        self._insert_record = prepare(statements.insertion(records, leave_out=("position",)))
        upsert = postgresql.insert if self._locks else sqlite.insert
        self._set_area = prepare(
            update(passes)
            .where(passes.c.id == bindparam("pass_id"))
            .values(area_id=bindparam("area"), since_us=bindparam("since"))
        )
        self._set_last_grant = prepare(statements.set_last_grant(upsert))

    # --- reading ---

    def place(self, cursor: Cursor, reader_id: int) -> Place | None:
        """Give the rules at a reader, None when there is no such reader.

        They are kept from one transaction to the next and read anew as soon as the version of
        their site has changed, which is looked up here every time.
        """
        row = self._version(cursor, reader=reader_id).fetchone()
        if row is None:
            return None
        kept = self._kept.get(reader_id)
        if kept is None or (kept.site_id, kept.version) != tuple(row):
            kept = self._read_place(cursor, reader_id)
            self._kept[reader_id] = kept
        return kept

    def _read_place(self, cursor: Cursor, reader_id: int) -> Place:
        (
            version, ended_us, direction, door_id, reread_ms, from_area, outside,
            into_area, passback, passback_minutes, occupancy_limit, site_id, zone, lockdowns_on,
        ) = self._place(cursor, reader=reader_id).fetchone()  # fmt: skip
        rules = DoorRules(
            groups=frozenset(row[0] for row in self._groups(cursor, door=door_id).fetchall()),
            schedules=self._schedules(cursor, door_id, site_id),
            zone=clock.zone_named(zone),
            into_area=into_area,
            counts_entries=bool(outside),
            locked_down=lockdowns_on > 0,
            passback=Passback(passback),
            passback_us=passback_minutes * 60 * clock.MICROSECONDS,
            reread_us=reread_ms * 1000,
            occupancy_limit=occupancy_limit,
        )
        return Place(
            version,
            reader_id,
            Direction(direction),
            ended_us is not None,
            site_id,
            from_area,
            rules,
        )

    def _schedules(self, cursor: Cursor, door_id: int, site_id: int) -> tuple[Schedule, ...]:
        weekly: dict[int, list[list[Interval]]] = {}
        for schedule_id, weekday, first, end, mode in self._hours(cursor, door=door_id).fetchall():
            week = weekly.setdefault(schedule_id, [[] for _ in range(7)])
            if weekday is not None:
                week[weekday].append(Interval(first, end, ProofMode(mode)))
        days = [row[0] for row in self._special_days(cursor, site=site_id).fetchall()]
        special: dict[int, dict[date, list[Interval]]] = {
            schedule_id: {date.fromisoformat(day): [] for day in days} for schedule_id in weekly
        }
        rows = self._special_hours(cursor, door=door_id, site=site_id).fetchall()
        for schedule_id, day, first, end, mode in rows:
            special[schedule_id][date.fromisoformat(day)].append(
                Interval(first, end, ProofMode(mode))
            )
        return tuple(
            Schedule(
                tuple(tuple(day) for day in week),
                {day: tuple(times) for day, times in special[schedule_id].items()},
            )
            for schedule_id, week in weekly.items()
        )

    def seen(self, cursor: Cursor, reader_id: int, presentation_id: str) -> Seen | None:
        """Find a presentation by the reader's own id for it."""
        row = self._seen(cursor, reader=reader_id, presentation=presentation_id).fetchone()
        return Seen(*row) if row else None

    def pass_row(
        self, cursor: Cursor, code_id: bytes, reader_id: int, moment_us: int
    ) -> PassRow | None:
        """Find a code's pass and what stands for or against it; the pass is locked from here on."""
        if self._locks:
            self._lock_pass(cursor, code_id=code_id)
        row = self._pass_row(cursor, code_id=code_id, reader=reader_id, moment=moment_us).fetchone()
        return PassRow(*row) if row else None

    def key_ended(self, cursor: Cursor, kid: bytes) -> bool:
        """Tell whether a signing key verifies no more, or was never ours."""
        row = self._key(cursor, kid=kid).fetchone()
        return row is None or row[0] is not None

    def occupancy(self, cursor: Cursor, area_id: int, moment_us: int) -> int:
        """Count the guests in an area at a moment, those whose window has ended left out.

        Nobody else can enter it until this transaction ends.
        """
        if self._locks:
            self._lock_area(cursor, area=area_id)
        return int(self._occupancy(cursor, area=area_id, since=moment_us).fetchone()[0])

    def escort_near(
        self, cursor: Cursor, reader_id: int, since_us: int, moment_us: int
    ) -> int | None:
        """Find the latest granted presentation of an escort pass at a reader since a moment."""
        row = self._escort(cursor, reader=reader_id, since=since_us, moment=moment_us).fetchone()
        return row[0] if row else None

    def waiting(
        self, cursor: Cursor, reader_id: int, since_us: int, moment_us: int
    ) -> list[Waiting]:
        """List guests who wait at a reader for an escort, each once, the latest try first."""
        rows = self._waiting(cursor, reader=reader_id, since=since_us, moment=moment_us).fetchall()
        latest: dict[bytes, Waiting] = {}
        for row in rows:
            latest.setdefault(bytes(row[1]), Waiting(*row))
        return list(latest.values())

    def accompanied(self, cursor: Cursor, escort_presentation: int) -> list[tuple[Any, ...]]:
        """List what an escort's presentation did: (pass id, pass number, granted, reason)."""
        return list(self._accompanied(cursor, escort=escort_presentation).fetchall())

    # --- writing ---

    def spend(self, cursor: Cursor, pass_id: int, into_area: int, moment_us: int) -> bool:
        """Take one entry if there is one, and note where the guest is then.

        The database decides, whatever was read before.
        """
        spent = self._spend(cursor, pass_id=pass_id, into=into_area, moment=moment_us)
        return spent.fetchone() is not None

    def overspend(self, cursor: Cursor, pass_id: int) -> bool:
        """Take one entry that a reader has let in already; tell whether that was one too many."""
        limit, used = self._overspend(cursor, pass_id=pass_id).fetchone()
        return bool(limit) and used > limit

    def pin_try(self, cursor: Cursor, reader_id: int, presentation_id: str) -> bytes | None:
        """Give the digest of a presentation whose PIN is being checked, None where none is."""
        row = self._pin_try(cursor, reader=reader_id, presentation=presentation_id).fetchone()
        return row[0] if row else None

    def reserve_pin(
        self, cursor: Cursor, pass_id: int, reader_id: int, presentation_id: str, mac: bytes
    ) -> None:
        """Count a PIN as wrong before it is checked, and remember for which presentation."""
        self._reserve_pin(cursor, pass_id=pass_id)
        self._insert_pin_try(
            cursor, reader_id=reader_id, presentation_id=presentation_id, payload_mac=mac
        )

    def end_pin_try(self, cursor: Cursor, reader_id: int, presentation_id: str) -> None:
        """Forget that a PIN was being checked: the presentation is answered."""
        self._delete_pin_try(cursor, reader=reader_id, presentation=presentation_id)

    def clear_pins(self, cursor: Cursor, pass_id: int) -> None:
        """Forget wrong PINs after a right one."""
        self._clear_pins(cursor, pass_id=pass_id)

    def insert_presentation(self, cursor: Cursor, values: dict[str, Any]) -> int:
        """Keep a presentation with its answer; give its row id."""
        return int(self._insert_presentation(cursor, **values).fetchone()[0])

    def insert_accompaniment(self, cursor: Cursor, values: dict[str, Any]) -> None:
        """Keep what an escort did for a guest's presentation; it can be done once."""
        self._insert_accompaniment(cursor, **values)

    def insert_record(self, cursor: Cursor, at_us: int, kind: str, body: bytes) -> None:
        """Append a record."""
        self._insert_record(cursor, at_us=at_us, kind=kind, body=body)

    def set_area(self, cursor: Cursor, pass_id: int, area_id: int, since_us: int) -> None:
        """Note which area a guest is in."""
        self._set_area(cursor, pass_id=pass_id, area=area_id, since=since_us)

    def set_last_grant(
        self, cursor: Cursor, code_id: int, reader_id: int, granted_us: int, payload_mac: bytes
    ) -> None:
        """Note when a reader last granted a code."""
        self._set_last_grant(
            cursor,
            code_id=code_id,
            reader_id=reader_id,
            granted_us=granted_us,
            payload_mac=payload_mac,
        )
