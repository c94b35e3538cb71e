"""Ending a pass before its window does, and taking that back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from passdesk.core import record
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import withdrawing
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.withdrawing import ReinstatePass, WithdrawPass
from passdesk.store.tables import passes, texts
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from tests.support.place import House

BECAUSE = "Ilse Varga lost her phone <at the station>\nwith the code \u202e on it"


def withdraw(house: House, reference: str, because: str = BECAUSE) -> int:
    command = WithdrawPass.model_validate({"pass": reference, "because": because})
    return int(house.act(withdrawing.withdraw, command))


def reinstate(house: House, reference: str, because: str = BECAUSE) -> int:
    command = ReinstatePass.model_validate({"pass": reference, "because": because})
    return int(house.act(withdrawing.reinstate, command))


def test_a_withdrawn_pass_opens_nothing_until_it_is_reinstated(house: House) -> None:
    issued = house.issue(entries=3)
    assert house.present(issued).entries_left == 2
    assert withdraw(house, issued.number) == issued.pass_id
    assert house.present(issued, minutes=1).reason is Reason.WITHDRAWN
    assert house.present(issued, "Side in", minutes=1).reason is Reason.WITHDRAWN
    assert reinstate(house, str(issued.pass_id)) == issued.pass_id
    back = house.present(issued, minutes=2)
    assert (back.granted, back.entries_left) == (True, 1)  # what was spent stays spent


@pytest.mark.parametrize("again", [False, True])
def test_the_moment_of_a_withdrawal_is_kept_as_long_as_it_holds(
    small_house: House, *, again: bool
) -> None:
    issued = small_house.issue()
    withdraw(small_house, issued.number)
    if again:
        reinstate(small_house, issued.number)
    row = looking.row(small_house.instance, passes, issued.pass_id)
    assert row.withdrawn_us == (None if again else NOW_US)


def test_the_reason_stands_in_a_row_and_the_record_is_bound_to_it(house: House) -> None:
    issued = house.issue()
    withdraw(house, issued.number)
    reinstate(house, issued.number, "It was found")
    first, second = looking.rows(house.instance, select(texts).order_by(texts.c.id))
    assert (first.about, first.about_id, first.body, first.created_us) == (
        "pass", issued.pass_id, BECAUSE, NOW_US,
    )  # fmt: skip
    gone, back = looking.records_of(house.instance, Kind.PASS_WITHDRAWN, Kind.PASS_REINSTATED)
    assert (gone.kind, back.kind) == (Kind.PASS_WITHDRAWN, Kind.PASS_REINSTATED)
    for one, text in ((gone, first), (back, second)):
        assert one.data == {"pass": issued.pass_id, "because": text.commitment}
        assert record.verify_commitment(text.key, text.body, text.commitment)
    assert not record.verify_commitment(first.key, first.body + ".", first.commitment)


def test_the_same_reason_twice_leaves_two_commitments_that_nobody_can_compare(
    small_house: House,
) -> None:
    for _ in range(2):
        withdraw(small_house, small_house.issue().number, "Called off")
    first, second = looking.rows(small_house.instance, select(texts))
    assert first.key != second.key
    assert first.commitment != second.commitment


def test_what_cannot_be_withdrawn_or_reinstated_is_refused_and_changes_nothing(
    house: House,
) -> None:
    issued = house.issue()
    before = looking.dump(house.instance)
    with pytest.raises(CommandError, match="pass: is not withdrawn"):
        reinstate(house, issued.number)
    for job in (withdraw, reinstate):
        with pytest.raises(NotFoundError, match="pass: there is no such pass"):
            job(house, "4711")
    assert looking.dump(house.instance) == before
    withdraw(house, issued.number)
    before = looking.dump(house.instance)
    with pytest.raises(CommandError, match="pass: was withdrawn; make a new pass instead"):
        withdraw(house, issued.number)
    assert looking.dump(house.instance) == before
