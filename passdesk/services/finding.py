"""Reading what is there: passes, doors, tokens, keys. Nothing here changes anything."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import BaseModel, Field
from sqlalchemy import and_, exists, func, or_, select

from passdesk.core import clock, number
from passdesk.core.code import Proof
from passdesk.services.models import Command, PersonName, RowId
from passdesk.store.tables import (
    areas,
    bars,
    codes,
    door_group_doors,
    door_groups,
    doors,
    guests,
    hosts,
    pass_door_groups,
    passes,
    readers,
    signing_keys,
    sites,
    tokens,
    visits,
)

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from sqlalchemy import Connection, Row, Select

MAX_PAGE = 200


class PassState(StrEnum):
    """How a pass stands at a moment, the strongest fact first."""

    WITHDRAWN = "withdrawn"
    BARRED = "barred"
    EXPIRED = "expired"
    UPCOMING = "upcoming"
    USED_UP = "used-up"
    VALID = "valid"


class PassView(BaseModel):
    """A pass as people and other systems see it."""

    pass_: Annotated[int, Field(alias="pass", description="its id")]
    number: Annotated[str, Field(description="its pass number, to read out at a desk")]
    state: PassState
    site: str
    guest: str
    organisation: str | None
    host: Annotated[str, Field(description="mail address of the host")]
    purpose: str | None
    doors: Annotated[tuple[str, ...], Field(description="names of its door groups")]
    valid_from: Annotated[str, Field(description="ISO 8601 with the site's offset, inclusive")]
    valid_until: Annotated[str, Field(description="ISO 8601 with the site's offset, exclusive")]
    zone: str
    entries: Annotated[int, Field(description="entry limit, 0 for none")]
    entries_used: int
    entries_left: Annotated[int | None, Field(description="null without a limit")]
    pin: bool
    escort: bool
    escort_pass: bool
    carriers: Annotated[tuple[str, ...], Field(description="carriers with a live code")]

    model_config = {"populate_by_name": True}


class FindPasses(Command):
    """Which passes to list, newest first."""

    text: Annotated[
        PersonName | None, Field(description="part of a guest's, organisation's or host's name")
    ] = None
    state: PassState | None = None
    before: Annotated[
        RowId | None, Field(description="only passes with an id below this: the next page")
    ] = None
    limit: Annotated[int, Field(ge=1, le=MAX_PAGE)] = 50


class ReaderView(BaseModel):
    """A reader of a door."""

    name: str
    direction: str


class DoorView(BaseModel):
    """A door with what is at it."""

    site: str
    name: str
    from_: Annotated[str, Field(alias="from")]
    to: str
    groups: tuple[str, ...]
    readers: tuple[ReaderView, ...]

    model_config = {"populate_by_name": True}


class TokenView(BaseModel):
    """A token, without its secret."""

    token: int
    name: str
    scope: str
    reader: str | None
    ended: bool


def _barred(now_us: int) -> Any:  # noqa: ANN401 # a condition
    return exists().where(
        or_(bars.c.guest_id == guests.c.id, bars.c.email == guests.c.email),
        bars.c.ended_us.is_(None),
        or_(bars.c.until_us.is_(None), bars.c.until_us > now_us),
    )


def _query(now_us: int) -> Select[Any]:
    return (
        select(
            passes,
            sites.c.name.label("site"),
            sites.c.zone,
            guests.c.name.label("guest"),
            guests.c.organisation,
            hosts.c.email.label("host"),
            visits.c.purpose,
            _barred(now_us).label("barred"),
        )
        .join(sites, sites.c.id == passes.c.site_id)
        .join(guests, guests.c.id == passes.c.guest_id)
        .join(visits, visits.c.id == passes.c.visit_id)
        .join(hosts, hosts.c.id == visits.c.host_id)
    )


def _in_state(state: PassState, now_us: int) -> Any:  # noqa: ANN401 # a condition
    """Say in SQL what `_state_of` says of a row: each state excludes the stronger ones."""
    p = passes.c
    facts = {
        PassState.WITHDRAWN: p.withdrawn_us.is_not(None),
        PassState.BARRED: _barred(now_us),
        PassState.EXPIRED: p.valid_until_us <= now_us,
        PassState.UPCOMING: p.valid_from_us > now_us,
        PassState.USED_UP: and_(p.entry_limit > 0, p.entries_used >= p.entry_limit),
    }
    stronger: list[Any] = []
    for candidate, fact in facts.items():
        if candidate is state:
            return and_(fact, *stronger)
        stronger.append(~fact)
    return and_(*stronger)


def _state_of(row: Row[Any], now_us: int) -> PassState:
    if row.withdrawn_us is not None:
        return PassState.WITHDRAWN
    if row.barred:
        return PassState.BARRED
    if row.valid_until_us <= now_us:
        return PassState.EXPIRED
    if row.valid_from_us > now_us:
        return PassState.UPCOMING
    if row.entry_limit and row.entries_used >= row.entry_limit:
        return PassState.USED_UP
    return PassState.VALID


def pass_view(connection: Connection, pass_id: int, now_us: int) -> PassView:
    """Give one pass that is known to exist, as it stands at a moment."""
    row = connection.execute(_query(now_us).where(passes.c.id == pass_id)).one()
    return _views(connection, [row], now_us)[0]


def find_passes(connection: Connection, command: FindPasses, now_us: int) -> list[PassView]:
    """List passes, newest first."""
    query = _query(now_us).order_by(passes.c.id.desc()).limit(command.limit)
    if command.before is not None:
        query = query.where(passes.c.id < command.before)
    if command.state is not None:
        query = query.where(_in_state(command.state, now_us))
    if command.text is not None:
        columns = (guests.c.name, guests.c.organisation, hosts.c.name, hosts.c.email)
        query = query.where(or_(*(c.icontains(command.text, autoescape=True) for c in columns)))
    return _views(connection, connection.execute(query).all(), now_us)


def _views(connection: Connection, rows: Any, now_us: int) -> list[PassView]:  # noqa: ANN401 # rows
    ids = [row.id for row in rows]
    groups = _lists(
        connection,
        select(pass_door_groups.c.pass_id, door_groups.c.name)
        .join(door_groups, door_groups.c.id == pass_door_groups.c.group_id)
        .where(pass_door_groups.c.pass_id.in_(ids))
        .order_by(door_groups.c.name),
    )
    carriers = _lists(
        connection,
        select(codes.c.pass_id, codes.c.carrier)
        .where(codes.c.pass_id.in_(ids), codes.c.ended_us.is_(None))
        .order_by(codes.c.carrier),
    )
    return [_view(row, groups.get(row.id, ()), carriers.get(row.id, ()), now_us) for row in rows]


def _lists(connection: Connection, query: Select[Any]) -> dict[int, tuple[str, ...]]:
    found: dict[int, tuple[str, ...]] = {}
    for key, value in connection.execute(query):
        found[key] = (*found.get(key, ()), value)
    return found


def _view(
    row: Row[Any], groups: tuple[str, ...], carriers: tuple[str, ...], now_us: int
) -> PassView:
    zone = clock.zone_named(row.zone)
    return PassView(
        pass_=row.id,
        number=number.display(row.number),
        state=_state_of(row, now_us),
        site=row.site,
        guest=row.guest,
        organisation=row.organisation,
        host=row.host,
        purpose=row.purpose,
        doors=groups,
        valid_from=clock.format_instant(row.valid_from_us, zone),
        valid_until=clock.format_instant(row.valid_until_us, zone),
        zone=row.zone,
        entries=row.entry_limit,
        entries_used=row.entries_used,
        entries_left=max(0, row.entry_limit - row.entries_used) if row.entry_limit else None,
        pin=Proof.PIN in Proof(row.proof),
        escort=Proof.ESCORT_NEEDED in Proof(row.proof),
        escort_pass=Proof.ESCORT_PASS in Proof(row.proof),
        carriers=carriers,
    )


def list_doors(connection: Connection) -> list[DoorView]:
    """List every door with its groups and readers."""
    before, into = areas.alias("before"), areas.alias("into")
    rows = connection.execute(
        select(
            doors.c.id,
            doors.c.name,
            sites.c.name.label("site"),
            before.c.name.label("before"),
            into.c.name.label("into"),
        )
        .join(sites, sites.c.id == doors.c.site_id)
        .join(before, before.c.id == doors.c.from_area_id)
        .join(into, into.c.id == doors.c.to_area_id)
        .order_by(sites.c.name, doors.c.id)
    ).all()
    groups = _lists(
        connection,
        select(door_group_doors.c.door_id, door_groups.c.name)
        .join(door_groups, door_groups.c.id == door_group_doors.c.group_id)
        .order_by(door_groups.c.name),
    )
    at_door: dict[int, list[ReaderView]] = {}
    for reader in connection.execute(
        select(readers).where(readers.c.ended_us.is_(None)).order_by(readers.c.id)
    ):
        at_door.setdefault(reader.door_id, []).append(
            ReaderView(name=reader.name, direction=reader.direction)
        )
    return [
        DoorView(
            site=row.site,
            name=row.name,
            from_=row.before,
            to=row.into,
            groups=groups.get(row.id, ()),
            readers=tuple(at_door.get(row.id, ())),
        )
        for row in rows
    ]


def zone_of_reader(connection: Connection, reader_id: int) -> ZoneInfo:
    """Give the time zone of the site of a reader that is known to exist."""
    query = (
        select(sites.c.zone)
        .join(doors, doors.c.site_id == sites.c.id)
        .join(readers, readers.c.door_id == doors.c.id)
        .where(readers.c.id == reader_id)
    )
    return clock.zone_named(connection.execute(query).scalar_one())


def list_tokens(connection: Connection) -> list[TokenView]:
    """List every token, ended ones too."""
    rows = connection.execute(
        select(tokens, readers.c.name.label("reader"))
        .outerjoin(readers, readers.c.id == tokens.c.reader_id)
        .order_by(tokens.c.id)
    )
    return [
        TokenView(
            token=row.id,
            name=row.name,
            scope=row.scope,
            reader=row.reader,
            ended=row.ended_us is not None,
        )
        for row in rows
    ]


def public_keys(connection: Connection) -> list[Ed25519PublicKey]:
    """List every signing key that still verifies, oldest first."""
    found = connection.execute(
        select(signing_keys.c.public)
        .where(signing_keys.c.ended_us.is_(None))
        .order_by(signing_keys.c.id)
    ).scalars()
    return [Ed25519PublicKey.from_public_bytes(public) for public in found]


def count_passes(connection: Connection) -> int:
    """Count all passes there are."""
    return int(connection.execute(select(func.count()).select_from(passes)).scalar_one())
