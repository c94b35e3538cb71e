"""What a reader decided by itself is taken in once, as it was; what does not fit is said."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import update

from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services.delivering import Delivered
from passdesk.services.errors import NotFoundError
from passdesk.services.presenting import ConflictError, Moments, PresentCode
from passdesk.store.tables import areas, passes, presentations, readers
from tests.support import looking
from tests.support.place import MINUTE_US, NOW_US

if TYPE_CHECKING:
    from passdesk.services.issuing import Issued
    from tests.support.place import House

DELIVERED_US = NOW_US + 30 * MINUTE_US
"""When reports come; what they tell of happened a few minutes after NOW_US."""


def deliver(  # the parts of a report
    house: House,
    shown: Issued | str,
    reader: str = "Front in",
    *,
    minutes: int = 5,
    reason: Reason | None = None,
    spent: bool = True,
    presentation_id: str = "alone-0001",
) -> Delivered:
    """Report what a reader decided; by default that it let somebody in and took an entry."""
    command = PresentCode(
        presentation_id=presentation_id, text=shown if isinstance(shown, str) else shown.text
    )
    return house.presenter.deliver(
        command,
        reader_id=house.readers[reader],
        moments=Moments(NOW_US + minutes * MINUTE_US, DELIVERED_US),
        reason=reason,
        spent=spent,
    )


def used(house: House) -> int:
    """Give how many entries the first pass has used."""
    return int(looking.row(house.instance, passes, 1).entries_used)


def whereabouts(house: House) -> tuple[str | None, int | None]:
    """Give where the guest of the first pass is, and since when in minutes after NOW_US."""
    row = looking.row(house.instance, passes, 1)
    if row.area_id is None:
        return None, None
    area = looking.row(house.instance, areas, row.area_id)
    return area.name, (row.since_us - NOW_US) // MINUTE_US


def last(house: House) -> dict[str, Any]:
    return dict(looking.last_record(house.instance).data)


# --- taken in ----------------------------------------------------------------------------------


def test_an_entry_that_a_reader_granted_is_counted_and_recorded_as_its_own(house: House) -> None:
    issued = house.issue(entries=2)
    told = deliver(house, issued)
    assert (told.known, told.diverged, told.excess) == (False, False, False)
    answer = told.answer
    assert (answer.granted, answer.reason, answer.spent) == (True, None, True)
    assert (answer.pass_id, answer.entries_left) == (issued.pass_id, 1)
    assert used(house) == 1
    assert whereabouts(house) == ("hall", 5)
    row = looking.row(house.instance, presentations, answer.presentation)
    assert (row.moment_us, row.received_us) == (NOW_US + 5 * MINUTE_US, DELIVERED_US)
    assert row.alone
    written = looking.last_record(house.instance)
    assert (written.kind, written.at_us) == (Kind.PRESENTATION_DECIDED, DELIVERED_US)
    assert written.by == f"reader:{house.readers['Front in']}"
    assert last(house) == {
        "presentation": answer.presentation,
        "reader": house.readers["Front in"],
        "digest": row.payload_mac,
        "moment-us": NOW_US + 5 * MINUTE_US,
        "pass": issued.pass_id,
        "code": row.code_id,
        "granted": True,
        "reason": None,
        "spent": True,
        "again": False,
        "left": 1,
        "alone": True,
    }


@pytest.mark.parametrize("reason", list(Reason))
def test_a_refusal_is_taken_in_with_its_reason_and_takes_no_entry(
    small_house: House, reason: Reason
) -> None:
    told = deliver(small_house, small_house.issue(), reason=reason, spent=False)
    assert (told.answer.granted, told.answer.reason) == (False, reason)
    assert (used(small_house), whereabouts(small_house)) == (0, (None, None))
    assert (last(small_house)["reason"], last(small_house)["alone"]) == (reason.value, True)


def test_what_has_been_done_is_not_judged_again(house: House) -> None:
    issued = house.issue()
    house.withdraw(issued)
    told = deliver(house, issued, minutes=600)  # withdrawn, and long after its end
    assert told.answer.granted
    assert used(house) == 1


@pytest.mark.parametrize("shown", ["", "nonsense", "VP1:ABC", "a\0b"])
def test_a_code_that_is_none_of_ours_counts_for_no_pass(house: House, shown: str) -> None:
    told = deliver(house, shown, reason=Reason.UNREADABLE, spent=False)
    assert (told.answer.pass_id, told.answer.number) == (None, None)
    told = deliver(house, shown, presentation_id="alone-0002")  # let in all the same
    assert (told.answer.granted, told.answer.spent, told.excess) == (True, True, False)
    assert looking.count(house.instance, passes) == 0


def test_who_left_is_outside_and_nothing_is_spent(house: House) -> None:
    issued = house.issue()
    deliver(house, issued)
    told = deliver(house, issued, "Front out", minutes=9, spent=False, presentation_id="alone-0002")
    assert told.answer.leaving
    assert (used(house), whereabouts(house)) == (1, ("outside", 9))


def test_a_late_report_does_not_move_a_guest_who_was_seen_since(house: House) -> None:
    issued = house.issue(entries=3)
    house.present(issued, "Side in", minutes=2)
    house.present(issued, "Side out", minutes=8)
    deliver(house, issued, minutes=5)
    assert whereabouts(house) == ("outside", 8)
    assert used(house) == 2  # counted it is
    deliver(house, issued, minutes=9, presentation_id="alone-0002")
    assert whereabouts(house) == ("hall", 9)


# --- one too many ------------------------------------------------------------------------------


def test_an_entry_that_is_one_too_many_is_counted_and_said(house: House) -> None:
    issued = house.issue(entries=1)
    assert house.present(issued, "Side in").spent
    told = deliver(house, issued)
    assert (told.excess, told.known, told.diverged) == (True, False, False)
    assert (told.answer.granted, told.answer.entries_left) == (True, 0)
    assert used(house) == 2
    assert last(house)["excess"] is True
    # Here nobody more is let in.
    assert house.present(issued, "Side in", minutes=10).reason is Reason.USED_UP


def test_every_entry_up_to_the_limit_is_none_too_many(house: House) -> None:
    issued = house.issue(entries=2)
    told = [deliver(house, issued, presentation_id=f"alone-{n:04d}") for n in range(3)]
    assert [one.excess for one in told] == [False, False, True]
    assert [one.answer.entries_left for one in told] == [1, 0, 0]
    excess = [
        one.data.get("excess", False)
        for one in looking.records_of(house.instance, Kind.PRESENTATION_DECIDED)
    ]
    assert excess == [False, False, True]


def test_without_a_limit_there_is_no_entry_too_many(house: House) -> None:
    issued = house.issue(entries=0)
    told = [deliver(house, issued, presentation_id=f"alone-{n:04d}") for n in range(3)]
    assert [(one.excess, one.answer.entries_left) for one in told] == [(False, None)] * 3
    assert used(house) == 3


# --- once --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("reason", "spent"), [(None, True), (Reason.EXPIRED, False)])
def test_a_report_that_comes_again_is_known_and_writes_nothing(
    house: House, reason: Reason | None, *, spent: bool
) -> None:
    issued = house.issue()
    first = deliver(house, issued, reason=reason, spent=spent)
    before = looking.dump(house.instance)
    again = deliver(house, issued, reason=reason, spent=spent)
    assert again == Delivered(first.answer, known=True)
    assert looking.dump(house.instance) == before


def test_a_report_of_what_was_decided_here_and_agrees_is_known(house: House) -> None:
    # The answer got lost on its way; the reader then decided alone, and the same.
    issued = house.issue()
    answer = house.present(issued, presentation_id="alone-0001", minutes=5)
    before = looking.dump(house.instance)
    assert deliver(house, issued) == Delivered(answer, known=True)
    assert looking.dump(house.instance) == before


def test_a_report_that_comes_from_several_sides_at_once_is_taken_in_once(house: House) -> None:
    issued = house.issue(entries=5)
    told: list[Delivered] = []
    threads = [
        threading.Thread(target=lambda: told.append(deliver(house, issued))) for _ in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(one.known for one in told) == [False] + [True] * 7
    assert len({one.answer for one in told}) == 1
    assert (used(house), looking.count(house.instance, presentations)) == (1, 1)


def test_what_was_reported_is_answered_the_same_when_it_is_asked_for_here(house: House) -> None:
    issued = house.issue()
    told = deliver(house, issued)
    assert house.present(issued, presentation_id="alone-0001") == told.answer
    assert used(house) == 1


def test_the_same_id_of_two_readers_is_two_presentations(house: House) -> None:
    issued = house.issue(entries=5)
    deliver(house, issued)
    assert not deliver(house, issued, "Side in").known
    assert used(house) == 2


def test_one_id_with_two_contents_is_a_conflict(house: House) -> None:
    issued, other = house.issue(), house.issue(guest="Ana Reis")
    deliver(house, issued)
    before = looking.dump(house.instance)
    with pytest.raises(ConflictError, match="was used for another presentation"):
        deliver(house, other)
    assert looking.dump(house.instance) == before


# --- decided twice -----------------------------------------------------------------------------


def test_a_second_decision_that_differs_is_said_and_the_first_stands(house: House) -> None:
    issued = house.issue()
    answer = house.present(issued, presentation_id="alone-0001", minutes=5)
    told = deliver(house, issued, reason=Reason.RULES_STALE, spent=False)
    assert told == Delivered(answer, known=True, diverged=True)
    assert used(house) == 1
    written = looking.last_record(house.instance)
    assert (written.kind, written.by) == (
        Kind.PRESENTATION_DIVERGED, f"reader:{house.readers['Front in']}",
    )  # fmt: skip
    assert written.data == {
        "presentation": answer.presentation,
        "reader": house.readers["Front in"],
        "stands": "granted",
        "reported": "rules-stale",
    }


def test_somebody_let_in_against_the_decision_that_stands_costs_nothing_and_is_said(
    house: House,
) -> None:
    issued = house.issue()
    house.withdraw(issued)
    answer = house.present(issued, presentation_id="alone-0001", minutes=5)
    assert answer.reason is Reason.WITHDRAWN
    told = deliver(house, issued)
    assert (told.answer, told.diverged, told.excess) == (answer, True, False)
    assert (used(house), whereabouts(house)) == (0, (None, None))
    assert (last(house)["stands"], last(house)["reported"]) == ("withdrawn", "granted")


def test_an_entry_that_one_took_and_the_other_did_not_is_a_difference_too(house: House) -> None:
    issued = house.issue()
    answer = house.present(issued, presentation_id="alone-0001", minutes=5)
    told = deliver(house, issued, spent=False)
    assert told == Delivered(answer, known=True, diverged=True)
    assert (last(house)["stands"], last(house)["reported"]) == ("granted", "granted")


# --- readers -----------------------------------------------------------------------------------


def test_a_reader_that_is_not_there_or_was_ended_delivers_nothing(house: House) -> None:
    issued = house.issue()
    looking.change(
        house.instance, update(readers).where(readers.c.name == "Side in").values(ended_us=1)
    )
    house.readers["Nowhere"] = 999
    before = looking.dump(house.instance)
    for reader in ("Side in", "Nowhere"):
        with pytest.raises(NotFoundError, match="there is no such reader"):
            deliver(house, issued, reader)
    assert looking.dump(house.instance) == before
