"""What a place asks for beside the pass: who is inside, how many, and rules that change."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select

from passdesk.core.reasons import Reason
from passdesk.services import commissioning as c
from passdesk.services import instance as instances
from passdesk.services import lockdown
from passdesk.services.lockdown import ChangeLockdown
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.store.tables import areas, passes
from tests.support import looking
from tests.support.place import NOW_US, at

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.deciding import Answer
    from passdesk.services.issuing import Issued
    from tests.support.place import House

BOTH = ("Visitors", "Laboratory")


def where(house: House, issued: Issued) -> str | None:
    """Give the area that a guest is in."""
    inside = areas.join(passes, passes.c.area_id == areas.c.id)
    query = select(areas.c.name).select_from(inside).where(passes.c.id == issued.pass_id)
    found = looking.rows(house.instance, query)
    return found[0].name if found else None


# --- presence ----------------------------------------------------------------------------------


def test_a_guest_is_where_the_last_reader_saw_them(house: House) -> None:
    issued = house.issue(doors=BOTH, entries=2)
    seen = [where(house, issued)]
    for minute, reader in enumerate(("Front in", "Lab in", "Lab out", "Side out", "Side in")):
        house.present(issued, reader, minutes=minute)
        seen.append(where(house, issued))
    assert seen == [None, "hall", "laboratory", "hall", "outside", "hall"]


@pytest.mark.parametrize("reader", ["Front in", "Lab in"])
def test_who_is_refused_stays_where_they_were(house: House, reader: str) -> None:
    issued = house.issue()
    house.present(issued)
    assert not house.present(issued, reader, minutes=1).granted
    assert where(house, issued) == "hall"


# --- anti-passback -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("passback", "second"), [("off", None), ("soft", None), ("hard", Reason.ALREADY_INSIDE)]
)
def test_who_is_inside_already_enters_again_as_the_area_says(
    house: House, passback: str, second: Reason | None
) -> None:
    looking.alter_area(house.instance, "hall", passback=passback)
    issued = house.issue(entries=5)
    assert house.present(issued).granted
    answer = house.present(issued, "Side in", minutes=1)
    assert (answer.reason, answer.spent) == (second, second is None)
    noted = looking.last_record(house.instance).data.get("passed-back", False)
    assert noted is (passback == "soft")


def test_who_has_left_is_not_inside_any_more(house: House) -> None:
    looking.alter_area(house.instance, "hall", passback="hard")
    issued = house.issue(entries=2)
    assert house.present(issued).granted
    house.present(issued, "Front out", minutes=1)
    assert house.present(issued, minutes=2).granted


@pytest.mark.parametrize(
    ("minutes", "reason"), [(29.99, Reason.ALREADY_INSIDE), (30, None), (59, None)]
)
def test_timed_anti_passback_keeps_out_for_its_time(
    small_house: House, minutes: float, reason: Reason | None
) -> None:
    looking.alter_area(small_house.instance, "hall", passback="timed", passback_minutes=30)
    issued = small_house.issue(entries=2)
    small_house.present(issued)
    assert small_house.present(issued, minutes=minutes).reason is reason


def test_going_further_in_is_no_way_round_anti_passback(house: House) -> None:
    looking.alter_area(house.instance, "hall", passback="hard")
    issued = house.issue(entries=9, doors=BOTH)
    assert house.present(issued).granted
    assert house.present(issued, "Lab in", minutes=1).granted
    # Nobody who is in the laboratory can be standing outside.
    assert house.present(issued, "Side in", minutes=2).reason is Reason.ALREADY_INSIDE
    house.present(issued, "Lab out", minutes=3)
    house.present(issued, "Front out", minutes=4)
    assert house.present(issued, "Side in", minutes=5).granted


# --- how many ----------------------------------------------------------------------------------


def test_an_area_takes_no_more_than_its_limit_until_somebody_leaves(house: House) -> None:
    looking.alter_area(house.instance, "hall", occupancy_limit=2)
    first, second, third = (house.issue(entries=9, doors=BOTH) for _ in range(3))
    assert house.present(first).granted
    assert house.present(second).granted
    assert house.present(third).reason is Reason.AREA_FULL
    assert house.present(first, "Side in", minutes=1).granted  # who is inside takes no new place
    house.present(first, "Lab in", minutes=2)
    assert house.present(third, minutes=3).granted
    house.present(second, "Front out", minutes=4)
    house.present(first, "Lab out", minutes=5)  # leaving the laboratory is not refused
    assert house.present(second, minutes=6).reason is Reason.AREA_FULL


def test_whoever_never_left_stops_counting_when_their_window_ends(house: House) -> None:
    looking.alter_area(house.instance, "hall", occupancy_limit=1)
    assert house.present(house.issue(valid_until=at(10))).granted
    next_one = house.issue()
    assert house.present(next_one, minutes=9).reason is Reason.AREA_FULL
    assert house.present(next_one, minutes=10).granted


def test_a_limit_holds_when_many_come_at_once(house: House) -> None:
    looking.alter_area(house.instance, "hall", occupancy_limit=5)
    guests = [house.issue() for _ in range(16)]
    start = threading.Barrier(len(guests))
    granted: list[bool] = []

    def enter(number: int) -> None:
        start.wait(30)
        reader = "Front in" if number % 2 else "Side in"
        answer = house.present(guests[number], reader, presentation_id=f"enter-{number:04d}")
        granted.append(answer.granted)

    threads = [threading.Thread(target=enter, args=(number,)) for number in range(len(guests))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert (granted.count(True), granted.count(False)) == (5, 11)


# --- rules that change while others read them --------------------------------------------------

GATE = {"from_area": "outside", "to_area": "hall"}


def add(house: House, job: Callable[..., int], command: object) -> int:
    return int(house.act(job, command))


def _add_gate(house: House, **fields: Any) -> None:  # noqa: ANN401 # of AddDoor
    add(house, c.add_door, c.AddDoor(name="Gate", **GATE, **fields))
    reader = c.AddReader.model_validate({"name": "Gate in", "door": "Gate", "direction": "entry"})
    house.readers["Gate in"] = add(house, c.add_reader, reader)


def _close_on_the_day(house: House) -> None:
    # The same Tuesday in May on which the tests take place.
    add(house, c.add_special_day, c.AddSpecialDay.model_validate(
        {"name": "Holiday", "day": "2030-05-14", "hours": {"office": "13:00-14:00"}}
    ))  # fmt: skip


def _open_the_laboratory(house: House) -> None:
    add(house, c.add_group, c.AddGroup(name="Guests of the lab", doors=("Lab",)))


def _shut(house: House) -> None:
    add(house, lockdown.start, ChangeLockdown(because="Smoke"))


def _shut_the_hall(house: House) -> None:
    add(house, lockdown.start, ChangeLockdown(area="hall", because="Smoke"))


CHANGES: dict[str, tuple[Callable[[House], None], str, Reason]] = {
    "a special day": (_close_on_the_day, "Yard in", Reason.OUTSIDE_HOURS),
    "a lockdown of the site": (_shut, "Yard in", Reason.LOCKDOWN),
    "a lockdown of the area": (_shut_the_hall, "Yard in", Reason.LOCKDOWN),
}


def asked_elsewhere(house: House, presenter: Presenter, issued: Issued, reader: str) -> Answer:
    """Ask another presenter than the one of the house, each time half a minute later."""
    number = next(house.ids)
    at_us = NOW_US + number * 30_000_000
    command = PresentCode(presentation_id=f"else-{number:08d}", text=issued.text)
    return presenter.present(
        command, reader_id=house.readers[reader], by="command", moments=Moments(at_us, at_us)
    )


@pytest.mark.parametrize(("change", "reader", "reason"), CHANGES.values(), ids=CHANGES)
def test_a_change_holds_at_once_for_everybody_who_has_read_the_rules(
    house: House, change: Callable[[House], None], reader: str, reason: Reason
) -> None:
    # Another presenter of this process, and one that shares nothing but the database.
    other = instances.open_instance(house.instance.settings)
    presenters = [Presenter(house.instance), Presenter(other), house.presenter]
    issued = house.issue(entries=0)
    before = [asked_elsewhere(house, each, issued, reader).reason for each in presenters]
    change(house)
    after = [asked_elsewhere(house, each, issued, reader).reason for each in presenters]
    other.close()
    assert before == [None] * 3
    assert after == [reason] * 3


def test_what_is_given_holds_at_once_too(house: House) -> None:
    other = instances.open_instance(house.instance.settings)
    presenters = [Presenter(other), house.presenter]
    _add_gate(house)
    group = house.issue(doors=("Visitors",), entries=0)

    def reasons(issued: Issued, reader: str) -> list[Reason | None]:
        return [asked_elsewhere(house, each, issued, reader).reason for each in presenters]

    assert reasons(group, "Gate in") == [Reason.WRONG_DOOR] * 2
    add(house, c.add_group, c.AddGroup(name="Gate guests", doors=("Gate",)))
    issued = house.issue(doors=("Gate guests",), entries=0)
    assert reasons(issued, "Gate in") == [Reason.OUTSIDE_HOURS] * 2
    _open_the_laboratory(house)
    assert reasons(issued, "Lab in") == [Reason.WRONG_DOOR] * 2
    lab = house.issue(doors=("Guests of the lab",), entries=0)
    assert reasons(lab, "Lab in") == [None] * 2
    _shut(house)
    assert reasons(lab, "Lab in") == [Reason.LOCKDOWN] * 2
    add(house, lockdown.end, ChangeLockdown(because="Steam"))
    assert reasons(lab, "Lab in") == [None] * 2
    other.close()


def test_rules_of_another_site_are_not_mixed_up_with_ours(house: House) -> None:
    instance = house.instance
    add(house, c.add_site, c.AddSite(name="Harbour", zone="Pacific/Auckland"))
    for name, outside in (("outside", True), ("hall", False)):
        add(house, c.add_area, c.AddArea(site="Harbour", name=name, outside=outside))
    hours = c.AddSchedule(site="Harbour", name="office", weekly="mon-fri 09:00-17:00")
    add(house, c.add_schedule, hours)
    add(house, c.add_group, c.AddGroup(site="Harbour", name="Visitors"))
    door = c.AddDoor(
        site="Harbour", name="Front", **GATE, groups=("Visitors",), schedules=("office",)
    )
    add(house, c.add_door, door)
    reader = c.AddReader.model_validate(
        {"site": "Harbour", "name": "Harbour in", "door": "Front", "direction": "entry"}
    )
    house.readers["Harbour in"] = add(house, c.add_reader, reader)
    ours, theirs = house.issue(site="Mill Lane"), house.issue(site="Harbour", valid_until=at(900))
    assert house.present(ours, "Harbour in").reason is Reason.WRONG_DOOR
    assert house.present(theirs, "Front in").reason is Reason.WRONG_DOOR
    # At ten in Lisbon it is nine in the evening in Auckland; it is nine in the morning at 22:00.
    assert house.present(theirs, "Harbour in").reason is Reason.OUTSIDE_HOURS
    assert house.present(theirs, "Harbour in", minutes=12 * 60).granted
    house.act(lockdown.start, ChangeLockdown(site="Harbour", because="Flood"))
    assert house.present(ours).granted
    assert looking.count(instance, areas) == 5


def test_special_days_replace_the_hours_of_their_date_only(house: House) -> None:
    issued = house.issue(entries=0, valid_until=at(60 * 24 * 3))
    day = {"name": "Market", "day": "2030-05-15", "hours": {"office": "18:00-20:00; 06:00-07:00"}}
    house.act(c.add_special_day, c.AddSpecialDay.model_validate(day))
    hour = {h: house.present(issued, "Yard in", minutes=(h - 10) * 60) for h in (10, 34, 42, 58)}
    # Today at ten, tomorrow at ten and at six in the evening, the day after at ten.
    assert {h: answer.reason for h, answer in hour.items()} == {
        10: None, 34: Reason.OUTSIDE_HOURS, 42: None, 58: None,
    }  # fmt: skip
    assert house.present(issued, "Front in", minutes=24 * 60).reason is Reason.OUTSIDE_HOURS


def test_a_free_door_takes_no_entry_and_asks_for_no_escort(house: House) -> None:
    weekly = "tue 08:00-12:00 free; tue 12:00-18:00 pass"
    add(house, c.add_schedule, c.AddSchedule(name="market", weekly=weekly))
    _add_gate(house, groups=("Visitors",), schedules=("market",))
    issued = house.issue(escort=True, entries=1)
    answer = house.present(issued, "Gate in")
    assert (answer.granted, answer.spent, answer.entries_left) == (True, False, 1)
    assert house.present(issued, "Gate in", minutes=160).reason is Reason.EXPIRED
