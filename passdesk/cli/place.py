"""Commands that set a place up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from passdesk.cli.common import model, names, now_us, opened, say, show_table, with_instance
from passdesk.core.values import Direction, Passback
from passdesk.services import access, commissioning, finding

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_site = click.option("--site", help="Needed only where there are several sites.")


def _add(
    folder: Path,
    job: Callable[..., int],
    command: Any,  # noqa: ANN401 # one of several models, all with a name
    what: str,
    *,
    as_json: bool,
) -> None:
    with opened(folder) as instance:
        added = instance.act("command", now_us(), job, command)
    say({"id": added}, f"Added {what} {command.name} (id {added}).", as_json=as_json)


@click.group("site")
def site() -> None:
    """Sites: a building or campus with one time zone."""


@site.command("add")
@click.argument("name")
@click.option("--zone", required=True, help="IANA time zone, such as Europe/Lisbon.")
@with_instance
def add_site(name: str, zone: str, folder: Path, *, as_json: bool) -> None:
    """Add a site."""
    command = model(commissioning.AddSite, name=name, zone=zone)
    _add(folder, commissioning.add_site, command, "site", as_json=as_json)


@click.group("area")
def area() -> None:
    """Areas: what one can be inside of; the outside is one too."""


@area.command("add")
@click.argument("name")
@click.option("--outside", is_flag=True, help="This is outside: doors from here count entries.")
@click.option("--passback", type=click.Choice([p.value for p in Passback]), default="off")
@click.option("--passback-minutes", type=int, default=0, help="For timed anti-passback.")
@click.option("--occupancy-limit", type=int, help="Most guests inside at a time.")
@_site
@with_instance
def add_area(folder: Path, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """Add an area."""
    command = model(commissioning.AddArea, **fields)
    _add(folder, commissioning.add_area, command, "area", as_json=as_json)


@click.group("schedule")
def schedule() -> None:
    """Schedules: weekly opening times, and what a door asks for then."""


@schedule.command("add")
@click.argument("name")
@click.option(
    "--weekly",
    required=True,
    help="Such as 'mon-fri 08:00-18:00 pass; sat 09:00-12:00 pass and escort'.",
)
@_site
@with_instance
def add_schedule(folder: Path, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """Add a schedule. A door without a schedule is closed."""
    command = model(commissioning.AddSchedule, **fields)
    _add(folder, commissioning.add_schedule, command, "schedule", as_json=as_json)


@click.group("special-day")
def special_day() -> None:
    """Special days: dates whose times replace the weekly ones."""


@special_day.command("add")
@click.argument("name")
@click.option("--day", required=True, help="The date, such as 2030-12-25.")
@click.option(
    "--hours",
    multiple=True,
    metavar="SCHEDULE=TIMES",
    help="Such as 'Visitors=10:00-14:00 pass'; a schedule without is closed that day.",
)
@_site
@with_instance
def add_special_day(
    name: str, day: str, hours: tuple[str, ...], site: str | None, folder: Path, *, as_json: bool
) -> None:
    """Add a special day."""
    times: dict[str, str] = {}
    for text in hours:
        schedule, _, more = text.partition("=")
        times[schedule] = f"{times[schedule]}; {more}" if schedule in times else more
    command = model(commissioning.AddSpecialDay, name=name, day=day, hours=times, site=site)
    _add(folder, commissioning.add_special_day, command, "special day", as_json=as_json)


@click.group("door")
def door() -> None:
    """Doors: an opening from one area into another."""


@door.command("list")
@with_instance
def list_doors(folder: Path, *, as_json: bool) -> None:
    """List doors with their groups and readers."""
    with opened(folder) as instance, instance.store.reading() as connection:
        found = finding.list_doors(connection)
    if as_json:
        say([door.model_dump(by_alias=True) for door in found], "", as_json=True)
        return
    rows = [
        (
            door.site,
            door.name,
            f"{door.from_} → {door.to}",
            ", ".join(door.groups) or "none",
            ", ".join(f"{reader.name} ({reader.direction})" for reader in door.readers) or "none",
        )
        for door in found
    ]
    show_table(rows, "Site", "Door", "From → to", "Door groups", "Readers")


@door.command("add")
@click.argument("name")
@click.option("--from", "from_area", required=True, help="Area the door leads from.")
@click.option("--to", "to_area", required=True, help="Area the door leads to.")
@click.option("--schedules", help="Schedules it follows, separated by commas.")
@click.option("--groups", help="Door groups it belongs to, separated by commas.")
@click.option("--reread-seconds", type=float, help="How long the same code is the same attempt.")
@_site
@with_instance
def add_door(folder: Path, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """Add a door. Without a schedule it is closed; without a group no pass names it."""
    fields |= {key: names(fields[key]) for key in ("schedules", "groups")}
    command = model(commissioning.AddDoor, **fields)
    _add(folder, commissioning.add_door, command, "door", as_json=as_json)


@click.group("group")
def group() -> None:
    """Door groups: a pass names groups, never single doors."""


@group.command("add")
@click.argument("name")
@click.option("--doors", help="Doors in it, separated by commas.")
@_site
@with_instance
def add_group(
    name: str, doors: str | None, site: str | None, folder: Path, *, as_json: bool
) -> None:
    """Add a door group."""
    command = model(commissioning.AddGroup, name=name, doors=names(doors), site=site)
    _add(folder, commissioning.add_group, command, "door group", as_json=as_json)


@click.group("reader")
def reader() -> None:
    """Readers: what reads a code at a door, in one direction."""


@reader.command("add")
@click.argument("name")
@click.option("--door", required=True, help="The door it is at.")
@click.option("--direction", type=click.Choice([d.value for d in Direction]), required=True)
@_site
@with_instance
def add_reader(folder: Path, *, as_json: bool, **fields: Any) -> None:  # noqa: ANN401
    """Add a reader, and make the token with which it calls the API."""
    command = model(commissioning.AddReader, **fields)
    with opened(folder) as instance:
        added, token_id, secret = instance.act("command", now_us(), access.enrol, command)
    say(
        {"id": added, "token": token_id, "secret": secret},
        f"Added reader {command.name} (id {added}).\nIts token, told just this once: {secret}",
        as_json=as_json,
    )


PLACE_COMMANDS = (site, area, schedule, special_day, door, group, reader)
