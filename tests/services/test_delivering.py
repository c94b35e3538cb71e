"""Decisions that a reader made by itself and reports when the line is back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services.errors import NotFoundError
from passdesk.services.presenting import ConflictError, Moments, PresentCode
from passdesk.store.tables import areas, passes, presence, presentations
from tests.support import looking
from tests.support.place import HOUR_US, MINUTE_US, NOW_US

if TYPE_CHECKING:
    from passdesk.services.delivering import Delivered
    from passdesk.services.issuing import Issued
    from tests.support.place import House

LATER_US = NOW_US + 2 * HOUR_US


def deliver(  # what a reader reports
    house: House,
    shown: Issued | str,
    presentation_id: str,
    reader: str = "Front in",
    *,
    reason: Reason | None = None,
    spent: bool = True,
    at_us: int = NOW_US,
) -> Delivered:
    text = shown if isinstance(shown, str) else shown.text
    return house.presenter.deliver(
        PresentCode(presentation_id=presentation_id, text=text),
        reader_id=house.readers[reader],
        moments=Moments(at_us, LATER_US),
        reason=reason,
        spent=spent,
    )


def used(house: House, issued: Issued) -> int:
    return int(looking.row(house.instance, passes, issued.pass_id).entries_used)


def test_a_report_is_taken_in_as_it_was_decided(house: House) -> None:
    issued = house.issue(entries=3)
    house.withdraw(issued)  # meanwhile; the door was opened all the same
    delivered = deliver(house, issued, "alone-01")
    assert (delivered.known, delivered.diverged, delivered.excess) == (False, False, False)
    answer = delivered.answer
    assert (answer.granted, answer.spent, answer.entries_left) == (True, True, 2)
    kept = looking.row(house.instance, presentations, answer.presentation)
    assert (kept.alone, kept.moment_us, kept.received_us) == (True, NOW_US, LATER_US)
    last = looking.last_record(house.instance)
    assert (last.at_us, last.data["alone"], last.data["left"]) == (LATER_US, True, 2)
    assert "excess" not in last.data
    query = select(areas.c.name).join(presence).where(presence.c.pass_id == issued.pass_id)
    assert looking.rows(house.instance, query) == [("hall",)]


def test_a_report_that_comes_twice_is_written_once(house: House) -> None:
    issued = house.issue(entries=3)
    first = deliver(house, issued, "alone-01")
    before = looking.dump(house.instance)
    again = deliver(house, issued, "alone-01")
    assert (again.answer, again.known, again.diverged) == (first.answer, True, False)
    assert looking.dump(house.instance) == before


def test_the_first_decision_stands_and_one_that_differs_is_noted(house: House) -> None:
    issued = house.issue()
    online = house.present(issued, presentation_id="attempt-1")
    refused = deliver(house, issued, "attempt-1", reason=Reason.RULES_STALE, spent=False)
    assert (refused.answer, refused.known, refused.diverged) == (online, True, True)
    last = looking.last_record(house.instance)
    assert (last.kind, last.data) == (
        Kind.PRESENTATION_DIVERGED,
        {
            "presentation": online.presentation, "reader": house.readers["Front in"],
            "stands": "granted", "reported": "rules-stale",
        },
    )  # fmt: skip
    assert used(house, issued) == 1


def test_a_refusal_that_the_reader_had_turned_into_a_grant_is_noted_too(house: House) -> None:
    issued = house.issue()
    house.present(issued, minutes=-2, presentation_id="attempt-1")
    delivered = deliver(house, issued, "attempt-1")
    assert (delivered.diverged, delivered.answer.granted) == (True, False)
    last = looking.last_record(house.instance).data
    assert (last["stands"], last["reported"]) == ("too-early", "granted")
    assert used(house, issued) == 0


def test_a_report_can_be_asked_for_again_online(house: House) -> None:
    issued = house.issue()
    delivered = deliver(house, issued, "alone-01")
    assert house.present(issued, presentation_id="alone-01") == delivered.answer


def test_one_entry_too_many_is_taken_told_and_recorded(house: House) -> None:
    issued = house.issue()
    assert house.present(issued).granted
    delivered = deliver(house, issued, "alone-01", "Side in", at_us=NOW_US + MINUTE_US)
    assert (delivered.excess, delivered.answer.granted) == (True, True)
    assert delivered.answer.entries_left == 0
    assert looking.last_record(house.instance).data["excess"] is True
    assert used(house, issued) == 2


@pytest.mark.parametrize("entries", [0, 5])
def test_with_entries_left_nothing_is_in_excess(small_house: House, entries: int) -> None:
    issued = small_house.issue(entries=entries)
    assert [deliver(small_house, issued, f"alone-{n:02d}").excess for n in range(3)] == [False] * 3
    assert used(small_house, issued) == 3


def test_a_refusal_is_kept_and_moves_nobody(house: House) -> None:
    delivered = deliver(house, "VP1:NOTHING", "alone-01", reason=Reason.UNREADABLE, spent=False)
    assert (delivered.answer.granted, delivered.answer.pass_id) == (False, None)
    assert looking.last_record(house.instance).data["reason"] == "unreadable"
    assert looking.count(house.instance, presence) == 0


def test_who_left_while_the_line_was_down_is_outside(house: House) -> None:
    issued = house.issue()
    house.present(issued)
    delivered = deliver(house, issued, "alone-01", "Front out", spent=False)
    assert (delivered.answer.granted, delivered.answer.leaving) == (True, True)
    query = select(areas.c.name).join(presence).where(presence.c.pass_id == issued.pass_id)
    assert looking.rows(house.instance, query) == [("outside",)]


def test_one_presentation_id_with_two_payloads_is_a_conflict(house: House) -> None:
    deliver(house, house.issue(), "alone-01")
    other = house.issue()
    before = looking.dump(house.instance)
    with pytest.raises(ConflictError):
        deliver(house, other, "alone-01")
    assert looking.dump(house.instance) == before


def test_a_reader_that_is_not_there_delivers_nothing(small_house: House) -> None:
    small_house.readers["Front in"] = 4711
    with pytest.raises(NotFoundError, match="reader: there is no such reader"):
        deliver(small_house, small_house.issue(), "alone-01")
