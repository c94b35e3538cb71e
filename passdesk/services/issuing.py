"""Making passes and their codes, and changing them: issue, extend, new code."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

import argon2
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import insert, or_, select, update

from passdesk.core import clock, code, number, record
from passdesk.core.clock import MICROSECONDS
from passdesk.core.code import Claims, Daily, Proof
from passdesk.services.commissioning import ids_of_groups, site_row
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.models import (
    MAX_ROW,
    Command,
    Email,
    Name,
    PassReference,
    PersonName,
    TimeText,
)
from passdesk.store.tables import (
    bars,
    codes,
    guests,
    hosts,
    pass_door_groups,
    passes,
    requirements,
    signing_keys,
    sites,
    visits,
)

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from sqlalchemy import Connection

    from passdesk.services.acts import Act
    from passdesk.services.keyring import Keyring

Carrier = Literal["phone", "badge"]
RequirementKind = Literal["approval", "site-rules", "permit", "insurance", "tied-adult"]

PIN_DIGITS = 6
MAX_ENTRIES = 10_000
_NUMBER_TRIES = 20
_hasher = argon2.PasswordHasher()


class DailyHours(BaseModel):
    """Hours of each day within a window of several days, local to the site."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    first_minute: Annotated[int, Field(ge=0, le=1439, description="minute of the day")]
    end_minute: Annotated[int, Field(ge=1, le=1440, description="first minute after")]
    weekdays: Annotated[int, Field(ge=1, le=127, description="bits, Monday is 1")] = 127


class IssuePass(Command):
    """Make a pass for one guest and one visit, with a code on one carrier."""

    site: Name | None = None
    guest: PersonName
    organisation: PersonName | None = None
    guest_email: Email | None = None
    host: Email
    host_name: PersonName | None = None
    purpose: PersonName | None = None
    doors: Annotated[
        tuple[Name, ...], Field(min_length=1, max_length=64, description="names of door groups")
    ]
    valid_from: TimeText
    valid_until: TimeText
    entries: Annotated[int, Field(ge=0, le=MAX_ENTRIES, description="0 for no limit")] = 1
    pin: bool = False
    escort: bool = False
    escort_pass: Annotated[bool, Field(description="a colleague's, which accompanies")] = False
    daily: DailyHours | None = None
    requires: tuple[RequirementKind, ...] = ()
    carrier: Carrier = "phone"


class Extension(Command):
    """A later end, more entries, or both."""

    valid_until: TimeText | None = None
    more_entries: Annotated[int, Field(ge=0, le=MAX_ENTRIES)] = 0


class ExtendPass(Extension):
    """Let a pass last longer, or give it more entries."""

    pass_: Annotated[PassReference, Field(alias="pass")]


class NewCode(Command):
    """A code that ends the carrier's earlier one."""

    carrier: Carrier = "phone"


class RecodePass(NewCode):
    """Make a new code for a carrier; the carrier's earlier code ends, the count goes on."""

    pass_: Annotated[PassReference, Field(alias="pass")]


@dataclass(frozen=True, slots=True)
class Issued:
    """A pass that was just made, or made anew for a carrier.

    Attributes:
        pass_id: the pass's row.
        number: its pass number, as displayed.
        carrier: where the code lives.
        text: the code, to be shown as a QR symbol.
        pin: the PIN in clear, told just this once; None when there is none.
    """

    pass_id: int
    number: str
    carrier: str
    text: str
    pin: str | None = None


@dataclass(frozen=True, slots=True)
class DrawnPin:
    """A new PIN, and the slow hash by which it is known again."""

    pin: str
    hashed: str


def draw_pin() -> DrawnPin:
    """Draw a PIN. It takes a while, so whoever can does it before the transaction begins."""
    pin = f"{secrets.randbelow(10**PIN_DIGITS):0{PIN_DIGITS}d}"
    return DrawnPin(pin, _hasher.hash(pin))


def issue(act: Act, command: IssuePass, drawn: DrawnPin | None = None) -> Issued:
    """Make a pass.

    Args:
        act: who makes it, and when.
        command: what it is to be.
        drawn: its PIN, where it has one; drawn here when it was not before.

    Raises:
        CommandError: names the field that cannot be used; nothing was made.
    """
    connection = act.connection
    site = site_row(connection, command.site)
    window = _window(command, clock.zone_named(site.zone), act.now_us)
    groups = ids_of_groups(connection, site.id, command.doors)
    guest_id = _guest(act, command)
    visit_id = connection.execute(
        insert(visits)
        .values(
            site_id=site.id,
            host_id=_host(act, command),
            purpose=command.purpose,
            starts_us=window[0],
            ends_us=window[1],
            created_us=act.now_us,
        )
        .returning(visits.c.id)
    ).scalar_one()
    drawn = (drawn or draw_pin()) if command.pin else None
    row: dict[str, Any] = {
        "number": _free_number(connection),
        "site_id": site.id,
        "visit_id": visit_id,
        "guest_id": guest_id,
        "valid_from_us": window[0],
        "valid_until_us": window[1],
        "entry_limit": command.entries,
        "proof": int(_proof(command)),
        "pin_hash": drawn.hashed if drawn else None,
        "created_us": act.now_us,
    }
    if command.daily is not None:
        row |= {f"daily_{name}": value for name, value in _daily_columns(command.daily).items()}
    pass_id = connection.execute(insert(passes).values(row).returning(passes.c.id)).scalar_one()
    for group_id in set(groups.values()):
        connection.execute(insert(pass_door_groups).values(pass_id=pass_id, group_id=group_id))
    for kind in dict.fromkeys(command.requires):
        connection.execute(insert(requirements).values(pass_id=pass_id, kind=kind))
    act.record(
        record.Kind.PASS_ISSUED,
        {
            "pass": pass_id,
            "visit": visit_id,
            "guest": guest_id,
            "from-us": window[0],
            "until-us": window[1],
            "limit": command.entries,
            "groups": [*sorted(groups.values())],
            "proof": row["proof"],
        },
    )
    text = _new_code(act, pass_id, command.carrier)
    return Issued(
        pass_id, number.display(row["number"]), command.carrier, text, drawn.pin if drawn else None
    )


def extend(act: Act, command: ExtendPass) -> int:
    """Move the end of a pass, add entries, or both; give its id. Its codes stay as they are.

    Raises:
        CommandError: the pass was withdrawn, or nothing would change for the better.
    """
    row = live_pass(act.connection, command.pass_)
    changes: dict[str, Any] = {}
    if command.valid_until is not None:
        zone = clock.zone_named(row.zone)
        until_us = _instant("valid_until", command.valid_until, zone)
        if until_us <= max(row.valid_until_us, act.now_us):
            raise CommandError.at(
                "valid_until",
                "must be later than now and than the present end, "
                f"{clock.format_instant(row.valid_until_us, zone)}",
            )
        changes["valid_until_us"] = until_us
    if command.more_entries:
        if row.entry_limit == 0:
            raise CommandError.at("more_entries", "this pass has no entry limit already")
        if row.entry_limit + command.more_entries > MAX_ENTRIES:
            raise CommandError.at("more_entries", f"a pass has at most {MAX_ENTRIES} entries")
        changes["entry_limit"] = row.entry_limit + command.more_entries
    if not changes:
        raise CommandError.at("valid_until", "give a later end, more entries, or both")
    act.connection.execute(update(passes).where(passes.c.id == row.id).values(changes))
    if "valid_until_us" in changes:
        act.connection.execute(
            update(visits)
            .where(visits.c.id == row.visit_id, visits.c.ends_us < changes["valid_until_us"])
            .values(ends_us=changes["valid_until_us"])
        )
    act.record(
        record.Kind.PASS_EXTENDED,
        {
            "pass": row.id,
            "until-us": changes.get("valid_until_us", row.valid_until_us),
            "limit": changes.get("entry_limit", row.entry_limit),
        },
    )
    return int(row.id)


def recode(act: Act, command: RecodePass) -> Issued:
    """Make a new code for a carrier of a pass.

    Raises:
        CommandError: the pass was withdrawn or its window has ended.
    """
    row = live_pass(act.connection, command.pass_)
    if row.valid_until_us <= act.now_us:
        raise CommandError.at("pass", "its window has ended; extend it first, or make a new one")
    text = _new_code(act, row.id, command.carrier)
    return Issued(row.id, number.display(row.number), command.carrier, text)


def code_text(connection: Connection, keyring: Keyring, reference: str, carrier: str) -> str:
    """Give the text of the live code of a carrier, signed anew from its stored payload.

    Raises:
        NotFoundError: no such pass, or it has no live code on this carrier.
    """
    row = find_pass(connection, reference, lock=False)
    found = connection.execute(
        select(codes.c.payload, signing_keys.c.kid)
        .join(signing_keys, signing_keys.c.id == codes.c.key_id)
        .where(codes.c.pass_id == row.id, codes.c.carrier == carrier, codes.c.ended_us.is_(None))
    ).first()
    if found is None:
        raise NotFoundError.at("carrier", f"this pass has no live code for a {carrier}")
    return code.sign_payload(found.payload, keyring.issuer(found.kid))


def find_pass(
    connection: Connection, reference: str, field: str = "pass", *, lock: bool = True
) -> Any:  # noqa: ANN401 # a row
    """Find a pass by its id or its pass number; the row also has the site's `zone`.

    Args:
        connection: a write transaction, or one that only reads.
        reference: the id, or the number as people write it.
        field: what an error calls it.
        lock: keep others from changing the pass until this transaction ends. Who only looks does
            without: else it waits for whoever changes the pass, and on PostgreSQL fails then.

    Raises:
        NotFoundError: there is none, or the number has a slip in it.
    """
    query = select(passes, sites.c.zone).join(sites, sites.c.id == passes.c.site_id)
    text = reference.strip()
    try:
        query = query.where(passes.c.number == number.parse(text))
    except number.PassNumberError as error:
        if not (text.isascii() and text.isdigit() and int(text) <= MAX_ROW):
            raise NotFoundError.at(field, str(error)) from error
        query = query.where(passes.c.id == int(text))
    row = connection.execute(query.with_for_update(of=passes) if lock else query).first()
    if row is None:
        raise NotFoundError.at(field, "there is no such pass; look for it with 'pass list'")
    return row


def live_pass(connection: Connection, reference: str) -> Any:  # noqa: ANN401 # a row
    """Find a pass that was not withdrawn.

    Raises:
        NotFoundError: there is none.
        CommandError: it was withdrawn.
    """
    row = find_pass(connection, reference)
    if row.withdrawn_us is not None:
        raise CommandError.at("pass", "was withdrawn; make a new pass instead")
    return row


def _instant(field: str, text: str, zone: ZoneInfo) -> int:
    """Read a time in whole seconds, which is what a code can hold."""
    try:
        at_us = clock.parse_instant(text, zone)
    except clock.LocalTimeError as error:
        raise CommandError.at(field, str(error)) from error
    return at_us - at_us % MICROSECONDS


def _window(command: IssuePass, zone: ZoneInfo, now_us: int) -> tuple[int, int]:
    from_us = _instant("valid_from", command.valid_from, zone)
    until_us = _instant("valid_until", command.valid_until, zone)
    if until_us <= from_us:
        raise CommandError.at("valid_until", "must be later than valid_from")
    if until_us <= now_us:
        raise CommandError.at("valid_until", "is in the past; the pass could never be used")
    return from_us, until_us


def _proof(command: IssuePass) -> Proof:
    if command.escort and command.escort_pass:
        raise CommandError.at("escort_pass", "an escort needs no escort; choose one of the two")
    return (
        (Proof.PIN if command.pin else Proof(0))
        | (Proof.ESCORT_NEEDED if command.escort else Proof(0))
        | (Proof.ESCORT_PASS if command.escort_pass else Proof(0))
    )


def _daily_columns(daily: DailyHours) -> dict[str, int]:
    try:
        Daily(daily.first_minute, daily.end_minute, daily.weekdays)
    except code.ClaimsError as error:
        raise CommandError.at("daily", str(error)) from error
    return {
        "first": daily.first_minute,
        "end": daily.end_minute,
        "weekdays": daily.weekdays,
    }


def _free_number(connection: Connection) -> str:
    for _ in range(_NUMBER_TRIES):
        found = number.make(secrets.randbelow(number.NUMBERS))
        taken = select(passes.c.id).where(passes.c.number == found)
        if connection.execute(taken).first() is None:
            return found
    raise CommandError.at("pass", "no free pass number was found; try again")


def _guest(act: Act, command: IssuePass) -> int:
    """Give the guest's row: the known one of the same mail address and name, or a new one."""
    connection, email = act.connection, command.guest_email
    known = None
    if email is not None:
        known = connection.execute(
            select(guests.c.id).where(guests.c.email == email, guests.c.name == command.guest)
        ).scalar()
    barred = select(bars.c.id).where(
        or_(bars.c.guest_id == known, bars.c.email == email),
        bars.c.ended_us.is_(None),
        or_(bars.c.until_us.is_(None), bars.c.until_us > act.now_us),
    )
    if email is not None and connection.execute(barred).first() is not None:
        # Neutral on purpose: the guest may see this screen.
        raise CommandError.at(
            "guest", "this visit waits for a second person; call the security lead"
        )
    if known is not None:
        return int(known)
    row = insert(guests).values(
        name=command.guest,
        organisation=command.organisation,
        email=email,
        created_us=act.now_us,
    )
    return int(connection.execute(row.returning(guests.c.id)).scalar_one())


def _host(act: Act, command: IssuePass) -> int:
    """Give the host's row; a host who is not known yet is added."""
    known = act.connection.execute(select(hosts).where(hosts.c.email == command.host)).first()
    if known is not None:
        if known.ended_us is not None:
            raise CommandError.at("host", "has left; name the colleague who took over")
        return int(known.id)
    name = command.host_name or command.host.partition("@")[0]
    added = insert(hosts).values(name=name, email=command.host).returning(hosts.c.id)
    return int(act.connection.execute(added).scalar_one())


def _new_code(act: Act, pass_id: int, carrier: str) -> str:
    """Make a code for a carrier, which ends the carrier's earlier one; give its text."""
    connection = act.connection
    row = connection.execute(select(passes).where(passes.c.id == pass_id)).one()
    groups = connection.execute(
        select(pass_door_groups.c.group_id).where(pass_door_groups.c.pass_id == pass_id)
    ).scalars()
    key = connection.execute(
        select(signing_keys)
        .where(signing_keys.c.retired_us.is_(None), signing_keys.c.ended_us.is_(None))
        .order_by(signing_keys.c.id.desc())
        .limit(1)
    ).first()
    if key is None:
        raise CommandError.at("pass", "no key is in use that could sign its code; make one first")
    try:
        claims = Claims(
            code_id=secrets.token_bytes(16),
            valid_from_s=row.valid_from_us // MICROSECONDS,
            valid_until_s=row.valid_until_us // MICROSECONDS,
            entry_limit=row.entry_limit,
            door_groups=tuple(sorted(groups)),
            proof=Proof(row.proof),
            daily=None
            if row.daily_first is None
            else Daily(row.daily_first, row.daily_end, row.daily_weekdays),
        )
        text = code.mint(claims, act.keyring.issuer(key.kid))
    except code.ClaimsError as error:
        raise CommandError.at(error.field, error.message) from error
    ended = connection.execute(
        update(codes)
        .where(codes.c.pass_id == pass_id, codes.c.carrier == carrier, codes.c.ended_us.is_(None))
        .values(ended_us=act.now_us)
    ).rowcount
    connection.execute(
        insert(codes).values(
            code_id=claims.code_id,
            pass_id=pass_id,
            carrier=carrier,
            key_id=key.id,
            payload=code.payload_of(claims),
            created_us=act.now_us,
        )
    )
    act.record(
        record.Kind.CODE_MADE,
        {
            "pass": pass_id,
            "code": claims.code_id,
            "carrier": carrier,
            "kid": key.kid,
            "ended": ended,
        },
    )
    return text
