"""Setting a place up: sites, areas, doors, readers, door groups, schedules, special days."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, StringConstraints, field_validator
from sqlalchemy import Table, insert, select, update

from passdesk.core import clock, hours, record
from passdesk.core.values import Direction, Passback
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.models import Command, Name
from passdesk.store.tables import (
    areas,
    door_group_doors,
    door_groups,
    door_schedules,
    doors,
    readers,
    schedule_hours,
    schedules,
    sites,
    special_days,
    special_hours,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import Connection

    from passdesk.services.acts import Act


class AddSite(Command):
    """A building or campus with one time zone."""

    name: Name
    zone: Annotated[str, Field(description="IANA time zone, such as Europe/Lisbon")]

    @field_validator("zone")
    @classmethod
    def _known(cls, zone: str) -> str:
        clock.zone_named(zone)
        return zone


class AddArea(Command):
    """A part of a site that one can be inside of, or the outside."""

    site: Name | None = None
    name: Name
    outside: bool = False
    passback: Passback = Passback.OFF
    passback_minutes: Annotated[int, Field(ge=0, le=1440)] = 0
    occupancy_limit: Annotated[int, Field(ge=1, le=1_000_000)] | None = None


class AddDoor(Command):
    """An opening from one area into another."""

    site: Name | None = None
    name: Name
    from_area: Name
    to_area: Name
    schedules: tuple[Name, ...] = ()
    groups: tuple[Name, ...] = ()
    reread_seconds: Annotated[float, Field(ge=0, le=60)] = 5


class AddReader(Command):
    """What reads a code at a door, in one direction."""

    site: Name | None = None
    name: Name
    door: Name
    direction: Direction


class AddGroup(Command):
    """A named set of doors."""

    site: Name | None = None
    name: Name
    doors: tuple[Name, ...] = ()


class AddSchedule(Command):
    """Weekly opening times; `passdesk.core.hours.parse_weekly` gives their form."""

    site: Name | None = None
    name: Name
    weekly: Annotated[str, StringConstraints(max_length=2000)]

    @field_validator("weekly")
    @classmethod
    def _readable(cls, weekly: str) -> str:
        hours.parse_weekly(weekly)
        return weekly


class AddSpecialDay(Command):
    """A date on which other times hold; a schedule that is not named is closed."""

    site: Name | None = None
    name: Name
    day: date
    hours: dict[Name, Annotated[str, StringConstraints(max_length=400)]] = Field(
        default={}, description="hours by schedule, such as '10:00-12:00; 14:00-16:00 pass and PIN'"
    )

    @field_validator("hours")
    @classmethod
    def _readable(cls, by_schedule: dict[str, str]) -> dict[str, str]:
        for text in by_schedule.values():
            _times_of_a_day(text)
        return by_schedule


def site_row(connection: Connection, name: str | None) -> Any:  # noqa: ANN401 # a row
    """Find a site by name; without a name there must be just one.

    Raises:
        NotFoundError: no such site, or none at all.
        CommandError: several sites and no name.
    """
    query = select(sites).order_by(sites.c.id).limit(2)
    if name is not None:
        query = query.where(sites.c.name == name)
    found = connection.execute(query).all()
    if not found:
        known = "no site has been set up yet" if name is None else f"no site is called {name!r}"
        raise NotFoundError.at("site", f"{known}; add one with 'passdesk site add'")
    if len(found) > 1:
        raise CommandError.at("site", "there are several sites, say which")
    return found[0]


def _named(connection: Connection, table: Table, site_id: int, field: str, name: str) -> int:
    query = select(table.c.id).where(table.c.site_id == site_id, table.c.name == name)
    found = connection.execute(query).scalar_one_or_none()
    if found is None:
        known = connection.execute(
            select(table.c.name).where(table.c.site_id == site_id).order_by(table.c.name).limit(20)
        ).scalars()
        raise NotFoundError.at(
            field, f"{name!r} is not known here; known are: {', '.join(known) or 'none yet'}"
        )
    return int(found)


def area_id_of(connection: Connection, site_id: int, name: str) -> int:
    """Find an area by name.

    Raises:
        NotFoundError: names the areas that are known.
    """
    return _named(connection, areas, site_id, "area", name)


def renew(act: Act, site_id: int) -> None:
    """Let everybody who has read the rules of a site read them anew, before the next decision."""
    act.connection.execute(
        update(sites).where(sites.c.id == site_id).values(version=sites.c.version + 1)
    )


def ids_of_groups(
    connection: Connection, site_id: int, names: Iterable[str], field: str = "doors"
) -> dict[str, int]:
    """Find door groups by name, in the order given.

    Raises:
        NotFoundError: names the group that is not known and those that are.
    """
    return {
        name: _named(connection, door_groups, site_id, field, name) for name in dict.fromkeys(names)
    }


def _add(  # what is added, where, and by which column it is told apart
    act: Act,
    table: Table,
    what: str,
    site_id: int | None,
    *,
    key: str = "name",
    **values: Any,  # noqa: ANN401 # column values
) -> int:
    """Insert one row of the place and record it; a second of the same key is refused."""
    query = select(table.c.id).where(table.c[key] == values[key])
    if "site_id" in table.c:
        query = query.where(table.c.site_id == site_id)
        values["site_id"] = site_id
    if act.connection.execute(query).first() is not None:
        raise CommandError.at(key, f"there is a {what} of this {key} already")
    added = act.connection.execute(insert(table).values(**values).returning(table.c.id))
    row_id = int(added.scalar_one())
    site = row_id if site_id is None else site_id
    act.record(record.Kind.PLACE_CHANGED, {"what": what, "id": row_id})
    renew(act, site)
    return row_id


def add_site(act: Act, command: AddSite) -> int:
    """Add a site; give its id."""
    return _add(act, sites, "site", None, name=command.name, zone=command.zone)


def add_area(act: Act, command: AddArea) -> int:
    """Add an area; give its id."""
    site = site_row(act.connection, command.site)
    if command.passback is Passback.TIMED and command.passback_minutes == 0:
        raise CommandError.at("passback_minutes", "timed anti-passback needs a number of minutes")
    return _add(
        act, areas, "area", site.id,
        **command.model_dump(exclude={"site"}),
    )  # fmt: skip


def add_door(act: Act, command: AddDoor) -> int:
    """Add a door with the schedules it follows and the groups it belongs to; give its id."""
    connection, site = act.connection, site_row(act.connection, command.site)
    if command.from_area == command.to_area:
        raise CommandError.at("to_area", "a door leads from one area into another")
    door_id = _add(
        act, doors, "door", site.id,
        name=command.name,
        from_area_id=_named(connection, areas, site.id, "from_area", command.from_area),
        to_area_id=_named(connection, areas, site.id, "to_area", command.to_area),
        reread_ms=round(command.reread_seconds * 1000),
    )  # fmt: skip
    for name in dict.fromkeys(command.schedules):
        schedule_id = _named(connection, schedules, site.id, "schedules", name)
        connection.execute(insert(door_schedules).values(door_id=door_id, schedule_id=schedule_id))
    for group_id in ids_of_groups(connection, site.id, command.groups, "groups").values():
        connection.execute(insert(door_group_doors).values(group_id=group_id, door_id=door_id))
    return door_id


def add_reader(act: Act, command: AddReader) -> int:
    """Add a reader at a door; give its id."""
    site = site_row(act.connection, command.site)
    door_id = _named(act.connection, doors, site.id, "door", command.door)
    return _add(
        act, readers, "reader", site.id,
        name=command.name, door_id=door_id, direction=command.direction,
    )  # fmt: skip


def add_group(act: Act, command: AddGroup) -> int:
    """Add a door group with its doors; give its id."""
    site = site_row(act.connection, command.site)
    group_id = _add(act, door_groups, "group", site.id, name=command.name)
    for name in dict.fromkeys(command.doors):
        door_id = _named(act.connection, doors, site.id, "doors", name)
        act.connection.execute(insert(door_group_doors).values(group_id=group_id, door_id=door_id))
    return group_id


def add_schedule(act: Act, command: AddSchedule) -> int:
    """Add a schedule with its weekly times; give its id."""
    site = site_row(act.connection, command.site)
    schedule_id = _add(act, schedules, "schedule", site.id, name=command.name)
    for weekday, intervals in enumerate(hours.parse_weekly(command.weekly)):
        for interval in intervals:
            act.connection.execute(
                insert(schedule_hours).values(
                    schedule_id=schedule_id, weekday=weekday, **_columns(interval)
                )
            )
    return schedule_id


def add_special_day(act: Act, command: AddSpecialDay) -> int:
    """Add a special day with the times that replace the weekly ones; give its id."""
    site = site_row(act.connection, command.site)
    day_id = _add(
        act, special_days, "special-day", site.id,
        key="day", name=command.name, day=command.day.isoformat(),
    )  # fmt: skip
    for name, text in command.hours.items():
        schedule_id = _named(act.connection, schedules, site.id, "hours", name)
        for interval in _times_of_a_day(text):
            act.connection.execute(
                insert(special_hours).values(
                    special_day_id=day_id, schedule_id=schedule_id, **_columns(interval)
                )
            )
    return day_id


def _times_of_a_day(text: str) -> tuple[hours.Interval, ...]:
    """Read the hours of one day: the form of weekly hours without its days.

    Raises:
        ScheduleError: a piece cannot be read.
    """
    pieces = [piece.strip() for piece in text.split(";")]
    if any(piece and not piece[0].isdigit() for piece in pieces):
        raise hours.ScheduleError(
            "hours", "Write times and a mode without a day, such as '10:00-14:00 pass'."
        )
    return hours.parse_weekly(";".join(f"mon {piece}" for piece in pieces if piece))[0]


def _columns(interval: hours.Interval) -> dict[str, int | str]:
    return {
        "first_minute": interval.first_minute,
        "end_minute": interval.end_minute,
        "mode": interval.mode.value,
    }
