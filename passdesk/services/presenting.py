"""Presenting a code at a reader: verify, decide, count, record, and only then answer.

The signature is checked in the caller's own thread, which needs no lock. Everything else happens
in one write transaction, which several presentations may share: it finds out whether this
presentation was answered before, reads how the pass stands, lets `passdesk.core.decision` decide,
takes the entry, writes the answer and its record. The answer is given once that is on disk.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated

import argon2
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from pydantic import Field, StringConstraints
from sqlalchemy import select

from passdesk.core import clock, code, picture, wording
from passdesk.core.clock import MICROSECONDS
from passdesk.core.reasons import Reason
from passdesk.core.values import PinProof, Presented
from passdesk.services.deciding import Answer, Attempt, Conflict, Deciding, PinReserved
from passdesk.services.delivering import Delivered, Delivering
from passdesk.services.errors import CommandError
from passdesk.services.models import Command
from passdesk.services.register import Register
from passdesk.store.tables import signing_keys

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from sqlalchemy import Connection

    from passdesk.core.wording import Words
    from passdesk.services.instance import Instance

MAX_TEXT = 4096
NO_CLOCK_US = 0
# A slow hash takes tens of megabytes while it runs.
_PINS_AT_A_TIME = threading.BoundedSemaphore(2)
# A picture as large as is taken needs some 300 MB while it is read.
_PICTURES_AT_A_TIME = threading.BoundedSemaphore(2)
_hasher = argon2.PasswordHasher()

PresentationId = Annotated[
    str,
    StringConstraints(pattern=r"^[A-Za-z0-9._:-]{8,64}$"),
    Field(description="the reader's own id of this attempt; sent again, it gets the same answer"),
]
Pin = Annotated[str, StringConstraints(pattern=r"^[0-9]{6}$")]


class PresentCode(Command):
    """One attempt: a code shown to a reader, with what came with it."""

    presentation_id: PresentationId
    text: Annotated[str, StringConstraints(max_length=MAX_TEXT)]
    pin: Pin | None = None
    reader_clock: Annotated[
        str | None,
        StringConstraints(max_length=40),
        Field(description="the reader's own clock, ISO 8601 with an offset"),
    ] = None


@dataclass(frozen=True, slots=True)
class Moments:
    """Two times of one presentation, microseconds UTC.

    Attributes:
        decided_for_us: the moment that is decided for.
        received_us: when it came; the same except in a demo or a rehearsal.
    """

    decided_for_us: int
    received_us: int


class ConflictError(CommandError):
    """One presentation id came with two payloads."""


_Settle = Callable[[Attempt], Answer | Conflict | PinReserved]


class Presenter:
    """Answers presentations for one instance; safe to use from many threads at once."""

    def __init__(self, instance: Instance) -> None:
        """Compile what is needed; nothing is read yet."""
        self._instance = instance
        self._register = Register(instance.store.writes.dialect)
        self._leeway_us = instance.settings.leeway_seconds * MICROSECONDS
        self._keys: dict[bytes, Ed25519PublicKey] = {}

    def present(self, command: PresentCode, *, reader_id: int, by: str, moments: Moments) -> Answer:
        """Decide one presentation and give the answer once it is durable.

        Args:
            command: what was shown.
            reader_id: at which reader.
            by: who sends it, as a reference.
            moments: the moment that is decided for, and when it came.

        Raises:
            ConflictError: this reader used the presentation id for something else before.
            NotFoundError: there is no such reader.
        """
        attempt = self._attempt(command, reader_id, by, moments)
        return self._answer(command, attempt, self._in_turn)

    def rehearse(
        self, command: PresentCode, *, reader_id: int, by: str, moments: Moments
    ) -> Answer:
        """Decide one presentation as `present` does, and change nothing."""
        attempt = self._attempt(command, reader_id, by, moments)
        with self._instance.store.writes.connect() as connection, connection.begin() as transaction:
            answer = self._answer(command, attempt, lambda a: self._settle(connection, a))
            transaction.rollback()
        return answer

    def deliver(
        self,
        command: PresentCode,
        *,
        reader_id: int,
        moments: Moments,
        reason: Reason | None,
        spent: bool,
    ) -> Delivered:
        """Take in a decision that a reader made by itself; `delivering` says how.

        Args:
            command: what was shown.
            reader_id: at which reader.
            moments: when the reader decided, and when the report came.
            reason: why it refused; None when it granted.
            spent: whether an entry was taken.

        Raises:
            ConflictError: this reader used the presentation id for something else before.
        """
        attempt = self._attempt(command, reader_id, f"reader:{reader_id}", moments)

        def work(connection: Connection) -> Delivered | Conflict:
            with closing(connection.connection.cursor()) as cursor:
                delivering = Delivering(cursor, self._register, self._leeway_us)
                return delivering.deliver(attempt, reason=reason, spent=spent)

        delivered = self._instance.writer.run(work)
        if isinstance(delivered, Conflict):
            raise _conflict()
        return delivered

    def _answer(self, command: PresentCode, attempt: Attempt, settle: _Settle) -> Answer:
        result = settle(attempt)
        if isinstance(result, PinReserved):
            right = _pin_is_right(result.pin_hash, command.pin or "")
            pin = PinProof.RIGHT if right else PinProof.WRONG
            result = settle(replace(attempt, pin=pin))
        if not isinstance(result, Answer):
            raise _conflict()
        return result

    def _in_turn(self, attempt: Attempt) -> Answer | Conflict | PinReserved:
        return self._instance.writer.run(lambda connection: self._settle(connection, attempt))

    def _settle(self, connection: Connection, attempt: Attempt) -> Answer | Conflict | PinReserved:
        with closing(connection.connection.cursor()) as cursor:
            return Deciding(cursor, self._register, self._leeway_us).settle(attempt)

    def _attempt(self, command: PresentCode, reader_id: int, by: str, moments: Moments) -> Attempt:
        presented, kid = self._verified(command.text)
        return Attempt(
            reader_id=reader_id,
            by=by,
            presentation_id=command.presentation_id,
            payload_mac=self._instance.keyring.digest(
                command.text.encode("utf-8", "surrogatepass"), (command.pin or "").encode()
            ),
            presented=presented,
            kid=kid,
            pin=PinProof.OFFERED if command.pin else PinProof.ABSENT,
            clock_us=_clock_us(command.reader_clock),
            moment_us=moments.decided_for_us,
            received_us=moments.received_us,
        )

    def _verified(self, text: str) -> tuple[Presented, bytes | None]:
        """Read a code and check its signature; whether its key still holds is decided later."""
        try:
            parsed = code.parse(text)
        except code.UnreadableCodeError:
            return Presented(None, Reason.UNREADABLE), None
        key = self._public_key(parsed.kid)
        if key is None:
            return Presented(None, Reason.UNKNOWN_KEY), parsed.kid
        try:
            code.verify(parsed, key)
        except code.BadSignatureError:
            return Presented(None, Reason.BAD_SIGNATURE), parsed.kid
        return Presented(parsed.claims), parsed.kid

    def _public_key(self, kid: bytes) -> Ed25519PublicKey | None:
        """Give the key of a key id; that never changes, so what was read once is kept."""
        if kid not in self._keys:
            with self._instance.store.reading() as connection:
                public = connection.execute(
                    select(signing_keys.c.public).where(signing_keys.c.kid == kid)
                ).scalar_one_or_none()
            if public is None:
                return None
            self._keys[kid] = Ed25519PublicKey.from_public_bytes(public)
        return self._keys[kid]


def words_of(answer: Answer, zone: ZoneInfo) -> Words:
    """Give what the guest is told, with times as people at the site read them."""
    if answer.reason is None:
        return wording.granted(leaving=answer.leaving)
    if answer.hint_us is None:
        return wording.refused(answer.reason)
    there = clock.local_time(answer.hint_us, zone)
    today = clock.local_time(answer.moment_us, zone).date()
    day = "" if there.date() == today else f" on {there.day} {there:%B}"
    if there.year != today.year:
        day += f" {there.year}"
    return wording.refused(answer.reason, f"{there:%H:%M}{day}")


def text_in_picture(image: bytes) -> tuple[str, str | None]:
    """Give the text that a picture presents, and what is wrong with the picture.

    A picture that shows no code, several, or nothing at all is still an attempt at a door: it
    presents a text that stands for the picture and is no code, so that it is refused as
    unreadable, recorded, and answered the same when it is sent again.

    Raises:
        PictureTooLargeError: it was not looked at.
    """
    try:
        with _PICTURES_AT_A_TIME:
            texts = picture.read_codes(image)
        return picture.one_code(texts), None
    except picture.PictureTooLargeError:
        raise
    except picture.PictureError as error:
        return f"picture:{hashlib.sha256(image).hexdigest()}", str(error)


def _conflict() -> ConflictError:
    return ConflictError.at(
        "presentation_id", "was used for another presentation; make a new one for each"
    )


def _clock_us(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return clock.parse_instant(text, clock.zone_named("UTC"))
    except clock.LocalTimeError:
        # A clock that cannot be read is wrong: that refuses an entry, and never an exit.
        return NO_CLOCK_US


def _pin_is_right(pin_hash: str, pin: str) -> bool:
    with _PINS_AT_A_TIME:
        try:
            return _hasher.verify(pin_hash, pin)
        except argon2.exceptions.VerifyMismatchError:
            return False
