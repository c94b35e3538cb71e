"""Setting a place up: what is kept, what is refused, and what the records say of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select

from passdesk.core.record import Kind
from passdesk.services import commissioning as c
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.store.tables import (
    areas,
    door_group_doors,
    door_schedules,
    doors,
    readers,
    schedule_hours,
    sites,
    special_hours,
)
from tests.support import looking
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.instance import Instance
    from passdesk.services.models import Command
    from tests.support.place import House

JOBS: dict[type[Command], Callable[..., int]] = {
    c.AddSite: c.add_site,
    c.AddArea: c.add_area,
    c.AddDoor: c.add_door,
    c.AddReader: c.add_reader,
    c.AddGroup: c.add_group,
    c.AddSchedule: c.add_schedule,
    c.AddSpecialDay: c.add_special_day,
}
PASSAGE = {"from_area": "outside", "to_area": "hall"}

# One more of everything that the house has already; of each: model, fields, what the record says.
ADDITIONS: list[tuple[type[Command], dict[str, Any], str]] = [
    (c.AddArea, {"name": "cellar"}, "area"),
    (c.AddDoor, {"name": "Back", **PASSAGE}, "door"),
    (c.AddReader, {"name": "Front left", "door": "Front", "direction": "entry"}, "reader"),
    (c.AddGroup, {"name": "Suppliers", "doors": ["Yard", "Side"]}, "group"),
    (c.AddSchedule, {"name": "night", "weekly": "fri 22:00-02:00"}, "schedule"),
    (c.AddSpecialDay, {"name": "Christmas Day", "day": "2030-12-25"}, "special-day"),
]
NAMES = [model.__name__ for model, _, _ in ADDITIONS]


def add(instance: Instance, model: type[Command], **fields: Any) -> int:  # noqa: ANN401
    command = model.model_validate(fields)
    return instance.act("command", NOW_US, JOBS[model], command)


def fault(house: House, model: type[Command], **fields: Any) -> tuple[str, str]:  # noqa: ANN401
    """Give the field and the message of a refusal, which must have changed nothing."""
    before = looking.dump(house.instance)
    with pytest.raises(CommandError) as refused:
        add(house.instance, model, **fields)
    assert looking.dump(house.instance) == before
    (found,) = refused.value.faults
    return found.field, found.message


def versions(house: House) -> list[int]:
    query = select(sites.c.version).order_by(sites.c.id)
    return [row.version for row in looking.rows(house.instance, query)]


# --- what is recorded, and who hears of it -----------------------------------------------------


@pytest.mark.parametrize(("model", "fields", "what"), ADDITIONS, ids=NAMES)
def test_what_is_added_is_recorded_by_its_number_alone(
    house: House, model: type[Command], fields: dict[str, Any], what: str
) -> None:
    row_id = add(house.instance, model, **fields)
    last = looking.last_record(house.instance)
    assert (last.kind, last.by, last.at_us) == (Kind.PLACE_CHANGED, "command", NOW_US)
    assert last.data == {"what": what, "id": row_id}


@pytest.mark.parametrize(("model", "fields", "what"), ADDITIONS, ids=NAMES)
def test_every_addition_lets_the_rules_of_its_site_be_read_anew_and_no_others(
    house: House, model: type[Command], fields: dict[str, Any], what: str
) -> None:
    add(house.instance, c.AddSite, name="Harbour", zone="Europe/Lisbon")
    mill, harbour = versions(house)
    add(house.instance, model, site="Mill Lane", **fields)
    assert versions(house) == [mill + 1, harbour], what


@pytest.mark.parametrize(("model", "fields", "what"), ADDITIONS, ids=NAMES)
def test_a_second_of_the_same_name_is_refused(
    house: House, model: type[Command], fields: dict[str, Any], what: str
) -> None:
    add(house.instance, model, **fields)
    key = "day" if what == "special-day" else "name"
    assert fault(house, model, **fields) == (key, f"there is a {what} of this {key} already")


def test_a_second_site_of_the_same_name_is_refused(house: House) -> None:
    assert fault(house, c.AddSite, name="Mill Lane", zone="UTC")[0] == "name"


def test_other_sites_may_use_the_same_names(house: House) -> None:
    instance = house.instance
    add(instance, c.AddSite, name="Harbour", zone="Atlantic/Azores")
    for name, outside in (("outside", True), ("hall", False)):
        add(instance, c.AddArea, site="Harbour", name=name, outside=outside)
    add(instance, c.AddSchedule, site="Harbour", name="always", weekly="mon-sun 00:00-24:00")
    add(instance, c.AddGroup, site="Harbour", name="Visitors")
    door_id = add(
        instance, c.AddDoor, site="Harbour", name="Front", groups=["Visitors"],
        schedules=["always"], **PASSAGE,
    )  # fmt: skip
    assert looking.row(instance, doors, door_id).site_id == 2


def test_a_reader_has_a_name_that_no_other_has_at_any_site(house: House) -> None:
    # Tokens and reports name a reader without its site.
    instance = house.instance
    add(instance, c.AddSite, name="Harbour", zone="UTC")
    for name in ("outside", "hall"):
        add(instance, c.AddArea, site="Harbour", name=name)
    add(instance, c.AddDoor, site="Harbour", name="Front", **PASSAGE)
    found = fault(
        house, c.AddReader, site="Harbour", name="Front in", door="Front", direction="entry"
    )
    assert found == ("name", "there is a reader of this name already")


# --- what is kept ------------------------------------------------------------------------------


def test_an_area_keeps_what_it_asks_for(small_house: House) -> None:
    area = add(
        small_house.instance, c.AddArea, name="vault", passback="timed", passback_minutes=30,
        occupancy_limit=4,
    )  # fmt: skip
    row = looking.row(small_house.instance, areas, area)
    assert (row.outside, row.passback, row.passback_minutes, row.occupancy_limit) == (
        False, "timed", 30, 4,
    )  # fmt: skip


@pytest.mark.parametrize(("seconds", "kept"), [(0, 0), (0.5, 500), (60, 60_000)])
def test_a_door_keeps_its_time_for_reading_again(
    small_house: House, seconds: float, kept: int
) -> None:
    door = add(small_house.instance, c.AddDoor, name="Back", reread_seconds=seconds, **PASSAGE)
    assert looking.row(small_house.instance, doors, door).reread_ms == kept


def test_a_door_belongs_to_its_groups_and_follows_its_schedules(house: House) -> None:
    # A name given twice is one name.
    door = add(
        house.instance, c.AddDoor, name="Back", groups=["Laboratory", "Visitors", "Visitors"],
        schedules=["office", "always", "office"], **PASSAGE,
    )  # fmt: skip
    groups = select(door_group_doors.c.group_id).where(door_group_doors.c.door_id == door)
    hours = select(door_schedules.c.schedule_id).where(door_schedules.c.door_id == door)
    assert sorted(row[0] for row in looking.rows(house.instance, groups)) == [1, 2]
    assert sorted(row[0] for row in looking.rows(house.instance, hours)) == [1, 2]


def test_a_group_takes_its_doors_whichever_way_round_they_are_made(house: House) -> None:
    group = add(house.instance, c.AddGroup, name="Suppliers", doors=["Yard", "Side", "Yard"])
    query = select(doors.c.name).join(door_group_doors).where(door_group_doors.c.group_id == group)
    assert sorted(row.name for row in looking.rows(house.instance, query)) == ["Side", "Yard"]


def test_a_schedule_keeps_its_week(small_house: House) -> None:
    schedule = add(
        small_house.instance, c.AddSchedule, name="late",
        weekly="fri 22:00-02:00 pass and PIN; mon 9:00-10:00",
    )  # fmt: skip
    query = select(schedule_hours).where(schedule_hours.c.schedule_id == schedule)
    found = [tuple(row)[2:] for row in looking.rows(small_house.instance, query)]
    assert sorted(found) == [(0, 540, 600, "pass"), (4, 1320, 1560, "pass and PIN")]


def test_a_special_day_keeps_all_the_times_of_each_schedule(small_house: House) -> None:
    day = add(
        small_house.instance, c.AddSpecialDay, name="Christmas Eve", day="2030-12-24",
        hours={"office": "09:00-12:00; 13:00-14:00 pass and escort;", "always": ""},
    )  # fmt: skip
    query = select(special_hours).where(special_hours.c.special_day_id == day)
    found = [tuple(row)[2:] for row in looking.rows(small_house.instance, query)]
    assert sorted(found) == [(2, 540, 720, "pass"), (2, 780, 840, "pass and escort")]


@pytest.mark.parametrize(
    "name", ['O\'Neill "Hall"', "<script>", "\u202etfeL", "'; DROP TABLE doors; --"]
)
def test_a_name_is_kept_as_it_was_given(house: House, name: str) -> None:
    area = add(house.instance, c.AddArea, name=name)
    assert looking.row(house.instance, areas, area).name == name
    add(house.instance, c.AddDoor, name=name, from_area="outside", to_area=name)
    reader = add(house.instance, c.AddReader, name=name, door=name, direction="exit")
    assert looking.row(house.instance, readers, reader).name == name


# --- what is refused ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("model", "fields", "field", "known"),
    [
        (c.AddDoor, {"name": "D", "from_area": "moon", "to_area": "hall"}, "from_area",
         "hall, laboratory, outside"),
        (c.AddDoor, {"name": "D", "from_area": "hall", "to_area": "moon"}, "to_area",
         "hall, laboratory, outside"),
        (c.AddDoor, {"name": "D", **PASSAGE, "schedules": ["moon"]}, "schedules", "always, office"),
        (c.AddDoor, {"name": "D", **PASSAGE, "groups": ["moon"]}, "groups",
         "Laboratory, Nothing, Visitors"),
        (c.AddReader, {"name": "R", "door": "moon", "direction": "entry"}, "door",
         "Front, Lab, Side, Yard"),
        (c.AddGroup, {"name": "G", "doors": ["Front", "moon"]}, "doors", "Front, Lab, Side, Yard"),
        (c.AddSpecialDay, {"name": "S", "day": "2030-12-24", "hours": {"moon": "09:00-10:00"}},
         "hours", "always, office"),
    ],
)  # fmt: skip
def test_what_is_not_known_is_named_with_what_is(
    small_house: House, model: type[Command], fields: dict[str, Any], field: str, known: str
) -> None:
    assert fault(small_house, model, **fields) == (
        field, f"'moon' is not known here; known are: {known}",
    )  # fmt: skip


def test_what_stands_at_another_site_is_not_known(small_house: House) -> None:
    add(small_house.instance, c.AddSite, name="Harbour", zone="UTC")
    found = fault(small_house, c.AddDoor, site="Harbour", name="Front", **PASSAGE)
    assert found == ("from_area", "'outside' is not known here; known are: none yet")


def test_before_there_is_a_site_the_way_to_one_is_told(small_instance: Instance) -> None:
    with pytest.raises(NotFoundError, match="no site has been set up yet; add one with"):
        add(small_instance, c.AddArea, name="hall")


def test_a_site_that_is_not_known_is_refused(small_house: House) -> None:
    field, message = fault(small_house, c.AddArea, site="Mill Lain", name="cellar")
    assert field == "site"
    assert message.startswith("no site is called 'Mill Lain'")


def test_with_several_sites_one_must_be_named(small_house: House) -> None:
    add(small_house.instance, c.AddSite, name="Harbour", zone="UTC")
    assert fault(small_house, c.AddArea, name="cellar") == (
        "site",
        "there are several sites, say which",
    )


def test_timed_anti_passback_needs_its_time(small_house: House) -> None:
    assert fault(small_house, c.AddArea, name="vault", passback="timed")[0] == "passback_minutes"


def test_a_door_leads_somewhere_else(small_house: House) -> None:
    found = fault(small_house, c.AddDoor, name="Loop", from_area="hall", to_area="hall")
    assert found == ("to_area", "a door leads from one area into another")


def test_an_area_is_found_by_name(small_house: House) -> None:
    with looking.elsewhere(small_house.instance) as connection:
        assert c.area_id_of(connection, 1, "hall") == 2
        with pytest.raises(NotFoundError, match="area: 'moon' is not known"):
            c.area_id_of(connection, 1, "moon")
