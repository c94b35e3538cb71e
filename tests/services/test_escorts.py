"""Guests who come in with somebody: in either order, within half a minute, each once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select, update

from passdesk.core import code
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import commissioning as c
from passdesk.services import instance as instances
from passdesk.services import issuing, statements
from passdesk.services.issuing import RecodePass
from passdesk.store.tables import accompaniments, areas, passes, signing_keys
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from sqlalchemy.sql.expression import Executable

    from passdesk.services.issuing import Issued
    from tests.support.place import House

SECOND = 1 / 60  # of a minute


def guest_and_escort(house: House, **fields: Any) -> tuple[Issued, Issued]:  # noqa: ANN401
    """Make a guest's pass that needs an escort, and an escort's for any number of entries."""
    guest = house.issue(escort=True, **{"entries": 3, **fields})
    return guest, house.issue(guest="Tomás Brand", escort_pass=True, entries=0)


def used(house: House, issued: Issued) -> int:
    return int(looking.row(house.instance, passes, issued.pass_id).entries_used)


def escort_door(house: House, weekly: str = "mon-sun 00:00-24:00 pass and escort") -> None:
    """Add a door that asks for company, with a reader 'Vault in'."""
    house.act(c.add_schedule, c.AddSchedule(name="vault", weekly=weekly))
    door = c.AddDoor(
        name="Vault", from_area="outside", to_area="hall", groups=("Visitors",),
        schedules=("vault",),
    )  # fmt: skip
    house.act(c.add_door, door)
    reader = c.AddReader.model_validate({"name": "Vault in", "door": "Vault", "direction": "entry"})
    house.readers["Vault in"] = house.act(c.add_reader, reader)


# --- in either order ---------------------------------------------------------------------------


def test_a_guest_who_comes_after_the_escort_is_let_in_at_once(house: House) -> None:
    guest, escort = guest_and_escort(house)
    with_them = house.present(escort)
    answer = house.present(guest, minutes=10 * SECOND)
    assert (answer.granted, answer.spent, answer.entries_left) == (True, True, 2)
    assert with_them.accompanies == ()
    assert looking.last_record(house.instance).data["escort"] == with_them.presentation


def test_a_guest_who_comes_first_is_let_in_by_the_escorts_presentation(house: House) -> None:
    guest, escort = guest_and_escort(house)
    waiting = house.present(guest)
    assert (waiting.reason, waiting.entries_left) == (Reason.ESCORT_NEEDED, 3)
    answer = house.present(escort, minutes=10 * SECOND)
    assert answer.granted
    (along,) = answer.accompanies
    assert (along.pass_id, along.number, along.granted, along.reason) == (
        guest.pass_id, guest.number.replace("-", ""), True, None,
    )  # fmt: skip
    assert used(house, guest) == 1
    inside = areas.join(passes, passes.c.area_id == areas.c.id)
    query = select(areas.c.name).select_from(inside).where(passes.c.id == guest.pass_id)
    assert looking.rows(house.instance, query) == [("hall",)]


# shared/decision.md: at the same reader within 30 s.
@pytest.mark.parametrize(("seconds", "together"), [(0, True), (29.9, True), (30, False)])
@pytest.mark.parametrize("first", ["guest", "escort"])
def test_they_come_within_half_a_minute(
    house: House, first: str, seconds: float, *, together: bool
) -> None:
    guest, escort = guest_and_escort(house)
    order = (guest, escort) if first == "guest" else (escort, guest)
    house.present(order[0])
    last = house.present(order[1], minutes=seconds * SECOND)
    assert (bool(last.accompanies) if first == "guest" else last.granted) is together
    assert used(house, guest) == int(together)


@pytest.mark.parametrize("first", ["guest", "escort"])
def test_they_come_to_the_same_reader(house: House, first: str) -> None:
    guest, escort = guest_and_escort(house)
    order = (guest, escort) if first == "guest" else (escort, guest)
    house.present(order[0], "Front in")
    house.present(order[1], "Side in")
    assert used(house, guest) == 0


def test_an_escort_who_is_refused_is_no_escort(house: House) -> None:
    guest, escort = guest_and_escort(house)
    house.withdraw(escort)
    house.present(guest)
    assert house.present(escort).accompanies == ()
    assert house.present(guest, minutes=SECOND).reason is Reason.ESCORT_NEEDED


def test_another_guest_is_no_escort(house: House) -> None:
    guest, _ = guest_and_escort(house)
    assert house.present(house.issue()).granted
    assert house.present(guest).reason is Reason.ESCORT_NEEDED


def test_an_escort_pass_alone_opens_as_any_pass_does(house: House) -> None:
    escort = house.issue(escort_pass=True, entries=1)
    answer = house.present(escort)
    assert (answer.granted, answer.entries_left, answer.accompanies) == (True, 0, ())


# --- several -----------------------------------------------------------------------------------


def test_an_escort_takes_along_everybody_who_waits(house: House) -> None:
    guests = [guest_and_escort(house, entries=1)[0] for _ in range(3)]
    _, escort = guest_and_escort(house)
    for second, guest in enumerate(guests):
        house.present(guest, minutes=second * SECOND)
    answer = house.present(escort, minutes=5 * SECOND)
    assert [along.pass_id for along in answer.accompanies] == [g.pass_id for g in guests[::-1]]
    assert [used(house, guest) for guest in guests] == [1, 1, 1]


def test_a_guest_who_waits_in_vain_is_told_apart(house: House) -> None:
    guest, escort = guest_and_escort(house)
    spent, _ = guest_and_escort(house, entries=1)
    house.present(escort)
    assert house.present(spent).granted
    house.present(spent, minutes=1)
    house.present(guest, minutes=1)
    answer = house.present(escort, minutes=1 + SECOND)
    assert [(along.pass_id, along.granted, along.reason) for along in answer.accompanies] == [
        (guest.pass_id, True, None), (spent.pass_id, False, Reason.USED_UP),
    ]  # fmt: skip


def test_a_limit_on_the_area_holds_for_those_taken_along(house: House) -> None:
    looking.alter_area(house.instance, "hall", occupancy_limit=2)
    first, escort = guest_and_escort(house)
    second, _ = guest_and_escort(house)
    house.present(first)
    house.present(second, minutes=SECOND)
    answer = house.present(escort, minutes=2 * SECOND)
    assert [along.reason for along in answer.accompanies] == [None, Reason.AREA_FULL]
    assert (used(house, first), used(house, second)) == (0, 1)


def test_a_guest_who_was_withdrawn_while_they_waited_is_not_taken_along(house: House) -> None:
    guest, escort = guest_and_escort(house)
    house.present(guest)
    house.withdraw(guest)
    answer = house.present(escort, minutes=SECOND)
    assert [along.reason for along in answer.accompanies] == [Reason.WITHDRAWN]
    assert used(house, guest) == 0


# --- once --------------------------------------------------------------------------------------


def test_the_guests_code_read_on_spends_nothing_more(house: House) -> None:
    guest, escort = guest_and_escort(house)
    house.present(guest)
    house.present(escort, minutes=2 * SECOND)
    again = house.present(guest, minutes=3 * SECOND)
    assert (again.granted, again.again, again.entries_left) == (True, True, 2)
    assert used(house, guest) == 1


def test_the_escorts_code_read_on_takes_nobody_along_twice(house: House) -> None:
    guest, escort = guest_and_escort(house)
    house.present(guest)
    assert len(house.present(escort, minutes=SECOND).accompanies) == 1
    again = house.present(escort, minutes=2 * SECOND)
    assert (again.again, again.accompanies) == (True, ())
    assert used(house, guest) == 1


def test_a_reading_on_of_the_escorts_code_takes_along_who_came_meanwhile(house: House) -> None:
    first, escort = guest_and_escort(house)
    second, _ = guest_and_escort(house)
    house.present(first)
    house.present(escort, minutes=SECOND)
    answer = house.present(second, minutes=2 * SECOND)
    assert answer.granted
    assert house.present(escort, minutes=3 * SECOND).accompanies == ()


def test_a_guest_who_was_read_several_times_is_taken_along_once(house: House) -> None:
    # Scanners read a code several times a second, and a refusal is a presentation each time.
    guest, escort = guest_and_escort(house)
    other = house.issue(escort_pass=True, entries=0)
    for second in range(3):
        house.present(guest, minutes=second * SECOND)
    assert len(house.present(escort, minutes=4 * SECOND).accompanies) == 1
    assert house.present(other, minutes=20 * SECOND).accompanies == ()
    assert used(house, guest) == 1


def test_a_guest_who_shows_both_codes_is_taken_along_once(house: House) -> None:
    guest, escort = guest_and_escort(house)
    command = RecodePass.model_validate({"pass": guest.number, "carrier": "badge"})
    house.present(guest)
    house.present(house.act(issuing.recode, command), minutes=SECOND)
    assert len(house.present(escort, minutes=2 * SECOND).accompanies) == 1
    assert used(house, guest) == 1


def test_a_guest_who_came_in_meanwhile_is_not_taken_along_afterwards(house: House) -> None:
    guest, escort = guest_and_escort(house)
    house.present(guest, "Front in")
    house.present(escort, "Side in", minutes=SECOND)
    assert house.present(guest, "Side in", minutes=2 * SECOND).granted
    assert house.present(escort, "Front in", minutes=10 * SECOND).accompanies == ()
    assert used(house, guest) == 1


def test_an_escort_is_not_their_own_guest(house: House) -> None:
    escort = house.issue(escort_pass=True, pin=True, entries=0)
    assert house.present(escort).reason is Reason.PIN_NEEDED
    answer = house.present(escort, pin=escort.pin, minutes=SECOND)
    assert (answer.granted, answer.accompanies) == (True, ())


def test_the_escorts_presentation_sent_again_gives_the_same_company(house: House) -> None:
    guests = [guest_and_escort(house)[0] for _ in range(3)]
    _, escort = guest_and_escort(house)
    # Requests overtake one another: the order of rows is not that of moments.
    for second, guest in zip((3, 1, 2), guests, strict=True):
        house.present(guest, minutes=second * SECOND)
    first = house.present(escort, minutes=4 * SECOND, presentation_id="escort-1")
    assert len(first.accompanies) == 3
    before = looking.dump(house.instance)
    assert house.present(escort, minutes=1, presentation_id="escort-1") == first
    assert looking.dump(house.instance) == before


def test_a_guests_presentation_sent_again_keeps_its_own_answer(house: House) -> None:
    guest, escort = guest_and_escort(house)
    first = house.present(guest, presentation_id="guest-01")
    house.present(escort, minutes=SECOND)
    assert house.present(guest, minutes=SECOND, presentation_id="guest-01") == first


@pytest.mark.parametrize("statement", [statements.escort(), statements.waiting()])
def test_who_stands_at_a_reader_is_found_without_looking_at_all_who_ever_did(
    small_house: House, statement: Executable
) -> None:
    # sqlite.org/partialindex.html section 3.2, asked of the database itself.
    store = small_house.instance.store
    compiled = statement.compile(dialect=store.writes.dialect)  # type: ignore[attr-defined]
    with store.reading() as connection:
        cursor = connection.connection.cursor()
        plan = cursor.execute(
            f"EXPLAIN QUERY PLAN {compiled.string}", [0] * len(compiled.positiontup)
        ).fetchall()
        cursor.close()
    steps = [row[-1] for row in plan if "presentations" in row[-1] or "later" in row[-1]]
    assert steps
    assert all("ix_presentations_company (reader_id=? AND moment_us>?" in step for step in steps)


# --- rows, records, proofs ---------------------------------------------------------------------


def test_an_accompaniment_is_recorded_with_both_presentations(house: House) -> None:
    guest, escort = guest_and_escort(house)
    waiting = house.present(guest)
    answer = house.present(escort, minutes=SECOND)
    (row,) = looking.rows(house.instance, select(accompaniments))
    assert tuple(row) == (waiting.presentation, answer.presentation, True, None)
    theirs, along = looking.records_of(house.instance, Kind.PRESENTATION_DECIDED)[-2:]
    assert theirs.data["presentation"] == answer.presentation
    assert along.data == {
        "presentation": waiting.presentation, "escort": answer.presentation,
        "pass": guest.pass_id, "reader": house.readers["Front in"], "granted": True,
        "reason": None, "spent": True, "moment-us": NOW_US + 1_000_000,
    }  # fmt: skip


def test_an_escort_stands_in_for_no_pin_of_the_guests_own(house: House) -> None:
    guest, escort = guest_and_escort(house, pin=True)
    house.present(guest)
    assert house.present(escort, minutes=SECOND).accompanies == ()
    assert house.present(guest, minutes=2 * SECOND, pin=guest.pin).granted


def test_a_pin_that_was_right_while_the_guest_waited_is_not_asked_for_again(house: House) -> None:
    guest, escort = guest_and_escort(house, pin=True)
    assert house.present(guest, pin=guest.pin).reason is Reason.ESCORT_NEEDED
    assert [along.granted for along in house.present(escort, minutes=SECOND).accompanies] == [True]


def test_company_does_not_take_wrong_pins_back(house: House) -> None:
    escort_door(house)
    guest, escort = house.issue(pin=True, entries=0), house.issue(escort_pass=True, entries=0)
    for number in range(4):
        house.present(guest, pin=f"{(int(guest.pin or 0) + 1 + number) % 10**6:06d}")
    tries = looking.row(house.instance, passes, guest.pass_id).wrong_pins
    house.present(guest, "Vault in", minutes=1)
    house.present(escort, "Vault in", minutes=1 + SECOND)
    assert looking.row(house.instance, passes, guest.pass_id).wrong_pins == tries == 4


def test_a_door_that_asks_for_company_lets_an_escort_in_and_whom_they_bring(house: House) -> None:
    escort_door(house)
    guest, escort = house.issue(), house.issue(escort_pass=True, entries=0)
    assert house.present(guest, "Vault in").reason is Reason.ESCORT_NEEDED
    answer = house.present(escort, "Vault in", minutes=SECOND)
    assert answer.granted
    assert [along.granted for along in answer.accompanies] == [True]
    late = house.issue()
    assert house.present(late, "Vault in", minutes=20 * SECOND).granted


def test_where_a_pin_or_company_is_enough_either_opens(house: House) -> None:
    escort_door(house, "mon-sun 00:00-24:00 pass and escort; mon-sun 00:00-24:00 pass and PIN")
    with_pin, without = house.issue(pin=True, entries=0), house.issue(entries=0)
    escort = house.issue(escort_pass=True, entries=0)
    assert house.present(without, "Vault in").reason is Reason.PIN_NEEDED
    assert house.present(escort, "Vault in", minutes=SECOND).accompanies[0].granted
    assert house.present(without, "Vault in", minutes=10 * SECOND).granted
    assert house.present(with_pin, "Vault in", pin=with_pin.pin, minutes=2).granted


# --- who does not help, and who is not helped ---------------------------------------------------


@pytest.mark.parametrize("how", ["withdrawn", "recoded"])
def test_an_escort_whose_pass_or_code_was_ended_since_accompanies_nobody(
    house: House, how: str
) -> None:
    guest, escort = guest_and_escort(house)
    assert house.present(escort).granted
    if how == "withdrawn":
        house.withdraw(escort)
    else:
        house.act(issuing.recode, RecodePass.model_validate({"pass": str(escort.pass_id)}))
    assert house.present(guest, minutes=10 * SECOND).reason is Reason.ESCORT_NEEDED


def test_a_guest_whose_code_is_of_a_key_that_was_ended_is_not_taken_along(house: House) -> None:
    guest = house.issue(escort=True)
    assert house.present(guest).reason is Reason.ESCORT_NEEDED
    house.instance.act("command", NOW_US, instances.make_signing_key)
    escort = house.issue(guest="Tomás Brand", escort_pass=True, entries=0)
    kid = code.parse(guest.text).kid
    ended = update(signing_keys).where(signing_keys.c.kid == kid).values(ended_us=NOW_US)
    looking.change(house.instance, ended)
    answer = house.present(escort, minutes=10 * SECOND)
    assert (answer.granted, answer.accompanies) == (True, ())
    assert used(house, guest) == 0


def test_somebody_who_waits_for_nothing_but_a_pin_is_left_alone_by_an_escort(house: House) -> None:
    guest = house.issue(pin=True)
    _, escort = guest_and_escort(house)
    assert house.present(guest).reason is Reason.PIN_NEEDED
    assert house.present(escort, minutes=10 * SECOND).accompanies == ()
    assert looking.count(house.instance, accompaniments) == 0
