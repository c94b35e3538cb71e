"""Tokens: made, told once, kept as a digest, ended; and what a caller is."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import pytest
from pydantic import ValidationError
from sqlalchemy import select, update

from passdesk.core.record import Kind
from passdesk.services import access, commissioning
from passdesk.services.access import AddToken, Caller, Callers, EndToken, Scope
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.store.tables import readers, tokens
from tests.support import looking
from tests.support.place import MINUTE_US, NOW_US

if TYPE_CHECKING:
    from tests.support.place import House


def made(house: House, **fields: Any) -> tuple[int, str]:  # noqa: ANN401 # of AddToken
    token: tuple[int, str] = house.act(access.add_token, AddToken.model_validate(fields))
    return token


def test_a_token_is_found_by_its_secret_alone(house: House) -> None:
    callers = Callers(house.instance.store)
    issue, audit = (made(house, name=name, scope=name) for name in ("issue", "audit"))
    gate = made(house, name="gate", scope="reader", reader="Side in")
    assert callers.find(issue[1]) == Caller(issue[0], Scope.ISSUE, None, None)
    assert callers.find(audit[1]) == Caller(audit[0], Scope.AUDIT, None, None)
    side = house.readers["Side in"]
    assert callers.find(gate[1]) == Caller(gate[0], Scope.READER, side, "Europe/Lisbon")
    assert len({secret for _, secret in (issue, audit, gate)}) == 3


@pytest.mark.parametrize(
    "secret", ["", "x", "\0", "é", "\udcff", "x" * 100_000, "' OR 1=1 --"], ids=ascii
)
def test_a_secret_that_nobody_was_told_is_nobodys(small_house: House, secret: str) -> None:
    made(small_house, name="x", scope="issue")
    assert Callers(small_house.instance.store).find(secret[:100_000]) is None


def test_only_a_digest_is_kept(house: House) -> None:
    token_id, secret = made(house, name="Front desk", scope="issue")
    row = looking.row(house.instance, tokens, token_id)
    assert (row.name, row.scope, row.reader_id) == ("Front desk", "issue", None)
    assert (row.created_us, row.ended_us) == (NOW_US, None)
    # FIPS 180-4, as hashlib has it; 32 random bytes in base64 without padding are 43 characters.
    assert row.digest == hashlib.sha256(secret.encode()).digest()
    assert len(secret) == 43
    assert secret not in repr(looking.dump(house.instance))


def test_a_caller_is_recorded_as_a_reader_or_as_a_token(house: House) -> None:
    callers = Callers(house.instance.store)
    issue = callers.find(made(house, name="x", scope="issue")[1])
    gate = callers.find(made(house, name="y", scope="reader", reader="Front in")[1])
    assert issue is not None
    assert gate is not None
    assert (issue.by, gate.by) == ("token:1", f"reader:{house.readers['Front in']}")
    told = [one.data for one in looking.records_of(house.instance, Kind.TOKEN_MADE)]
    assert told == [
        {"token": 1, "scope": "issue", "reader": None},
        {"token": 2, "scope": "reader", "reader": house.readers["Front in"]},
    ]


def test_a_token_that_was_ended_is_nobodys_from_then_on(house: House) -> None:
    callers = Callers(house.instance.store)
    token_id, secret = made(house, name="x", scope="issue")
    other = made(house, name="y", scope="issue")[1]
    assert callers.find(secret) is not None
    house.act(access.end_token, EndToken(token=token_id), at_us=NOW_US + MINUTE_US)
    assert callers.find(secret) is None
    assert callers.find(other) is not None
    assert looking.row(house.instance, tokens, token_id).ended_us == NOW_US + MINUTE_US
    last = looking.last_record(house.instance)
    assert (last.kind, last.data) == (Kind.TOKEN_ENDED, {"token": token_id})


@pytest.mark.parametrize("token", [1, 7, 2**63 - 1])
def test_a_token_that_is_not_there_or_was_ended_cannot_be_ended(house: House, token: int) -> None:
    house.act(access.end_token, EndToken(token=made(house, name="x", scope="issue")[0]))
    before = looking.dump(house.instance)
    with pytest.raises(NotFoundError, match="token: there is no such token, or it was ended"):
        house.act(access.end_token, EndToken(token=token))
    assert looking.dump(house.instance) == before


@pytest.mark.parametrize("token", [0, -1, 2**63, 10**30, True, 1.5])
def test_no_row_has_such_a_number(token: object) -> None:
    with pytest.raises(ValidationError):
        EndToken.model_validate({"token": token}, strict=True)


@pytest.mark.parametrize(
    ("scope", "reader", "says"),
    [
        ("reader", None, "goes with the scope 'reader', and that needs it"),
        ("issue", "Front in", "goes with the scope 'reader', and that needs it"),
        ("audit", "Front in", "goes with the scope 'reader', and that needs it"),
        ("reader", "Back in", "'Back in' is not known here; known are: Front in, Front out, "),
    ],
)
def test_a_token_for_readers_has_one_and_others_have_none(
    small_house: House, scope: str, reader: str | None, says: str
) -> None:
    before = looking.dump(small_house.instance)
    with pytest.raises(CommandError) as caught:
        made(small_house, name="x", scope=scope, reader=reader)
    ((field, message),) = [(fault.field, fault.message) for fault in caught.value.faults]
    assert field == "reader"
    assert message.startswith(says)
    assert looking.dump(small_house.instance) == before


def test_the_token_of_a_reader_that_was_ended_is_nobodys(house: House) -> None:
    secret = made(house, name="x", scope="reader", reader="Side in")[1]
    side = update(readers).where(readers.c.name == "Side in")
    looking.change(house.instance, side.values(ended_us=NOW_US))
    assert Callers(house.instance.store).find(secret) is None
    with pytest.raises(NotFoundError):
        made(house, name="y", scope="reader", reader="Side in")


def test_a_reader_is_enrolled_with_a_token_or_not_at_all(house: House) -> None:
    enrol = commissioning.AddReader.model_validate(
        {"name": "Lab side", "door": "Lab", "direction": "entry"}
    )
    reader_id, token_id, secret = house.act(access.enrol, enrol)
    assert looking.row(house.instance, readers, reader_id).name == "Lab side"
    caller = Callers(house.instance.store).find(secret)
    assert caller == Caller(token_id, Scope.READER, reader_id, "Europe/Lisbon")
    before = looking.dump(house.instance)
    with pytest.raises(CommandError, match="already"):
        house.act(access.enrol, enrol)
    assert looking.dump(house.instance) == before


def test_before_there_is_a_reader_none_is_known(small_house: House) -> None:
    looking.change(small_house.instance, update(readers).values(ended_us=1))
    with small_house.instance.store.reading() as connection:
        with pytest.raises(NotFoundError, match="known are: none yet"):
            access.reader_named(connection, "Front in")
        everyone = connection.execute(select(readers.c.name)).scalars().all()
    assert "Front in" in everyone
