"""The statements on the way from a presented code to its answer (`passdesk.services.register`).

Written with the tables, so that each database gets its own text of the same statement. The names
of bound values are the keyword arguments with which the prepared statement is called.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    BigInteger,
    String,
    Table,
    bindparam,
    case,
    cast,
    exists,
    func,
    insert,
    literal,
    literal_column,
    or_,
    select,
    update,
)

from passdesk.core.code import Proof
from passdesk.core.reasons import Reason
from passdesk.store.tables import (
    accompaniments,
    areas,
    bars,
    codes,
    door_schedules,
    doors,
    guests,
    last_grants,
    lockdowns,
    pass_door_groups,
    passes,
    presentations,
    readers,
    requirements,
    schedule_hours,
    signing_keys,
    sites,
    special_days,
    special_hours,
)

if TYPE_CHECKING:
    from sqlalchemy import ColumnElement, Insert
    from sqlalchemy.sql.expression import Executable

Upsert = Callable[[Table], Any]
"""The database's own insert, which can turn into an update."""

JoinStrings = Callable[..., Any]
"""The database's own aggregate that joins strings."""

CURED_BY_ESCORT = (
    Reason.PIN_LOCKED,
    Reason.PIN_NEEDED,
    Reason.WRONG_PIN,
    Reason.ESCORT_NEEDED,
)
"""Refusals that an escort at the same reader may turn into a grant."""


def insertion(table: Table, leave_out: tuple[str, ...] = ()) -> Insert:
    """Insert one row, all of whose columns are given but those left out and the row's number."""
    names = [name for name in table.c.keys() if name not in {"id", *leave_out}]  # noqa: SIM118
    return insert(table).values({name: bindparam(name) for name in names})


def lock_pass() -> Executable:
    """Lock the pass of a code until the transaction ends."""
    of_code = select(codes.c.pass_id).where(codes.c.code_id == bindparam("code_id"))
    return select(passes.c.id).where(passes.c.id == of_code.scalar_subquery()).with_for_update()


def seen() -> Executable:
    """A reader's presentation by its own id."""
    p = presentations.c
    return (
        select(
            p.id,
            p.payload_mac,
            p.moment_us,
            p.pass_id,
            passes.c.number,
            p.granted,
            p.reason,
            p.spent,
            p.again,
            p.entries_left,
            p.hint_us,
        )
        .select_from(presentations.outerjoin(passes, passes.c.id == p.pass_id))
        .where(p.reader_id == bindparam("reader"), p.presentation_id == bindparam("presentation"))
    )


def version() -> Executable:
    """The site of a reader and the version of its rules."""
    return (
        select(sites.c.id, sites.c.version)
        .select_from(
            readers.join(doors, doors.c.id == readers.c.door_id).join(
                sites, sites.c.id == doors.c.site_id
            )
        )
        .where(readers.c.id == bindparam("reader"))
    )


def place() -> Executable:
    """A reader with its door, the areas on both sides, and whether entry is locked down."""
    before, into = areas.alias("before"), areas.alias("into")
    locked = (
        select(func.count())
        .select_from(lockdowns)
        .where(
            lockdowns.c.site_id == sites.c.id,
            lockdowns.c.ended_us.is_(None),
            or_(lockdowns.c.area_id.is_(None), lockdowns.c.area_id == into.c.id),
        )
        .scalar_subquery()
    )
    return (
        select(
            sites.c.version,
            readers.c.ended_us,
            readers.c.direction,
            doors.c.id,
            doors.c.reread_ms,
            before.c.id,
            before.c.outside,
            into.c.id,
            into.c.passback,
            into.c.passback_minutes,
            into.c.occupancy_limit,
            sites.c.id,
            sites.c.zone,
            locked,
        )
        .select_from(
            readers.join(doors, doors.c.id == readers.c.door_id)
            .join(before, before.c.id == doors.c.from_area_id)
            .join(into, into.c.id == doors.c.to_area_id)
            .join(sites, sites.c.id == doors.c.site_id)
        )
        .where(readers.c.id == bindparam("reader"))
    )


def weekly_hours() -> Executable:
    """The weekly hours of every schedule of a door; a schedule without any gives one empty row."""
    h = schedule_hours.c
    return (
        select(door_schedules.c.schedule_id, h.weekday, h.first_minute, h.end_minute, h.mode)
        .select_from(
            door_schedules.outerjoin(schedule_hours, h.schedule_id == door_schedules.c.schedule_id)
        )
        .where(door_schedules.c.door_id == bindparam("door"))
    )


def hours_on_special_days() -> Executable:
    """The hours of a door's schedules on the special days of its site."""
    h = special_hours.c
    return (
        select(h.schedule_id, special_days.c.day, h.first_minute, h.end_minute, h.mode)
        .select_from(
            special_hours.join(special_days, special_days.c.id == h.special_day_id).join(
                door_schedules, door_schedules.c.schedule_id == h.schedule_id
            )
        )
        .where(
            door_schedules.c.door_id == bindparam("door"),
            special_days.c.site_id == bindparam("site"),
        )
    )


def pass_row(join_strings: JoinStrings) -> Executable:
    """A code with its pass and what stands for or against it; see `register.PassRow`."""
    p, moment = passes.c, bindparam("moment", type_=BigInteger)
    groups = (
        select(join_strings(cast(pass_door_groups.c.group_id, String), literal_column("','")))
        .where(pass_door_groups.c.pass_id == p.id)
        .scalar_subquery()
    )
    missing = (
        select(func.min(requirements.c.kind))
        .where(
            requirements.c.pass_id == p.id,
            or_(requirements.c.met_us.is_(None), requirements.c.ends_us <= moment),
        )
        .scalar_subquery()
    )
    barred = exists().where(
        or_(bars.c.guest_id == guests.c.id, bars.c.email == guests.c.email),
        bars.c.ended_us.is_(None),
        or_(bars.c.until_us.is_(None), bars.c.until_us > moment),
    )
    here = (last_grants.c.code_id == codes.c.id) & (last_grants.c.reader_id == bindparam("reader"))
    return (
        select(
            codes.c.id,
            codes.c.ended_us,
            p.id,
            p.number,
            p.valid_from_us,
            p.valid_until_us,
            p.entry_limit,
            p.entries_used,
            p.proof,
            p.daily_first,
            p.daily_end,
            p.daily_weekdays,
            p.pin_hash,
            p.wrong_pins,
            p.withdrawn_us,
            p.kept_by,
            p.kept_until_us,
            signing_keys.c.kid,
            signing_keys.c.ended_us,
            groups,
            missing,
            case((barred, literal(1)), else_=literal(0)),
            p.area_id,
            areas.c.outside,
            p.since_us,
            last_grants.c.granted_us,
            last_grants.c.payload_mac,
        )
        .select_from(
            codes.join(passes, p.id == codes.c.pass_id)
            .join(guests, guests.c.id == p.guest_id)
            .join(signing_keys, signing_keys.c.id == codes.c.key_id)
            .outerjoin(areas, areas.c.id == p.area_id)
            .outerjoin(last_grants, here)
        )
        .where(codes.c.code_id == bindparam("code_id"))
    )


def _company(name: str) -> ColumnElement[Any]:
    """The condition of `ix_presentations_company`, word for word: SQLite uses it for no other.

    It has no type here, as from a boolean column it would be written `company = 1`.
    """
    return literal_column(f"{name}.company")


def escort() -> Executable:
    """The latest granted presentation of an escort pass at a reader since a moment."""
    p = presentations.c
    return (
        select(p.id)
        .join(passes, passes.c.id == p.pass_id)
        .join(codes, codes.c.id == p.code_id)
        .where(
            _company(presentations.name),
            p.reader_id == bindparam("reader"),
            p.moment_us > bindparam("since"),
            p.moment_us <= bindparam("moment"),
            p.granted,
            passes.c.withdrawn_us.is_(None),
            codes.c.ended_us.is_(None),
            passes.c.proof.op("&")(int(Proof.ESCORT_PASS)) != 0,
        )
        .order_by(p.moment_us.desc(), p.id.desc())
        .limit(1)
    )


def waiting() -> Executable:
    """Presentations at a reader that an escort can still turn into grants, latest first.

    A guest waits once, by what they tried last here, and not when they were let in since.
    """
    p, later = presentations.c, presentations.alias("later").c
    taken = exists().where(accompaniments.c.guest_presentation == p.id)
    tried_again = exists().where(
        _company("later"),
        later.reader_id == bindparam("reader"),
        later.moment_us > bindparam("since"),
        later.pass_id == p.pass_id,
        later.id > p.id,
    )
    let_in = exists().where(passes.c.id == p.pass_id, passes.c.since_us >= p.moment_us)
    return (
        select(p.id, codes.c.code_id, p.payload_mac, p.pin_right)
        .join(codes, codes.c.id == p.code_id)
        .where(
            _company(presentations.name),
            p.reader_id == bindparam("reader"),
            p.moment_us > bindparam("since"),
            p.moment_us <= bindparam("moment"),
            or_(*(p.reason == reason.value for reason in CURED_BY_ESCORT)),
            ~taken,
            ~tried_again,
            ~let_in,
        )
        .order_by(p.moment_us.desc(), p.id.desc())
    )


def accompanied() -> Executable:
    """What an escort's presentation did for guests."""
    a = accompaniments.c
    return (
        select(passes.c.id, passes.c.number, a.granted, a.reason)
        .select_from(
            accompaniments.join(presentations, presentations.c.id == a.guest_presentation).join(
                passes, passes.c.id == presentations.c.pass_id
            )
        )
        .where(a.escort_presentation == bindparam("escort"))
        .order_by(presentations.c.moment_us.desc(), presentations.c.id.desc())
    )


def spend() -> Executable:
    """Take one entry, if the limit allows one more, and note where the guest is now."""
    p = passes.c
    return (
        update(passes)
        .where(
            p.id == bindparam("pass_id"),
            or_(p.entry_limit == 0, p.entries_used < p.entry_limit),
        )
        .values(
            entries_used=p.entries_used + 1,
            area_id=bindparam("into"),
            since_us=bindparam("moment"),
        )
        .returning(p.entries_used)
    )


def overspend() -> Executable:
    """Take one entry, whatever the limit."""
    p = passes.c
    return (
        update(passes)
        .where(p.id == bindparam("pass_id"))
        .values(entries_used=p.entries_used + 1)
        .returning(p.entry_limit, p.entries_used)
    )


def set_last_grant(upsert: Upsert) -> Executable:
    """Note when a reader last granted a code."""
    row = upsert(last_grants)
    statement: Executable = row.on_conflict_do_update(
        index_elements=[last_grants.c.code_id, last_grants.c.reader_id],
        set_={"granted_us": row.excluded.granted_us, "payload_mac": row.excluded.payload_mac},
    )
    return statement
