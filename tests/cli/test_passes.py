"""Making, showing, changing and ending passes by commands."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Any

import pytest
import zxingcpp
from PIL import Image
from sqlalchemy import select

from passdesk.core import clock, code, number
from passdesk.core.record import Kind
from passdesk.store.tables import hosts, texts, visits
from tests.cli.test_place import NAMES
from tests.support import looking
from tests.support.place import ZONE

if TYPE_CHECKING:
    from pathlib import Path

    from passdesk.services.instance import Instance
    from tests.cli.calling import Cli
    from tests.support.place import House


def shown(cli: Cli, made: dict[str, Any], reader: str = "Front in") -> str:
    """Show a pass's code to a reader; give the reason, or 'granted'."""
    told = cli("present", made["code"], "--reader", reader, "--json").data
    return "granted" if told["granted"] else str(told["reason"])


def code_in(path: Path) -> str:
    """Read the one code in a picture."""
    with Image.open(path) as picture:
        (symbol,) = zxingcpp.read_barcodes(picture)
    return symbol.text


# --- made --------------------------------------------------------------------------------------


def test_a_pass_that_was_made_is_told_whole(cli: Cli) -> None:
    made = cli.issue("--organisation", "Northlight", "--purpose", "Survey", entries="3")
    assert number.display(number.parse(made["number"])) == made["number"]
    assert code.parse(made["code"]).claims.entry_limit == 3
    # ISO/IEC 18004 section 7.4.10, table 7: 221 alphanumeric characters at M are version 8's most.
    assert made["version"] <= 8
    assert len(made["code"]) <= 221
    del made["number"], made["code"], made["version"]
    assert made == {
        "pass": 1,
        "state": "valid",
        "site": "Mill Lane",
        "guest": "Ilse Varga",
        "organisation": "Northlight",
        "host": "tomas.brand@example.org",
        "purpose": "Survey",
        "doors": ["Visitors"],
        "valid_from": "2030-05-14T09:00:00+01:00",
        "valid_until": "2030-05-14T17:00:00+01:00",
        "zone": "Europe/Lisbon",
        "entries": 3,
        "entries_used": 0,
        "entries_left": 3,
        "escort": False,
        "escort_pass": False,
        "carriers": ["phone"],
        "carrier": "phone",
        "pin": None,
        "out": None,
    }


def test_a_person_is_told_the_pass_its_number_and_the_size_of_its_code(
    cli: Cli, tmp_path: Path
) -> None:
    out = tmp_path / "code.png"
    said = cli(
        "pass", "issue", "--guest", "Ana Reis", "--host", "jon.pell@example.org",
        "--doors", "Visitors,Laboratory", "--from", "2030-05-14T09:00",
        "--until", "2030-05-15T09:00", "--pin", "--out", str(out),
    )  # fmt: skip
    assert said.status == 0
    first, window, entries, doors, size, pin = said.out.splitlines()
    found = cli.data("pass", "show", "1")
    assert first == f"Pass 1 for Ana Reis, pass number {found['number']}"
    assert window.split(maxsplit=1)[1] == (
        "2030-05-14T09:00:00+01:00 until 2030-05-15T09:00:00+01:00 (Europe/Lisbon)"
    )
    assert (entries, doors) == ("Entries 1", "Doors   Laboratory, Visitors")
    assert size.startswith("Code    symbol version ")
    assert size.endswith(f", written to {out}")
    assert pin.split()[1].isdigit()
    assert pin.endswith("(told just this once)")


def test_the_code_is_written_as_a_picture_that_other_programs_read(
    cli: Cli, tmp_path: Path
) -> None:
    out = tmp_path / "code.png"
    made = cli.issue("--out", str(out))
    assert made["out"] == str(out)
    # ISO/IEC 18004 sections 6.3.1 and 9.1: a side is 17 + 4 x version modules, and four of quiet
    # zone at each end; eight pixels a module.
    with Image.open(out) as picture:
        assert picture.size == ((17 + 4 * made["version"] + 8) * 8,) * 2
    assert code_in(out) == made["code"]
    # zbarimg of Debian's zbar-tools, a decoder that shares nothing with the other.
    read = subprocess.run(
        ["zbarimg", "--quiet", "--raw", out], capture_output=True, text=True, check=True
    )
    assert read.stdout == made["code"] + "\n"


def test_the_code_is_written_as_svg_too(cli: Cli, tmp_path: Path) -> None:
    out = tmp_path / "CODE.SVG"
    cli.issue("--out", str(out))
    assert out.read_bytes().startswith(b"<svg ")


def test_a_pass_for_any_number_of_entries_has_no_limit(cli: Cli) -> None:
    made = cli.issue(entries="0")
    assert (made["entries"], made["entries_left"]) == (0, None)
    assert code.parse(made["code"]).claims.entry_limit == 0
    assert [shown(cli, made), shown(cli, made, "Side in"), shown(cli, made, "Front out")] == [
        "granted"
    ] * 3
    assert "Entries no limit\n" in cli(
        "pass", "issue", "--guest", "A", "--host", "a@example.org", "--doors", "Visitors",
        "--from", "2030-05-14T09:00", "--until", "2030-05-14T17:00", "--entries", "0",
    ).out  # fmt: skip
    assert "no limit" in cli("pass", "show", "1").out
    assert all(row.endswith("no limit") for row in cli("pass", "list").rows)


def test_a_host_who_is_not_known_is_added_once(cli: Cli, within: Instance) -> None:
    cli.issue("--host-name", "Mira Sandoval", host="Mira.Sandoval@Example.org")
    cli.issue(host="mira.sandoval@example.org")
    cli.issue(host="ada@example.org")
    rows = looking.rows(within, select(hosts.c.name, hosts.c.email))
    assert rows == [("Mira Sandoval", "mira.sandoval@example.org"), ("ada", "ada@example.org")]


@pytest.mark.parametrize(
    ("told", "means"),
    [
        # Lisbon is an hour ahead of UTC in May and at it in January (IANA tzdata, Europe/Lisbon).
        ("2030-05-14T12:30", "2030-05-14T12:30:00+01:00"),
        ("2030-05-14T12:30Z", "2030-05-14T13:30:00+01:00"),
        ("2030-05-14T20:30:15+05:30", "2030-05-14T16:00:15+01:00"),
        ("2031-01-14T12:30", "2031-01-14T12:30:00+00:00"),
    ],
)
def test_times_without_an_offset_are_those_of_the_site(cli: Cli, told: str, means: str) -> None:
    made = cli.issue(**{"from": "2030-05-14T00:00Z", "until": told})
    assert made["valid_until"] == means
    assert code.parse(made["code"]).claims.valid_until_s == (
        clock.parse_instant(means, ZONE) // clock.MICROSECONDS
    )


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_a_guests_name_is_shown_as_it_is_and_on_one_line(cli: Cli, name: str) -> None:
    made = cli.issue("--organisation", name, guest=name)
    assert (made["guest"], made["organisation"]) == (name, name)
    assert f"Guest   {name}, {name}\n" in cli("pass", "show", "1").out
    (row,) = cli("pass", "list").rows
    assert f"  {name}  " in row


def test_a_name_of_two_hundred_characters_is_kept_whole(cli: Cli) -> None:
    name = "Ann" + "é" * 197
    assert cli.issue(guest=name)["guest"] == name
    assert f"  {name}  " in cli("pass", "list").rows[0]
    assert cli.faults(*_issue(guest=name + "x")) == {
        "guest": "String should have at most 200 characters"
    }


def _issue(*more: str, **options: str) -> list[str]:
    chosen = {
        "guest": "A",
        "host": "a@example.org",
        "doors": "Visitors",
        "from": "2030-05-14T09:00",
        "until": "2030-05-14T17:00",
    } | options
    return ["pass", "issue", *more, *(w for n, v in chosen.items() for w in (f"--{n}", v))]


@pytest.mark.parametrize(
    ("options", "field", "says"),
    [
        ({"guest": ""}, "guest", "at least 1 character"),
        ({"guest": "a\nb"}, "guest", "line breaks"),
        ({"guest": "a\0b"}, "guest", "control characters"),
        ({"guest": "a\udcffb"}, "guest", "valid string"),
        ({"host": "nobody"}, "host", "write it as name@example.org"),
        ({"guest-email": "nobody"}, "guest_email", "write it as name@example.org"),
        ({"doors": "Nope"}, "doors", "known are: Laboratory, Nothing, Visitors"),
        ({"doors": ","}, "doors", "at least 1"),
        ({"from": "soon"}, "valid_from", "'soon' is no date and time"),
        ({"until": "2030-05-14T09:00"}, "valid_until", "later than valid_from"),
        ({"from": "2020-01-01T09:00", "until": "2030-05-14T10:00"}, "valid_until", "in the past"),
        ({"until": "2030-05-15"}, "valid_until", "is a date without a time"),
        # Clocks jump over this time, and pass the other one twice (IANA tzdata, Europe/Lisbon).
        ({"until": "2031-03-30T01:30"}, "valid_until", "does not exist in Europe/Lisbon"),
        ({"until": "2030-10-27T01:30"}, "valid_until", "occurs twice in Europe/Lisbon"),
        ({"entries": "-1"}, "entries", "greater than or equal to 0"),
        ({"entries": "10001"}, "entries", "less than or equal to 10000"),
        ({"entries": "9" * 40}, "entries", "less than or equal to 10000"),
        ({"entries": "two"}, "entries", "not a valid integer"),
        ({"requires": "approval,magic"}, "requires.1", "'permit'"),
        ({"carrier": "tattoo"}, "carrier", "'tattoo' is not one of"),
        ({"site": "Nowhere"}, "site", "no site is called 'Nowhere'"),
        ({"out": "code.gif"}, "out", "must end in .png or .svg"),
        ({"out": "no/where/code.png"}, "out", "there is no folder no/where; make it first"),
        ({"out": "/"}, "out", "is a directory"),
    ],
)
def test_a_pass_that_cannot_be_made_is_refused_by_field(
    cli: Cli, within: Instance, options: dict[str, str], field: str, says: str
) -> None:
    before = looking.dump(within)
    faults = cli.faults(*_issue(**options))
    assert list(faults) == [field]
    assert says in faults[field]
    assert looking.dump(within) == before


def test_every_field_that_cannot_be_used_is_named_at_once(cli: Cli) -> None:
    faults = cli.faults(*_issue(guest="", host="x", entries="-1"))
    assert set(faults) == {"guest", "host", "entries"}


def test_a_pass_needs_its_guest(cli: Cli) -> None:
    assert cli.faults("pass", "issue") == {"guest": "Missing option '--guest'."}


def test_a_pass_whose_code_could_not_be_written_is_not_lost(cli: Cli, tmp_path: Path) -> None:
    # /dev/full takes nothing: Linux, full(4).
    out = tmp_path / "code.png"
    out.symlink_to("/dev/full")
    said = cli(*_issue("--pin", out=str(out), doors="Laboratory"))
    assert (said.status, said.out) == (2, "")
    assert said.err.startswith(f"--out: {out} cannot be written: No space left on device; ")
    assert "'passdesk pass show 1 --out FILE' writes the code of the pass" in said.err
    pin = said.err.rstrip()[-6:]
    cli.data("pass", "show", "1", "--out", str(tmp_path / "again.png"))
    told = cli.data("present", str(tmp_path / "again.png"), "--reader", "Lab in", "--pin", pin)
    assert told["granted"]
    assert "PIN" not in cli(*_issue(out=str(out))).err


# --- shown and listed --------------------------------------------------------------------------


def test_a_pass_is_shown_by_its_id_and_by_its_number(cli: Cli) -> None:
    made = cli.issue("--escort", "--pin", "--organisation", "Northlight")
    spoken = made["number"].replace("-", " ").lower()
    found = [cli.data("pass", "show", reference) for reference in ("1", made["number"], spoken)]
    assert found[0] == found[1] == found[2]
    assert {key: found[0][key] for key in ("pass", "number", "pin", "escort")} == {
        "pass": 1, "number": made["number"], "pin": True, "escort": True,
    }  # fmt: skip
    assert cli("pass", "show", "1").out.splitlines() == [
        f"Pass 1, pass number {made['number']}: valid",
        "Guest   Ilse Varga, Northlight",
        "Host    tomas.brand@example.org",
        "Valid   2030-05-14T09:00:00+01:00 until 2030-05-14T17:00:00+01:00 (Europe/Lisbon)",
        "Entries 1 of 1 left, 0 used",
        "Doors   Visitors at Mill Lane",
        "Asks    PIN, escort",
        "Codes   phone",
    ]


def test_what_a_pass_asks_for_is_said_when_it_is_nothing_or_company(cli: Cli) -> None:
    cli.issue()
    cli.issue("--escort-pass")
    assert "Asks    nothing beside the code\n" in cli("pass", "show", "1").out
    assert "Asks    is an escort pass\n" in cli("pass", "show", "2").out


@pytest.mark.parametrize(
    ("reference", "says"),
    [
        ("2", "there is no such pass; look for it with 'pass list'"),
        ("0", "there is no such pass; look for it with 'pass list'"),
        ("9999999", "there is no such pass; look for it with 'pass list'"),
        ("9" * 20, "8 characters"),
        ("9" * 40, ""),
        ("", ""),
        ("3H9R-TD6X", "One character is wrong"),
        ("3H9R\0TD6", ""),
        ("'; DROP TABLE p", "It never uses"),
    ],
)
def test_a_pass_that_is_not_there_is_named(cli: Cli, reference: str, says: str) -> None:
    cli.issue()
    for command in (
        ("pass", "show"),
        ("pass", "extend", "--more-entries", "1"),
        ("pass", "recode"),
        ("pass", "withdraw", "--because", "x"),
        ("pass", "reinstate", "--because", "x"),
        ("bar", "add", "--because", "x"),
    ):
        faults = cli.faults(*command, reference)
        assert list(faults) == ["pass"]
        assert says in faults["pass"]


def test_passes_are_listed_newest_first_by_state_name_and_page(cli: Cli) -> None:
    for guest in ("Ana Reis", "Bo Reiser", "Cy Young"):
        cli.issue(guest=guest)
    cli.data("pass", "withdraw", "2", "--because", "Called off")

    def listed(*args: str) -> list[int]:
        return [view["pass"] for view in cli.data("pass", "list", *args)]

    assert listed() == [3, 2, 1]
    assert listed("--text", "REIS") == [2, 1]
    assert listed("--state", "withdrawn") == [2]
    assert listed("--state", "valid", "--text", "reis") == [1]
    assert listed("--limit", "2") == [3, 2]
    assert listed("--limit", "2", "--before", "2") == [1]
    assert listed("--text", "nobody") == []


def test_a_list_gives_a_window_in_short(cli: Cli) -> None:
    cli.issue()
    cli.issue(until="2030-05-15T08:00")
    longer, within_a_day = cli("pass", "list").rows
    assert within_a_day.endswith("  2030-05-14 09:00 to 17:00             1/1")
    assert longer.endswith("  2030-05-14 09:00 to 2030-05-15 08:00  1/1")
    assert within_a_day.split()[2:7] == ["valid", "Ilse", "Varga", "tomas.brand@example.org",
                                         "2030-05-14"]  # fmt: skip


@pytest.mark.parametrize(
    ("args", "field"),
    [
        (("--before", "0"), "before"),
        (("--before", "9" * 30), "before"),
        (("--limit", "0"), "limit"),
        (("--limit", "201"), "limit"),
        (("--text", ""), "text"),
        (("--text", "x" * 201), "text"),
        (("--text", "a\0b"), "text"),
        (("--state", "fine"), "state"),
    ],
)
def test_a_list_that_cannot_be_given_names_what_is_wrong(
    cli: Cli, args: tuple[str, ...], field: str
) -> None:
    assert list(cli.faults("pass", "list", *args)) == [field]


# --- changed and ended -------------------------------------------------------------------------


def test_a_pass_is_extended_and_its_code_stays(cli: Cli, within: Instance) -> None:
    made = cli.issue()
    assert [shown(cli, made), shown(cli, made, "Side in")] == ["granted", "used-up"]
    found = cli.data("pass", "extend", "1", "--until", "2030-05-15T09:00", "--more-entries", "2")
    assert (found["valid_until"], found["entries"], found["entries_left"]) == (
        "2030-05-15T09:00:00+01:00", 3, 2,
    )  # fmt: skip
    assert shown(cli, made, "Side in") == "granted"
    assert cli("pass", "extend", "1", "--more-entries", "1").out == cli("pass", "show", "1").out
    rows = looking.rows(within, select(visits.c.ends_us))
    assert rows == [(clock.parse_instant("2030-05-15T09:00", ZONE),)]


@pytest.mark.parametrize(
    ("args", "field"),
    [
        ((), "valid_until"),
        (("--until", "2030-05-14T16:00"), "valid_until"),
        (("--until", "later"), "valid_until"),
        (("--more-entries", "-1"), "more_entries"),
        (("--more-entries", "10000"), "more_entries"),
        (("--more-entries", "9" * 30), "more_entries"),
    ],
)
def test_an_extension_that_would_be_none_is_refused(
    cli: Cli, args: tuple[str, ...], field: str
) -> None:
    cli.issue()
    assert list(cli.faults("pass", "extend", "1", *args)) == [field]


def test_a_new_code_ends_the_earlier_one_of_its_carrier_alone(cli: Cli, tmp_path: Path) -> None:
    phone = cli.issue()
    badge = cli.data("pass", "recode", "1", "--carrier", "badge", "--out", str(tmp_path / "b.png"))
    assert (badge["carrier"], badge["carriers"]) == ("badge", ["badge", "phone"])
    again = cli.data("pass", "recode", phone["number"])
    assert again["carrier"] == "phone"
    assert shown(cli, phone) == "withdrawn"
    assert shown(cli, again) == "granted"
    assert shown(cli, badge, "Side in") == "used-up"  # the count goes on
    assert code_in(tmp_path / "b.png") == badge["code"]


@pytest.mark.parametrize(
    ("args", "carrier"), [((), "badge"), (("--carrier", "phone"), "phone")], ids=["first", "chosen"]
)
def test_the_code_of_a_carrier_can_be_written_again(
    cli: Cli, tmp_path: Path, args: tuple[str, ...], carrier: str
) -> None:
    codes = {"phone": cli.issue()["code"], "badge": cli.data(
        "pass", "recode", "1", "--carrier", "badge")["code"]}  # fmt: skip
    out = tmp_path / "code.png"
    cli.data("pass", "show", "1", "--out", str(out), *args)
    assert code_in(out) == codes[carrier]


def test_a_carrier_without_a_code_has_none_to_write(cli: Cli, tmp_path: Path) -> None:
    cli.issue()
    out = ("--out", str(tmp_path / "code.png"))
    assert cli.faults("pass", "show", "1", "--carrier", "badge", *out) == {
        "carrier": "this pass has no live code for a badge"
    }


def test_a_withdrawn_pass_is_refused_until_that_is_taken_back(cli: Cli, within: Instance) -> None:
    made = cli.issue()
    assert cli.data("pass", "withdraw", "1", "--because", "Called off") == {"pass": 1}
    assert shown(cli, made) == "withdrawn"
    assert "already" not in cli.faults("pass", "withdraw", "1", "--because", "x")["pass"]
    for command in (("pass", "extend", "1", "--more-entries", "1"), ("pass", "recode", "1")):
        assert "was withdrawn" in cli.faults(*command)["pass"]
    assert cli.data("pass", "reinstate", made["number"], "--because", "A slip") == {"pass": 1}
    assert shown(cli, made) == "granted"
    assert cli.faults("pass", "reinstate", "1", "--because", "x") == {"pass": "is not withdrawn"}
    assert cli("pass", "withdraw", "1", "--because", "y").out == "Pass 1 is withdrawn.\n"
    assert cli("pass", "reinstate", "1", "--because", "y").out == "Pass 1 is good again.\n"
    kept = looking.rows(within, select(texts.c.body).order_by(texts.c.id))
    assert [body for (body,) in kept] == ["Called off", "A slip", "y", "y"]


@pytest.mark.parametrize("because", ["", "   ", "x" * 501, "a\0b", "a\x1b[2J", "a\udcff"])
def test_a_reason_is_a_sentence(cli: Cli, because: str) -> None:
    cli.issue()
    for command in (
        ("pass", "withdraw", "1"),
        ("pass", "reinstate", "1"),
        ("bar", "add", "1"),
        ("lockdown", "on"),
    ):
        assert list(cli.faults(*command, "--because", because)) == ["because"]


def test_a_barred_guest_is_refused_with_every_pass_until_the_bar_is_ended(cli: Cli) -> None:
    first = cli.issue("--guest-email", "ilse@example.com")
    second = cli.issue("--guest-email", "ilse@example.com", guest="I. Varga")
    told = cli.data("bar", "add", "1", "--because", "Took documents", "--until", "2030-06-01T00:00")
    assert told == {"bar": 1}
    assert [shown(cli, first), shown(cli, second)] == ["barred", "barred"]
    assert [view["state"] for view in cli.data("pass", "list")] == ["barred", "barred"]
    assert cli.faults("bar", "add", "1", "--because", "x") == {
        "pass": "its guest is barred already"
    }
    assert cli.data("bar", "end", "1", "--because", "A mix-up") == {"bar": 1}
    assert [shown(cli, first), shown(cli, second)] == ["granted", "granted"]
    assert cli("bar", "add", "1", "--because", "x").out == "The guest is barred (bar 2).\n"
    assert cli("bar", "end", "2", "--because", "x").out == "Bar 2 is ended.\n"


@pytest.mark.parametrize(
    ("args", "field"),
    [
        (("add", "1", "--because", "x", "--until", "2020-01-01T09:00"), "until"),
        (("add", "1", "--because", "x", "--until", "later"), "until"),
        (("add", "1"), "because"),
        (("end", "7", "--because", "x"), "bar"),
        (("end", "0", "--because", "x"), "bar"),
        (("end", "9" * 30, "--because", "x"), "bar"),
        (("end", "one", "--because", "x"), "bar"),
    ],
)
def test_a_bar_that_cannot_be_is_refused(cli: Cli, args: tuple[str, ...], field: str) -> None:
    cli.issue()
    assert list(cli.faults("bar", *args)) == [field]


@pytest.mark.parametrize(
    ("place", "says"),
    [((), "The site"), (("--site", "Mill Lane"), "Mill Lane"), (("--area", "hall"), "hall")],
)
def test_a_lockdown_takes_nobody_in_and_lets_everybody_out(
    cli: Cli, place: tuple[str, ...], says: str
) -> None:
    made = cli.issue(doors="Visitors,Laboratory", entries="0")
    said = cli("lockdown", "on", *place, "--because", "Smell of gas")
    assert said.out == f"{says} is locked down: nobody is let in, everybody can leave.\n"
    assert [shown(cli, made), shown(cli, made, "Front out")] == ["lockdown", "granted"]
    assert shown(cli, made, "Lab in") == ("granted" if place[:1] == ("--area",) else "lockdown")
    again = cli.faults("lockdown", "on", *place, "--because", "x")
    assert list(again.values()) == ["is locked down already"]
    said = cli("lockdown", "off", *place, "--because", "False alarm")
    assert said.out == f"{says} is open again.\n"
    assert shown(cli, made) == "granted"
    assert list(cli.faults("lockdown", "off", *place, "--because", "x").values()) == [
        "is not locked down"
    ]


@pytest.mark.parametrize(
    ("place", "field"), [(("--site", "Nowhere"), "site"), (("--area", "moon"), "area")]
)
def test_a_lockdown_of_an_unknown_place_is_refused(
    cli: Cli, place: tuple[str, ...], field: str
) -> None:
    for change in ("on", "off"):
        assert list(cli.faults("lockdown", change, *place, "--because", "x")) == [field]


def test_a_program_is_told_which_lockdown(cli: Cli) -> None:
    assert cli.data("lockdown", "on", "--because", "x") == {"lockdown": 1, "on": True}
    assert cli.data("lockdown", "off", "--because", "x") == {"lockdown": 1, "on": False}


def test_passes_are_made_changed_and_ended_on_each_kind_of_database(
    either: Cli, house: House
) -> None:
    made = either.issue("--purpose", "Survey")
    either.data("pass", "extend", "1", "--more-entries", "1")
    assert shown(either, made) == "granted"
    either.data("bar", "add", "1", "--because", "Took documents")
    either.data("bar", "end", "1", "--because", "A mix-up")
    either.data("lockdown", "on", "--because", "Smell of gas")
    assert shown(either, made, "Side in") == "lockdown"
    either.data("lockdown", "off", "--because", "False alarm")
    again = either.data("pass", "recode", made["number"])
    either.data("pass", "withdraw", "1", "--because", "Called off")
    assert shown(either, again) == "withdrawn"
    assert either.data("pass", "list", "--text", "100%") == []
    (view,) = either.data("pass", "list", "--state", "withdrawn", "--text", "VARGA")
    assert (view["pass"], view["entries_used"]) == (1, 1)
    by = {one.by for one in looking.records_of(house.instance, Kind.PASS_ISSUED, Kind.CODE_MADE)}
    assert by == {"command"}
