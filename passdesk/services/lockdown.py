"""Taking nobody in, at a site or in one of its areas. Leaving is never stopped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import insert, select, update

from passdesk.core import record
from passdesk.services.commissioning import area_id_of, renew, site_row
from passdesk.services.errors import CommandError
from passdesk.services.models import Command, Name, Sentence
from passdesk.store.tables import lockdowns

if TYPE_CHECKING:
    from sqlalchemy import Select

    from passdesk.services.acts import Act


class ChangeLockdown(Command):
    """Start or end a lockdown of a whole site, or of one area."""

    site: Name | None = None
    area: Name | None = None
    because: Sentence


def start(act: Act, command: ChangeLockdown) -> int:
    """Start a lockdown; entries decided after this commit are refused. Give its id.

    Raises:
        CommandError: no such place, or it is locked down already.
    """
    site_id, area_id = _place(act, command)
    if act.connection.execute(_running(site_id, area_id)).first() is not None:
        raise CommandError.at("area" if command.area else "site", "is locked down already")
    lockdown_id = act.connection.execute(
        insert(lockdowns)
        .values(site_id=site_id, area_id=area_id, started_us=act.now_us)
        .returning(lockdowns.c.id)
    ).scalar_one()
    _record(act, record.Kind.LOCKDOWN_STARTED, lockdown_id, site_id, area_id, command.because)
    return int(lockdown_id)


def end(act: Act, command: ChangeLockdown) -> int:
    """End a lockdown; give its id.

    Raises:
        CommandError: no such place, or it is not locked down.
    """
    site_id, area_id = _place(act, command)
    found = act.connection.execute(_running(site_id, area_id)).first()
    if found is None:
        raise CommandError.at("area" if command.area else "site", "is not locked down")
    lockdown_id = found.id
    act.connection.execute(
        update(lockdowns).where(lockdowns.c.id == lockdown_id).values(ended_us=act.now_us)
    )
    _record(act, record.Kind.LOCKDOWN_ENDED, lockdown_id, site_id, area_id, command.because)
    return int(lockdown_id)


def _place(act: Act, command: ChangeLockdown) -> tuple[int, int | None]:
    site = site_row(act.connection, command.site)
    if command.area is None:
        return int(site.id), None
    return int(site.id), area_id_of(act.connection, site.id, command.area)


def _running(site_id: int, area_id: int | None) -> Select[tuple[int]]:
    query: Select[tuple[int]] = select(lockdowns.c.id).where(
        lockdowns.c.site_id == site_id,
        lockdowns.c.area_id.is_(None) if area_id is None else lockdowns.c.area_id == area_id,
        lockdowns.c.ended_us.is_(None),
    )
    return query


def _record(  # the columns of one record
    act: Act, kind: record.Kind, lockdown_id: int, site_id: int, area_id: int | None, because: str
) -> None:
    data = {
        "lockdown": lockdown_id,
        "area": area_id,
        "because": act.keep_text("lockdown", lockdown_id, because),
    }
    act.record(kind, data)
    renew(act, site_id)
