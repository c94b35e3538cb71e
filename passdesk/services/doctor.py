"""Looking for what is commonly wrong with an instance, and saying how to mend it."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from sqlalchemy import func, select
from sqlalchemy.exc import SQLAlchemyError

from passdesk.core import clock
from passdesk.core.clock import MICROSECONDS
from passdesk.services.keyring import Keyring, KeyringError
from passdesk.store import engine, migrating
from passdesk.store.tables import (
    areas,
    door_group_doors,
    door_groups,
    door_schedules,
    doors,
    readers,
    records,
    signing_keys,
    sites,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection

    from passdesk.settings import Settings
    from passdesk.store.engine import Store

SAFE_SQLITE = (3, 51, 3)
LEAST_FREE_BYTES = 500_000_000
UNSEALED_AFTER_US = 10 * MICROSECONDS
CLOCK_BACK_US = 60 * MICROSECONDS


class Verdict(StrEnum):
    """How bad it is."""

    GOOD = "good"
    LOOK = "look"
    WRONG = "wrong"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at, with what to do where it is not good."""

    verdict: Verdict
    what: str
    detail: str


def examine(settings: Settings, now_us: int) -> list[Finding]:
    """Look at the keys, the database, the disk, the clock and the place."""
    found = list(_keys(settings))
    found.append(_disk(settings))
    store = engine.Store(settings.database_url)
    try:
        found += _database(store, settings, now_us)
    except SQLAlchemyError as error:
        reason = " ".join(str(getattr(error, "orig", error)).split())
        found.append(Finding(Verdict.WRONG, "database", f"cannot be opened: {reason}"))
    finally:
        store.close()
    return found


def _keys(settings: Settings) -> Iterator[Finding]:
    keyring = Keyring(settings.keys)
    try:
        keyring.check()
        keyring.log_key()
        keyring.digest(b"")
    except KeyringError as error:
        yield Finding(Verdict.WRONG, "keys", str(error))
        return
    yield Finding(Verdict.GOOD, "keys", f"in {settings.keys}, for their owner alone")


def _disk(settings: Settings) -> Finding:
    if not settings.instance.is_dir():
        return Finding(Verdict.WRONG, "instance", f"no folder {settings.instance}")
    free = shutil.disk_usage(settings.instance).free
    detail = f"{free // 1_000_000} MB free"
    if free < LEAST_FREE_BYTES:
        return Finding(Verdict.LOOK, "disk", f"{detail}; without room nobody is let in, make some")
    return Finding(Verdict.GOOD, "disk", detail)


def _database(store: Store, settings: Settings, now_us: int) -> Iterator[Finding]:
    found, wanted = migrating.revision(store), migrating.newest()
    if found != wanted:
        detail = f"at version {found or 'none'}, wants {wanted}; run 'passdesk init'"
        yield Finding(Verdict.WRONG, "database", detail)
        return
    yield Finding(Verdict.GOOD, "database", f"{store.dialect} at version {found}")
    with store.reading() as connection:
        if store.dialect == "sqlite":
            yield _sqlite_version(connection)
        yield from _issuer_keys(connection, settings)
        yield _clock(connection, now_us)
        yield _sealing(connection, now_us)
        yield from _place(connection)


def _sqlite_version(connection: Connection) -> Finding:
    version = connection.exec_driver_sql("SELECT sqlite_version()").scalar_one()
    if tuple(map(int, version.split("."))) < SAFE_SQLITE:
        return Finding(
            Verdict.LOOK,
            "sqlite",
            f"{version} has a rare fault that can damage the database; install pysqlite3",
        )
    return Finding(Verdict.GOOD, "sqlite", version)


def _issuer_keys(connection: Connection, settings: Settings) -> Iterator[Finding]:
    kids = (
        connection.execute(
            select(signing_keys.c.kid).where(
                signing_keys.c.retired_us.is_(None), signing_keys.c.ended_us.is_(None)
            )
        )
        .scalars()
        .all()
    )
    if not kids:
        yield Finding(Verdict.WRONG, "signing key", "there is none, so no pass can be made")
    for kid in kids:
        try:
            Keyring(settings.keys).issuer(kid)
        except KeyringError as error:
            yield Finding(Verdict.WRONG, "signing key", str(error))
        else:
            yield Finding(Verdict.GOOD, "signing key", kid.hex())


def _clock(connection: Connection, now_us: int) -> Finding:
    newest = connection.execute(select(func.max(records.c.at_us))).scalar()
    if newest is not None and newest > now_us + CLOCK_BACK_US:
        return Finding(
            Verdict.WRONG,
            "clock",
            f"is behind the newest record, of {clock.format_utc(newest)}; set the machine's clock",
        )
    return Finding(Verdict.GOOD, "clock", clock.format_utc(now_us))


def _sealing(connection: Connection, now_us: int) -> Finding:
    waiting, oldest = connection.execute(
        select(func.count(), func.min(records.c.at_us)).where(records.c.position.is_(None))
    ).one()
    if waiting and oldest < now_us - UNSEALED_AFTER_US:
        return Finding(
            Verdict.LOOK,
            "records",
            f"{waiting} are not sealed yet; the running server seals them, or "
            "'passdesk audit checkpoint'",
        )
    return Finding(Verdict.GOOD, "records", f"{waiting} not sealed yet")


def _place(connection: Connection) -> Iterator[Finding]:
    """Name what is set up and can never work."""
    lonely = (
        ("site without an area that is outside, no door counts entries", sites,
         select(areas.c.site_id).where(areas.c.outside)),
        ("door without a schedule is always closed", doors, select(door_schedules.c.door_id)),
        ("door without a group, no pass names it", doors, select(door_group_doors.c.door_id)),
        ("door without a reader", doors,
         select(readers.c.door_id).where(readers.c.ended_us.is_(None))),
        ("door group without a door", door_groups, select(door_group_doors.c.group_id)),
    )  # fmt: skip
    clean = True
    for what, table, in_use in lonely:
        names = connection.execute(
            select(table.c.name).where(table.c.id.not_in(in_use)).order_by(table.c.name)
        ).scalars()
        for name in names:
            clean = False
            yield Finding(Verdict.LOOK, "place", f"{name}: {what}")
    if clean:
        count = connection.execute(select(func.count()).select_from(doors)).scalar_one()
        yield Finding(Verdict.GOOD, "place", f"{count} doors, each with schedule, group and reader")
