"""Counting entries: down to none, over all codes of a pass, and once for one reading."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from passdesk.core.reasons import Reason
from passdesk.services import commissioning as c
from passdesk.services import issuing
from passdesk.services.issuing import RecodePass
from passdesk.store.tables import passes
from tests.support import looking

if TYPE_CHECKING:
    from passdesk.services.issuing import Issued
    from tests.support.place import House


def recode(house: House, issued: Issued, carrier: str) -> Issued:
    command = RecodePass.model_validate({"pass": issued.number, "carrier": carrier})
    made: Issued = house.act(issuing.recode, command)
    return made


# --- the count ---------------------------------------------------------------------------------


def test_entries_are_counted_down_to_none(house: House) -> None:
    issued = house.issue(entries=3)
    answers = [house.present(issued, minutes=minute) for minute in range(5)]
    assert [answer.granted for answer in answers] == [True] * 3 + [False] * 2
    assert [answer.spent for answer in answers] == [True] * 3 + [False] * 2
    assert [answer.entries_left for answer in answers] == [2, 1, 0, 0, 0]
    assert {answer.number for answer in answers} == {issued.number.replace("-", "")}


def test_without_a_limit_nothing_is_left_to_tell(house: House) -> None:
    issued = house.issue(entries=0)
    answers = [house.present(issued, minutes=minute) for minute in range(4)]
    assert {(answer.granted, answer.entries_left) for answer in answers} == {(True, None)}


def test_a_door_inside_takes_no_entry(house: House) -> None:
    issued = house.issue(doors=("Visitors", "Laboratory"))
    assert house.present(issued).spent
    inside = house.present(issued, "Lab in", minutes=1)
    assert (inside.granted, inside.spent, inside.entries_left) == (True, False, 0)


def test_the_codes_of_a_pass_share_its_count(house: House) -> None:
    phone = house.issue(entries=3)
    badge = recode(house, phone, "badge")
    assert house.present(phone).entries_left == 2
    assert house.present(badge).entries_left == 1  # another code, so no second reading of the first
    lost, phone = phone, recode(house, phone, "phone")
    assert house.present(lost, minutes=1).reason is Reason.WITHDRAWN
    assert house.present(phone, minutes=1).entries_left == 0
    assert house.present(badge, minutes=2).reason is Reason.USED_UP


def test_a_new_badge_ends_the_old_badge_and_leaves_the_phone(house: House) -> None:
    phone = house.issue(entries=3)
    first = recode(house, phone, "badge")
    second = recode(house, phone, "badge")
    assert house.present(first).reason is Reason.WITHDRAWN
    assert house.present(second).granted
    assert house.present(phone, "Side in").granted


def test_many_threads_share_out_exactly_what_there_is(house: House) -> None:
    issued = [house.issue(entries=3) for _ in range(4)]
    granted: list[int | None] = []

    def show(reader: str, number: int) -> None:
        for turn in range(4):
            answer = house.present(
                issued[(number + turn) % 4], reader, minutes=number + turn / 4,
                presentation_id=f"{reader[:4]}-{number:04d}-{turn}",
            )  # fmt: skip
            if answer.granted:
                granted.append(answer.pass_id)

    threads = [
        threading.Thread(target=show, args=(reader, number))
        for number in range(8)
        for reader in ("Front in", "Side in")
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(map(str, granted)) == sorted(str(each.pass_id) for each in issued * 3)


# --- reading again -----------------------------------------------------------------------------


def test_a_code_that_is_read_again_is_granted_again_and_spends_nothing(house: House) -> None:
    issued = house.issue(entries=2)
    house.present(issued)
    before = looking.rows(house.instance, select(passes))
    for seconds in (0.3, 1, 4.999):
        answer = house.present(issued, minutes=seconds / 60)
        assert (answer.granted, answer.again, answer.spent, answer.entries_left) == (
            True, True, False, 1,
        )  # fmt: skip
    assert looking.rows(house.instance, select(passes)) == before
    # The time runs from the grant and is not stretched by reading on.
    later = house.present(issued, minutes=5 / 60)
    assert (later.again, later.spent, later.entries_left) == (False, True, 0)


def test_another_reader_or_another_code_is_no_second_reading(house: House) -> None:
    issued = house.issue(entries=3)
    badge = recode(house, issued, "badge")
    shown = [(issued, "Front in"), (issued, "Side in"), (badge, "Front in")]
    assert [house.present(each, reader).entries_left for each, reader in shown] == [2, 1, 0]
    assert [house.present(each, reader).again for each, reader in shown] == [True] * 3


@pytest.mark.parametrize(("reread", "again"), [(0, False), (2, True)])
def test_a_door_has_its_own_time_for_reading_again(
    small_house: House, reread: float, *, again: bool
) -> None:
    door = c.AddDoor(
        name="Gate", from_area="outside", to_area="hall", groups=("Visitors",),
        schedules=("always",), reread_seconds=reread,
    )  # fmt: skip
    small_house.act(c.add_door, door)
    reader = c.AddReader.model_validate({"name": "Gate in", "door": "Gate", "direction": "entry"})
    small_house.readers["Gate in"] = small_house.act(c.add_reader, reader)
    issued = small_house.issue(entries=3)
    answers = [small_house.present(issued, "Gate in", minutes=s / 60) for s in (0, 1.999, 4)]
    assert [answer.again for answer in answers] == [False, again, False]
    assert answers[-1].entries_left == (1 if again else 0)


def test_a_refusal_is_not_repeated_from_memory(house: House) -> None:
    issued = house.issue()
    assert house.present(issued, minutes=-2).reason is Reason.TOO_EARLY
    assert house.present(issued).granted
    assert house.present(issued, minutes=61).reason is Reason.EXPIRED
