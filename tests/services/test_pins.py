"""PINs at the door: a try is counted before it is checked, and five wrong ones end it."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import argon2
import pytest
from sqlalchemy import select, update

from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import commissioning as c
from passdesk.services import issuing, presenting
from passdesk.services.issuing import RecodePass
from passdesk.services.presenting import ConflictError
from passdesk.store.tables import passes, pin_tries, presentations
from tests.support import looking

if TYPE_CHECKING:
    from passdesk.services.issuing import Issued
    from tests.support.place import House

SLOW = issuing._hasher
SECOND = 1 / 60  # of a minute


def wrong(issued: Issued, by: int = 1) -> str:
    """Give a PIN that is not the one of a pass."""
    assert issued.pin is not None
    return f"{(int(issued.pin) + by) % 10**6:06d}"


def tries(house: House) -> int:
    """Give how many wrong PINs the one pass stands at, as another connection sees it."""
    return int(looking.rows(house.instance, select(passes.c.wrong_pins))[0][0])


def pin_door(house: House, weekly: str = "mon-sun 00:00-24:00 pass and PIN") -> None:
    """Add a door that asks everybody for a PIN, with a reader 'Vault in'."""
    house.act(c.add_schedule, c.AddSchedule(name="vault", weekly=weekly))
    door = c.AddDoor(
        name="Vault", from_area="outside", to_area="hall", groups=("Visitors",),
        schedules=("vault",),
    )  # fmt: skip
    house.act(c.add_door, door)
    reader = c.AddReader.model_validate({"name": "Vault in", "door": "Vault", "direction": "entry"})
    house.readers["Vault in"] = house.act(c.add_reader, reader)


# RFC 9106 section 4, the second recommended option: 64 MiB, 3 passes, 4 lanes.
def test_a_pins_hash_is_slow() -> None:
    assert (SLOW.type, SLOW.memory_cost, SLOW.time_cost, SLOW.parallelism) == (
        argon2.Type.ID, 65_536, 3, 4,
    )  # fmt: skip


def test_the_right_pin_opens_and_a_wrong_one_does_not(house: House) -> None:
    issued = house.issue(pin=True, entries=2)
    assert house.present(issued).reason is Reason.PIN_NEEDED
    refused = house.present(issued, pin=wrong(issued))
    assert (refused.reason, refused.entries_left) == (Reason.WRONG_PIN, 2)
    granted = house.present(issued, pin=issued.pin)
    assert (granted.granted, granted.spent, granted.entries_left) == (True, True, 1)


def test_five_wrong_pins_lock_the_pass_for_the_right_one_too(house: House) -> None:
    issued = house.issue(pin=True)
    reasons = [house.present(issued, pin=wrong(issued, by)).reason for by in range(1, 7)]
    assert reasons == [Reason.WRONG_PIN] * 5 + [Reason.PIN_LOCKED]
    assert house.present(issued, pin=issued.pin).reason is Reason.PIN_LOCKED
    assert house.present(issued).reason is Reason.PIN_LOCKED
    assert tries(house) == 5


def test_the_lock_belongs_to_the_pass_and_a_new_code_does_not_open_it(house: House) -> None:
    issued = house.issue(pin=True)
    for by in range(1, 6):
        house.present(issued, "Side in" if by % 2 else "Front in", pin=wrong(issued, by))
    command = RecodePass.model_validate({"pass": issued.number, "carrier": "phone"})
    again = house.act(issuing.recode, command)
    assert house.present(again, pin=issued.pin).reason is Reason.PIN_LOCKED


def test_the_right_pin_in_time_takes_the_wrong_ones_back(house: House) -> None:
    issued = house.issue(pin=True, entries=0)
    for turn in range(3):
        for by in range(1, 5):
            house.present(issued, minutes=turn, pin=wrong(issued, by))
        assert tries(house) == 4
        assert house.present(issued, minutes=turn + 0.5, pin=issued.pin).granted
        assert tries(house) == 0


@pytest.mark.parametrize("reason", ["escort-needed", "used-up", "area-full"])
def test_a_right_pin_counts_as_right_also_where_something_else_is_missing(
    house: House, reason: str
) -> None:
    issued = house.issue(pin=True, escort=reason == "escort-needed")
    if reason == "area-full":
        looking.alter_area(house.instance, "hall", occupancy_limit=1)
        house.present(house.issue())
    if reason == "used-up":
        spent = update(passes).values(entries_used=1)
        looking.change(house.instance, spent)
    reasons = {house.present(issued, minutes=m, pin=issued.pin).reason for m in range(8)}
    assert reasons == {reason}


def test_a_try_is_durable_before_the_pin_is_checked(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    issued = house.issue(pin=True)
    seen: list[tuple[int, Kind, int]] = []

    def check(pin_hash: str, pin: str) -> bool:
        assert (pin_hash.startswith("$argon2id$"), pin) == (True, issued.pin)
        last = looking.last_record(house.instance)
        seen.append((tries(house), last.kind, looking.count(house.instance, presentations)))
        return True

    monkeypatch.setattr(presenting, "_pin_is_right", check)
    assert house.present(issued, pin=issued.pin).granted
    assert seen == [(1, Kind.PIN_TRIED, 0)]


def test_a_service_that_is_killed_while_it_checks_has_counted_the_try(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    issued = house.issue(pin=True)

    def killed(_hash: str, _pin: str) -> bool:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(presenting, "_pin_is_right", killed)
        for number in range(5):
            with pytest.raises(KeyboardInterrupt):
                house.present(issued, pin=issued.pin, presentation_id=f"attempt-{number}")
    assert tries(house) == 5
    assert house.present(issued, pin=issued.pin).reason is Reason.PIN_LOCKED


def test_of_many_guesses_at_once_at_most_five_are_ever_checked(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    issued = house.issue(pin=True)
    checked: list[str] = []
    start = threading.Barrier(8)
    whole = presenting._pin_is_right

    def check(pin_hash: str, pin: str) -> bool:
        checked.append(pin)
        return whole(pin_hash, pin)

    monkeypatch.setattr(presenting, "_pin_is_right", check)
    reasons: list[Reason | None] = []

    def guess(number: int) -> None:
        start.wait(30)
        for turn in range(4):
            by = 1 + number * 4 + turn
            answer = house.present(
                issued, pin=wrong(issued, by), presentation_id=f"guess-{by:04d}"
            )  # fmt: skip
            reasons.append(answer.reason)

    threads = [threading.Thread(target=guess, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert len(checked) == len(set(checked)) == 5
    assert sorted(map(str, reasons)) == ["pin-locked"] * 27 + ["wrong-pin"] * 5


def test_a_code_read_again_with_its_pin_is_granted_again_and_is_no_try(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    issued = house.issue(pin=True, entries=2)
    assert house.present(issued, pin=issued.pin).entries_left == 1
    monkeypatch.setattr(presenting, "_pin_is_right", None)  # it is not asked
    again = house.present(issued, pin=issued.pin, minutes=SECOND)
    assert (again.granted, again.again, again.entries_left) == (True, True, 1)


@pytest.mark.parametrize("pin", ["none", "wrong"])
def test_without_the_same_pin_it_is_no_second_reading(house: House, pin: str) -> None:
    issued = house.issue(pin=True, entries=2)
    house.present(issued, pin=issued.pin)
    answer = house.present(
        issued, pin=None if pin == "none" else wrong(issued), minutes=SECOND
    )  # fmt: skip
    assert answer.reason is (Reason.PIN_NEEDED if pin == "none" else Reason.WRONG_PIN)


def test_a_presentation_with_a_pin_is_one_presentation(house: House) -> None:
    issued = house.issue(pin=True, entries=2)
    first = house.present(issued, pin=wrong(issued), presentation_id="attempt-1")
    before = looking.dump(house.instance)
    assert house.present(issued, pin=wrong(issued), presentation_id="attempt-1") == first
    for pin in (issued.pin, None):
        with pytest.raises(ConflictError):
            house.present(issued, pin=pin, presentation_id="attempt-1")
    assert looking.dump(house.instance) == before


@pytest.mark.parametrize("right", [False, True])
def test_a_presentation_that_is_sent_again_while_its_pin_is_checked_is_one_try(
    house: House, monkeypatch: pytest.MonkeyPatch, *, right: bool
) -> None:
    issued = house.issue(pin=True)
    for by in range(1, 5):
        assert house.present(issued, pin=wrong(issued, by)).reason is Reason.WRONG_PIN
    pin = issued.pin if right else wrong(issued, 5)
    all_are_checking = threading.Barrier(3, timeout=20)
    check = presenting._pin_is_right

    def checked(pin_hash: str, tried: str) -> bool:
        all_are_checking.wait()
        return check(pin_hash, tried)

    monkeypatch.setattr(presenting, "_pin_is_right", checked)
    with ThreadPoolExecutor(3) as pool:
        sent = [
            pool.submit(house.present, issued, pin=pin, presentation_id="once-and-again")
            for _ in range(3)
        ]
        answers = {one.result() for one in sent}
    # It was the fifth and last try, counted once however often it came.
    assert len(answers) == 1
    assert answers.pop().reason is (None if right else Reason.WRONG_PIN)
    assert tries(house) == (0 if right else 5)
    assert len(looking.records_of(house.instance, Kind.PIN_TRIED)) == 5
    assert looking.count(house.instance, pin_tries) == 0


def test_another_pin_under_the_id_of_one_that_is_being_checked_is_not_looked_at(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    issued = house.issue(pin=True)
    checked = []

    def interrupted(pin_hash: str, tried: str) -> bool:
        checked.append((pin_hash, tried))
        raise KeyboardInterrupt

    monkeypatch.setattr(presenting, "_pin_is_right", interrupted)
    with pytest.raises(KeyboardInterrupt):
        house.present(issued, pin=wrong(issued), presentation_id="left-half-done")
    with pytest.raises(ConflictError):
        house.present(issued, pin=issued.pin, presentation_id="left-half-done")
    assert len(checked) == 1
    assert tries(house) == 1


def test_a_try_and_its_outcome_are_two_records_and_neither_says_the_pin(house: House) -> None:
    issued = house.issue(pin=True)
    house.present(issued, pin=wrong(issued))
    tried, decided = looking.records_of(house.instance)[-2:]
    assert (tried.kind, tried.data) == (
        Kind.PIN_TRIED, {"pass": issued.pass_id, "reader": house.readers["Front in"]},
    )  # fmt: skip
    assert (decided.kind, decided.data["reason"]) == (Kind.PRESENTATION_DECIDED, "wrong-pin")
    assert wrong(issued) not in repr(looking.dump(house.instance))


# --- doors that ask ----------------------------------------------------------------------------


def test_a_door_that_asks_for_a_pin_asks_everybody(house: House) -> None:
    pin_door(house)
    with_pin, without = house.issue(pin=True), house.issue()
    assert house.present(with_pin, "Vault in").reason is Reason.PIN_NEEDED
    assert house.present(with_pin, "Vault in", pin=with_pin.pin).granted
    # No PIN is right for a pass that has none, and none is counted as wrong.
    for pin in (None, "000000", "123456"):
        assert house.present(without, "Vault in", pin=pin).reason is Reason.PIN_NEEDED
    assert house.present(without, pin="123456").granted
    assert tries(house) == 0


def test_a_pin_that_nobody_asked_for_is_not_looked_at(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(presenting, "_pin_is_right", None)
    assert house.present(house.issue(), pin="123456").granted
    assert tries(house) == 0


def test_where_the_door_asks_for_less_at_times_a_pin_is_asked_for_at_the_others(
    house: House,
) -> None:
    pin_door(house, "tue 08:00-10:30 pass; tue 10:30-18:00 pass and PIN")
    issued = house.issue(entries=0)
    assert house.present(issued, "Vault in", minutes=29.9).granted
    assert house.present(issued, "Vault in", minutes=30).reason is Reason.PIN_NEEDED


@pytest.mark.parametrize(
    ("shown", "reason"),
    [("lab", Reason.WRONG_DOOR), ("late", Reason.EXPIRED), ("withdrawn", Reason.WITHDRAWN)],
)
def test_where_something_before_the_pin_is_wrong_no_try_is_taken(
    house: House, monkeypatch: pytest.MonkeyPatch, shown: str, reason: Reason
) -> None:
    monkeypatch.setattr(presenting, "_pin_is_right", None)
    issued = house.issue(pin=True)
    if shown == "withdrawn":
        house.withdraw(issued)
    answer = house.present(
        issued, "Lab in" if shown == "lab" else "Front in", pin=wrong(issued),
        minutes=90 if shown == "late" else 0,
    )  # fmt: skip
    assert answer.reason is reason
    assert tries(house) == 0
