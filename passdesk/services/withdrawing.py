"""Ending a pass before its window does, and taking that back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from pydantic import Field
from sqlalchemy import update

from passdesk.core import record
from passdesk.services.errors import CommandError
from passdesk.services.issuing import find_pass, live_pass
from passdesk.services.models import Command, PassReference, Sentence
from passdesk.store.tables import passes

if TYPE_CHECKING:
    from passdesk.core.cbor import Value
    from passdesk.services.acts import Act


class Because(Command):
    """Why something is done, in a sentence."""

    because: Sentence


class WithdrawPass(Because):
    """End a pass at once, whatever its window says."""

    pass_: Annotated[PassReference, Field(alias="pass")]


class ReinstatePass(Because):
    """Take a withdrawal back; entries that were spent stay spent."""

    pass_: Annotated[PassReference, Field(alias="pass")]


def withdraw(act: Act, command: WithdrawPass) -> int:
    """Withdraw a pass; give its id. Every presentation decided after this one's commit sees it.

    Raises:
        CommandError: there is no such pass, or it was withdrawn already.
    """
    row = live_pass(act.connection, command.pass_)
    _set(act, row.id, command.because, withdrawn_us=act.now_us)
    return int(row.id)


def reinstate(act: Act, command: ReinstatePass) -> int:
    """Take a withdrawal back; give the pass's id.

    Raises:
        CommandError: there is no such pass, or it is not withdrawn.
    """
    row = find_pass(act.connection, command.pass_)
    if row.withdrawn_us is None:
        raise CommandError.at("pass", "is not withdrawn")
    _set(act, row.id, command.because, withdrawn_us=None)
    return int(row.id)


def _set(act: Act, pass_id: int, because: str, *, withdrawn_us: int | None) -> None:
    act.connection.execute(
        update(passes).where(passes.c.id == pass_id).values(withdrawn_us=withdrawn_us)
    )
    kind = record.Kind.PASS_REINSTATED if withdrawn_us is None else record.Kind.PASS_WITHDRAWN
    data: dict[str, Value] = {"pass": pass_id, "because": act.keep_text("pass", pass_id, because)}
    act.record(kind, data)
