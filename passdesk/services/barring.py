"""The list of those who may not enter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field
from sqlalchemy import insert, or_, select, update

from passdesk.core import clock, record
from passdesk.services.errors import CommandError
from passdesk.services.issuing import find_pass
from passdesk.services.models import Command, PassReference, RowId, Sentence, TimeText
from passdesk.store.tables import bars, guests

if TYPE_CHECKING:
    from passdesk.services.acts import Act


class BarGuest(Command):
    """Bar the guest of a pass, and every guest of the same mail address."""

    pass_: Annotated[PassReference, Field(alias="pass")]
    because: Sentence
    until: TimeText | None = None


class UnbarGuest(Command):
    """Take a bar off the list."""

    bar: RowId
    because: Sentence


def bar(act: Act, command: BarGuest) -> int:
    """Put the guest of a pass on the list; give the bar's id.

    Raises:
        CommandError: no such pass, the guest is barred already, or the end lies in the past.
    """
    row = find_pass(act.connection, command.pass_)
    until_us = None
    if command.until is not None:
        try:
            until_us = clock.parse_instant(command.until, clock.zone_named(row.zone))
        except clock.LocalTimeError as error:
            raise CommandError.at("until", str(error)) from error
        if until_us <= act.now_us:
            raise CommandError.at("until", "is in the past; the bar would never hold")
    standing = select(bars.c.id).where(
        bars.c.guest_id == row.guest_id,
        bars.c.ended_us.is_(None),
        or_(bars.c.until_us.is_(None), bars.c.until_us > act.now_us),
    )
    if act.connection.execute(standing).first() is not None:
        raise CommandError.at("pass", "its guest is barred already")
    email = select(guests.c.email).where(guests.c.id == row.guest_id).scalar_subquery()
    bar_id = act.connection.execute(
        insert(bars)
        .values(guest_id=row.guest_id, email=email, started_us=act.now_us, until_us=until_us)
        .returning(bars.c.id)
    ).scalar_one()
    because = act.keep_text("bar", bar_id, command.because)
    act.record(
        record.Kind.GUEST_BARRED,
        {"bar": bar_id, "guest": row.guest_id, "until-us": until_us, "because": because},
    )
    return int(bar_id)


def unbar(act: Act, command: UnbarGuest) -> None:
    """End a bar.

    Raises:
        CommandError: there is no such bar, or it was ended already.
    """
    ended = act.connection.execute(
        update(bars)
        .where(bars.c.id == command.bar, bars.c.ended_us.is_(None))
        .values(ended_us=act.now_us)
    )
    if ended.rowcount != 1:
        raise CommandError.at("bar", "there is no such bar, or it was ended already")
    because = act.keep_text("bar", command.bar, command.because)
    act.record(record.Kind.GUEST_UNBARRED, {"bar": command.bar, "because": because})
