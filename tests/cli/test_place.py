"""Setting a place up by commands, and reading it back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import select

from passdesk.services import access
from passdesk.store.tables import areas, schedule_hours, special_hours, texts
from tests.cli.calling import REFUSED, Cli
from tests.support import looking

if TYPE_CHECKING:
    from passdesk.services.instance import Instance
    from tests.support.place import House

FRONT = ("door", "add", "Front", "--from", "outside", "--to", "hall")

NAMES = {
    "markup": "[red]Ann[/red] [link=https://example.org]x[/link]",
    "markup-that-is-broken": "[/] [bold [[",
    "html": "<script>alert('x')</script> & \"so on\"",
    "emoji-code": ":smile: {name} %s $HOME \\n",
    "right-to-left-mark": "\u200fאדה\u200f",
    "joiners": "قاسم\u200cپور क्\u200dष",
    "override": "\u202eevil\u202c",
    "no-break-space": "Van\u00a0Dijk",
    "wide": "王小明" * 30,
    "long": "x" * 120,
}


@pytest.fixture
def place(empty: Cli) -> Cli:
    """Give commands on a site with two areas."""
    empty.data("site", "add", "Mill Lane", "--zone", "Europe/Lisbon")
    empty.data("area", "add", "outside", "--outside")
    empty.data("area", "add", "hall")
    return empty


def test_a_place_that_was_set_up_by_commands_is_listed(place: Cli) -> None:
    place.data("schedule", "add", "Visitors", "--weekly", "mon-fri 08:00-18:00")
    place.data("group", "add", "Visitors")
    place.data("group", "add", "Staff wing")
    place.data(*FRONT, "--schedules", "Visitors", "--groups", "Visitors, Staff wing")
    place.data("door", "add", "Back", "--from", "hall", "--to", "outside")
    place.data("reader", "add", "Front in", "--door", "Front", "--direction", "entry")
    place.data("reader", "add", "Front out", "--door", "Front", "--direction", "exit")
    assert place.data("door", "list") == [
        {
            "site": "Mill Lane",
            "name": "Front",
            "from": "outside",
            "to": "hall",
            "groups": ["Staff wing", "Visitors"],
            "readers": [
                {"name": "Front in", "direction": "entry"},
                {"name": "Front out", "direction": "exit"},
            ],
        },
        {
            "site": "Mill Lane",
            "name": "Back",
            "from": "hall",
            "to": "outside",
            "groups": [],
            "readers": [],
        },
    ]
    front, back = place("door", "list").rows
    assert front.split("  ")[0] == "Mill Lane"
    for cell in ("Front", "outside → hall", "Staff wing, Visitors", "Front in (entry), Front out"):
        assert cell in front
    assert back.split() == ["Mill", "Lane", "Back", "hall", "→", "outside", "none", "none"]


def test_the_doors_of_every_site_are_listed(place: Cli) -> None:
    place.data(*FRONT)
    place.data("site", "add", "Harbour", "--zone", "Europe/Oslo")
    for area in ("outside", "quay"):
        place.data("area", "add", area, "--site", "Harbour")
    place.data("door", "add", "Gate", "--from", "outside", "--to", "quay", "--site", "Harbour")
    listed = [(door["site"], door["name"]) for door in place.data("door", "list")]
    assert listed == [("Harbour", "Gate"), ("Mill Lane", "Front")]


def test_a_place_without_doors_is_an_empty_list(place: Cli) -> None:
    assert place.data("door", "list") == []
    assert place("door", "list").rows == []


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_a_name_is_shown_as_it_is_and_on_one_line(place: Cli, name: str) -> None:
    place.data("group", "add", name)
    said = place("door", "add", name, "--from", "outside", "--to", "hall", "--groups", name)
    assert said.out == f"Added door {name} (id 1).\n"
    place.data("reader", "add", name, "--door", name, "--direction", "entry")
    (door,) = place.data("door", "list")
    assert (door["name"], door["groups"], door["readers"][0]["name"]) == (name, [name], name)
    (row,) = place("door", "list").rows
    assert row.count(name) == 3


def test_what_would_move_the_cursor_is_not_written_to_a_screen(
    place: Cli, within: Instance
) -> None:
    # No command takes such a name: it was put into the database past them.
    place.data(*FRONT)
    hall = areas.update().where(areas.c.name == "hall")
    looking.change(within, hall.values(name="\x1b[2J\x9b\n"))
    (row,) = place("door", "list").rows
    assert "outside → �[2J��" in row


def test_a_reader_gets_a_token_that_is_told_once(place: Cli, within: Instance) -> None:
    place.data(*FRONT)
    told = place.data("reader", "add", "Front in", "--door", "Front", "--direction", "entry")
    caller = access.Callers(within.store).find(told["secret"])
    assert caller == access.Caller(told["token"], access.Scope.READER, told["id"], "Europe/Lisbon")
    said = place("reader", "add", "Front out", "--door", "Front", "--direction", "exit")
    assert said.out.startswith("Added reader Front out (id 2).\nIts token, told just this once: ")


def test_an_area_takes_its_rules(place: Cli, within: Instance) -> None:
    made = place.data(
        "area", "add", "vault",
        "--passback", "timed", "--passback-minutes", "20", "--occupancy-limit", "3",
    )  # fmt: skip
    row = looking.row(within, areas, made["id"])
    assert (row.passback, row.passback_minutes, row.occupancy_limit) == ("timed", 20, 3)
    assert not row.outside


def test_hours_of_a_special_day_that_are_given_apart_hold_together(
    cli: Cli, within: Instance
) -> None:
    cli.data(
        "special-day", "add", "Fair", "--day", "2030-06-01",
        "--hours", "office=09:00-10:00", "--hours", "office=14:00-15:00 pass and PIN",
    )  # fmt: skip
    h = special_hours.c
    found = looking.rows(
        within, select(h.first_minute, h.end_minute, h.mode).order_by(h.first_minute)
    )
    assert found == [(540, 600, "pass"), (840, 900, "pass and PIN")]


def test_a_schedule_that_a_special_day_does_not_name_is_closed(cli: Cli) -> None:
    cli.data("special-day", "add", "Holiday", "--day", "2030-05-14")
    code = cli.issue()["code"]
    told = cli.data("present", code, "--reader", "Front in", status=REFUSED)
    assert told["reason"] == "outside-hours"


@pytest.mark.parametrize(
    ("args", "field", "says"),
    [
        (("site", "add", "X", "--zone", "Mars/Base"), "zone", "Mars/Base"),
        (("site", "add", "", "--zone", "UTC"), "name", "at least 1 character"),
        (("site", "add", "x" * 121, "--zone", "UTC"), "name", "at most 120"),
        (("site", "add", "a\nb", "--zone", "UTC"), "name", "line breaks"),
        (("site", "add", "Mill Lane", "--zone", "UTC"), "name", "already"),
        (("site", "add", "X"), "zone", "Missing option '--zone'"),
        (("area", "add", "hall"), "name", "already"),
        (("area", "add", "x", "--passback", "timed"), "passback_minutes", "needs a number"),
        (("area", "add", "x", "--passback", "strict"), "passback", "'strict' is not one of"),
        (("area", "add", "x", "--occupancy-limit", "0"), "occupancy_limit", "greater than"),
        (("area", "add", "x", "--occupancy-limit", "all"), "occupancy_limit", "not a valid int"),
        (("area", "add", "x", "--site", "Nowhere"), "site", "no site is called 'Nowhere'"),
        (("schedule", "add", "x", "--weekly", "someday 09:00"), "weekly", "someday"),
        (("door", "add", "x", "--from", "outside", "--to", "moon"), "to_area", "known are: hall"),
        (("door", "add", "x", "--from", "moon", "--to", "hall"), "from_area", "known are: hall"),
        ((*FRONT, "--schedules", "Visitors,Nope"), "schedules", "'Nope' is not known"),
        ((*FRONT, "--groups", "Nope"), "groups", "'Nope' is not known"),
        ((*FRONT, "--reread-seconds", "61"), "reread_seconds", "less than or equal to 60"),
        ((*FRONT, "--reread-seconds", "nan"), "reread_seconds", ""),
        (("group", "add", "x", "--doors", "Nope"), "doors", "'Nope' is not known"),
        (("reader", "add", "x", "--door", "Nope", "--direction", "entry"), "door", "'Nope'"),
        (("reader", "add", "x", "--door", "D", "--direction", "both"), "direction", "'both'"),
        (("special-day", "add", "x", "--day", "someday"), "day", "date"),
        (("special-day", "add", "x", "--day", "2030-01-01", "--hours", "Nope=09:00-10:00"),
         "hours", "'Nope' is not known"),
        (("special-day", "add", "x", "--day", "2030-01-01", "--hours", "Visitors=mon 9"),
         "hours", "without a day"),
        (("group", "add"), "name", "Missing argument"),
        (("group", "add", "a", "b"), "command", "unexpected extra argument"),
        (("group", "add", "a", "--colour", "red"), "--colour", "No such option"),
        (("group", "paint", "a"), "command", "No such command 'paint'"),
    ],
)  # fmt: skip
def test_what_cannot_be_set_up_is_named_with_the_way_out(
    place: Cli, args: tuple[str, ...], field: str, says: str
) -> None:
    place.data("schedule", "add", "Visitors", "--weekly", "mon-fri 08:00-18:00")
    faults = place.faults(*args)
    assert [name.partition(".")[0] for name in faults] == [field]
    assert all(says in message for message in faults.values())


@pytest.mark.parametrize(
    ("args", "typed"),
    [
        (("door", "add", "x", "--from", "moon", "--to", "hall"), "--from: "),
        (("area", "add", "x", "--passback", "timed"), "--passback-minutes: "),
        (("area", "add", "hall"), "name: "),
    ],
)
def test_a_person_is_told_the_option_that_they_typed(
    place: Cli, args: tuple[str, ...], typed: str
) -> None:
    assert place(*args).err.startswith(typed)


def test_what_was_refused_changed_nothing(place: Cli, within: Instance) -> None:
    before = looking.dump(within)
    place.faults(*FRONT, "--schedules", "Nope")
    assert looking.dump(within) == before


def test_the_same_commands_work_on_each_kind_of_database(either: Cli, house: House) -> None:
    either.data("schedule", "add", "night", "--weekly", "mon-fri 22:00-06:00")
    assert len(looking.rows(house.instance, select(schedule_hours))) > 5
    either.data("door", "add", "Cellar", "--from", "hall", "--to", "laboratory")
    either.faults("door", "add", "Cellar", "--from", "hall", "--to", "laboratory")
    listed: list[dict[str, Any]] = either.data("door", "list")
    assert [door["name"] for door in listed] == ["Front", "Side", "Lab", "Yard", "Cellar"]
    assert looking.count(house.instance, texts) == 0
