"""Making passes: what is kept, what the code says, and what is refused."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Any

import argon2
import pytest
from sqlalchemy import select, update

from passdesk.core import code, number
from passdesk.core.clock import MICROSECONDS
from passdesk.core.code import Daily, Proof
from passdesk.core.record import Kind
from passdesk.services import commissioning, instance
from passdesk.services.errors import CommandError
from passdesk.services.issuing import IssuePass
from passdesk.store.tables import (
    codes,
    guests,
    hosts,
    pass_door_groups,
    passes,
    requirements,
    signing_keys,
    visits,
)
from tests.support import looking
from tests.support.place import HOUR_US, MINUTE_US, NOW_US, at

if TYPE_CHECKING:
    from passdesk.core.code import Claims
    from passdesk.services.issuing import Issued
    from tests.support.place import House


def claims_of(house: House, issued: Issued) -> Claims:
    """Read a code as a reader does."""
    key = looking.rows(house.instance, select(signing_keys).order_by(signing_keys.c.id.desc()))[0]
    public = house.instance.keyring.issuer(key.kid).public_key()
    return code.read(issued.text, {key.kid: public})


def pass_of(house: House, issued: Issued) -> Any:  # noqa: ANN401 # a row
    return looking.row(house.instance, passes, issued.pass_id)


def fault(house: House, **fields: Any) -> tuple[str, str]:  # noqa: ANN401 # of IssuePass
    """Give the field and the message of a refusal, which must have left nothing behind."""
    before = looking.dump(house.instance)
    with pytest.raises(CommandError) as refused:
        house.issue(**fields)
    assert looking.dump(house.instance) == before
    (found,) = refused.value.faults
    return found.field, found.message


# --- what is made ------------------------------------------------------------------------------


def test_a_pass_is_one_guest_one_visit_one_host_and_one_code(house: House) -> None:
    issued = house.issue(
        guest_email="ilse@example.com", organisation="Varga & Söhne", purpose="Audit",
        host_name="Tomás Brand", entries=3,
    )  # fmt: skip
    row = pass_of(house, issued)
    assert (row.valid_from_us, row.valid_until_us) == (NOW_US, NOW_US + HOUR_US)
    assert (row.entry_limit, row.entries_used, row.proof, row.pin_hash) == (3, 0, 0, None)
    assert (number.display(row.number), row.created_us) == (issued.number, NOW_US)
    guest = looking.row(house.instance, guests, row.guest_id)
    assert tuple(guest)[1:] == ("Ilse Varga", "Varga & Söhne", "ilse@example.com", NOW_US)
    visit = looking.row(house.instance, visits, row.visit_id)
    assert (visit.purpose, visit.starts_us, visit.ends_us) == ("Audit", NOW_US, NOW_US + HOUR_US)
    host = looking.row(house.instance, hosts, visit.host_id)
    assert (host.name, host.email) == ("Tomás Brand", "tomas.brand@example.org")
    assert (issued.carrier, issued.pin) == ("phone", None)


def test_the_code_says_what_the_pass_says(house: House) -> None:
    issued = house.issue(
        doors=("Laboratory", "Visitors", "Laboratory"), entries=7, escort=True, carrier="badge",
        daily={"first_minute": 540, "end_minute": 1020, "weekdays": 31},
    )  # fmt: skip
    claims = claims_of(house, issued)
    assert (claims.valid_from_s, claims.valid_until_s) == (
        NOW_US // MICROSECONDS, NOW_US // MICROSECONDS + 3600,
    )  # fmt: skip
    assert (claims.entry_limit, claims.door_groups) == (7, (1, 2))
    assert (claims.proof, claims.daily) == (Proof.ESCORT_NEEDED, Daily(540, 1020, 31))
    row = looking.rows(house.instance, select(codes))[0]
    assert (row.code_id, row.carrier, row.ended_us) == (claims.code_id, "badge", None)
    assert row.payload == code.payload_of(claims)


def test_no_code_that_opens_a_door_is_in_the_database(house: House) -> None:
    issued = house.issue()
    assert issued.text not in repr(looking.dump(house.instance))
    signature = code.parse(issued.text).message.signature
    assert repr(signature) not in repr(looking.dump(house.instance))


def test_making_a_pass_leaves_two_records(house: House) -> None:
    issued = house.issue(doors=("Laboratory", "Visitors"), entries=2)
    row = pass_of(house, issued)
    made, coded = looking.records_of(house.instance)[-2:]
    assert (made.kind, made.by, made.at_us) == (Kind.PASS_ISSUED, "command", NOW_US)
    assert made.data == {
        "pass": issued.pass_id, "visit": row.visit_id, "guest": row.guest_id, "from-us": NOW_US,
        "until-us": NOW_US + HOUR_US, "limit": 2, "groups": [1, 2], "proof": 0,
    }  # fmt: skip
    kid = looking.rows(house.instance, select(signing_keys))[0].kid
    assert coded.kind is Kind.CODE_MADE
    assert coded.data == {
        "pass": issued.pass_id, "code": claims_of(house, issued).code_id, "carrier": "phone",
        "kid": kid, "ended": 0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("fields", "proof"),
    [
        ({}, Proof(0)),
        ({"pin": True}, Proof.PIN),
        ({"escort": True}, Proof.ESCORT_NEEDED),
        ({"escort_pass": True}, Proof.ESCORT_PASS),
        ({"pin": True, "escort": True}, Proof.PIN | Proof.ESCORT_NEEDED),
        ({"pin": True, "escort_pass": True}, Proof.PIN | Proof.ESCORT_PASS),
    ],
)
def test_what_is_asked_for_stands_in_the_code(
    small_house: House, fields: dict[str, bool], proof: Proof
) -> None:
    issued = small_house.issue(**fields)
    assert claims_of(small_house, issued).proof == proof
    assert pass_of(small_house, issued).proof == proof


def test_a_pin_is_told_once_and_kept_as_a_slow_hash_alone(house: House) -> None:
    issued = house.issue(pin=True)
    assert issued.pin is not None
    assert len(issued.pin) == 6
    assert issued.pin.isdigit()
    kept = pass_of(house, issued).pin_hash
    assert kept.startswith("$argon2id$")
    assert argon2.PasswordHasher().verify(kept, issued.pin)
    assert f"'{issued.pin}'" not in repr(looking.dump(house.instance))


def test_pins_are_not_alike_and_may_begin_with_noughts(
    small_house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(secrets, "randbelow", lambda most: 7 if most == 10**6 else 0)
    assert small_house.issue(pin=True).pin == "000007"


@pytest.mark.parametrize(
    ("guest", "email", "same"),
    [
        ("Ilse Varga", "ILSE@example.com", True),
        ("Ilse  Varga", "ilse@example.com", False),
        ("Otto Varga", "ilse@example.com", False),
        ("Ilse Varga", "otto@example.com", False),
        ("Ilse Varga", None, False),
    ],
)
def test_a_guest_is_known_again_by_mail_address_and_name_together(
    small_house: House, guest: str, email: str | None, *, same: bool
) -> None:
    first = pass_of(small_house, small_house.issue(guest_email="ilse@example.com"))
    second = pass_of(small_house, small_house.issue(guest=guest, guest_email=email))
    assert (first.guest_id == second.guest_id) is same
    assert first.visit_id != second.visit_id


def test_guests_without_a_mail_address_are_never_taken_for_one(small_house: House) -> None:
    rows = [pass_of(small_house, small_house.issue()) for _ in range(2)]
    assert rows[0].guest_id != rows[1].guest_id


def test_a_host_is_known_again_and_keeps_the_name(small_house: House) -> None:
    for name in (None, "Somebody Else"):
        small_house.issue(host="Ana.Sousa@example.org", host_name=name)
    rows = looking.rows(small_house.instance, select(hosts))
    assert [(row.name, row.email) for row in rows] == [("ana.sousa", "ana.sousa@example.org")]


@pytest.mark.parametrize(
    "guest",
    [
        'O\'Brien "Bo" <b>&amp;',
        "\u202eagraV eslI",
        "伊尔斯",
        "x" * 200,
        "'; DELETE FROM passes; --",
    ],
)
def test_a_guests_name_is_kept_as_it_was_given(house: House, guest: str) -> None:
    row = pass_of(house, house.issue(guest=guest, organisation=guest, purpose=guest))
    kept = looking.row(house.instance, guests, row.guest_id)
    assert (kept.name, kept.organisation) == (guest, guest)


def test_what_a_pass_requires_is_kept_once_each(small_house: House) -> None:
    issued = small_house.issue(requires=("permit", "approval", "permit"))
    query = (
        select(requirements)
        .where(requirements.c.pass_id == issued.pass_id)
        .order_by(requirements.c.id)
    )
    rows = looking.rows(small_house.instance, query)
    assert [(row.kind, row.met_us) for row in rows] == [("permit", None), ("approval", None)]


def test_a_pass_number_that_is_taken_is_not_given_again(
    small_house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn = iter([5, 5, 5, 6])
    monkeypatch.setattr(secrets, "randbelow", lambda _: next(drawn))
    first, second = small_house.issue(), small_house.issue()
    assert first.number == number.display(number.make(5))
    assert second.number == number.display(number.make(6))


def test_when_no_pass_number_is_free_that_is_said(
    small_house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(secrets, "randbelow", lambda _: 5)
    small_house.issue()
    assert fault(small_house)[1] == "no free pass number was found; try again"


# --- the window --------------------------------------------------------------------------------


# May 2030 in Lisbon is an hour ahead of UTC (IANA tzdata).
@pytest.mark.parametrize(
    ("text", "expected_us"),
    [
        ("2030-05-14T10:30", NOW_US + 30 * MINUTE_US),
        ("2030-05-14 10:30:00", NOW_US + 30 * MINUTE_US),
        ("2030-05-14T09:30Z", NOW_US + 30 * MINUTE_US),
        ("2030-05-14T14:30+05:00", NOW_US + 30 * MINUTE_US),
        ("2030-05-14T10:30:00.999999", NOW_US + 30 * MINUTE_US),
    ],
)
def test_a_window_is_in_the_sites_time_and_in_whole_seconds(
    small_house: House, text: str, expected_us: int
) -> None:
    row = pass_of(small_house, small_house.issue(valid_from=text))
    assert row.valid_from_us == expected_us


def test_a_window_that_has_begun_already_is_no_fault(small_house: House) -> None:
    row = pass_of(small_house, small_house.issue(valid_from=at(-60)))
    assert row.valid_from_us == NOW_US - HOUR_US


def test_the_hour_that_comes_twice_can_be_named_with_its_offset(small_house: House) -> None:
    issued = small_house.issue(
        valid_from="2030-10-27T01:30+01:00", valid_until="2030-10-27T01:30+00:00"
    )
    row = pass_of(small_house, issued)
    assert row.valid_until_us - row.valid_from_us == HOUR_US


REFUSED: dict[str, tuple[dict[str, Any], str, str]] = {
    "ends before it starts": (
        {"valid_from": at(60), "valid_until": at(30)}, "valid_until", "later than valid_from"
    ),
    "ends as it starts": (
        {"valid_from": at(60), "valid_until": at(60)}, "valid_until", "later than valid_from"
    ),
    "ends within the second in which it starts": (
        {"valid_from": "2030-05-14T10:00:00.1", "valid_until": "2030-05-14T10:00:00.9"},
        "valid_until", "later than valid_from",
    ),
    "is over already": (
        {"valid_from": at(-60), "valid_until": at(-1)}, "valid_until", "in the past"
    ),
    "is over just now": (
        {"valid_from": at(-60), "valid_until": at()}, "valid_until", "in the past"
    ),
    # IANA tzdata: Portugal changes its clocks on 31 March and 27 October 2030, at 01:00 UTC.
    "starts when the clocks jump": (
        {"valid_from": "2030-03-31T01:30"}, "valid_from", "does not exist in Europe/Lisbon"
    ),
    "ends when the clocks jump": (
        {"valid_until": "2031-03-30T01:30"}, "valid_until", "does not exist in Europe/Lisbon"
    ),
    "starts in the hour that comes twice": (
        {"valid_from": "2030-10-27T01:30", "valid_until": "2030-10-28T10:00"},
        "valid_from", "2030-10-27T01:30:00+01:00 and 2030-10-27T01:30:00+00:00",
    ),
    "ends in the hour that comes twice": (
        {"valid_until": "2030-10-27T01:30"}, "valid_until", "occurs twice in Europe/Lisbon"
    ),
    "starts at no time": ({"valid_from": "tomorrow"}, "valid_from", "is no date and time"),
    "ends on a day": ({"valid_until": "2030-05-15"}, "valid_until", "2030-05-15T09:00, for nine"),
    "ends in another age": ({"valid_until": "9999-12-31T00:00"}, "valid_until", "1970 to 2200"),
    "starts with the age": ({"valid_from": "1970-01-01T00:00Z"}, "valid_from", "out of bounds"),
    "opens a group that is not known": (
        {"doors": ("Visitors", "Roof")}, "doors",
        "'Roof' is not known here; known are: Laboratory, Nothing, Visitors",
    ),
    "is for a site that is not known": ({"site": "Harbour"}, "site", "no site is called 'Harbour'"),
    "accompanies and must be accompanied": (
        {"escort": True, "escort_pass": True}, "escort_pass", "choose one of the two"
    ),
    "has hours that end before they start": (
        {"daily": {"first_minute": 600, "end_minute": 540}}, "daily", "must end after they start"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("fields", "field", "message"), REFUSED.values(), ids=REFUSED)
def test_a_pass_that_makes_no_sense_is_refused_by_field_and_leaves_nothing(
    small_house: House, fields: dict[str, Any], field: str, message: str
) -> None:
    found = fault(small_house, **fields)
    assert found[0] == field
    assert message in found[1]


def test_more_door_groups_than_a_code_can_hold_are_refused_and_leave_nothing(house: House) -> None:
    names = [f"Wing {n}" for n in range(60)]

    def add_all(act: Any, command: None) -> None:  # noqa: ANN401 # an Act
        assert command is None
        for name in names:
            commissioning.add_group(act, commissioning.AddGroup(name=name))

    house.act(add_all, None)
    assert fault(house, doors=tuple(names), pin=True) == (
        "doors", "A code cannot hold that many door groups. Choose a wider door group instead.",
    )  # fmt: skip
    assert house.issue(doors=tuple(names[:5])).text.startswith("VP1:")


@pytest.mark.parametrize("entries", [-1, 10_001, 1.5, "many"])
def test_a_number_of_entries_out_of_bounds_is_refused(small_house: House, entries: object) -> None:
    with pytest.raises(ValueError, match="entries"):
        small_house.issue(entries=entries)


def test_a_pass_opens_at_least_one_group(small_house: House) -> None:
    with pytest.raises(ValueError, match="doors"):
        small_house.issue(doors=())


def test_a_host_who_has_left_is_refused(small_house: House) -> None:
    small_house.issue()
    looking.change(small_house.instance, update(hosts).values(ended_us=NOW_US))
    assert fault(small_house) == ("host", "has left; name the colleague who took over")


def test_with_several_sites_one_must_be_named(small_house: House) -> None:
    small_house.act(commissioning.add_site, commissioning.AddSite(name="Harbour", zone="UTC"))
    assert fault(small_house) == ("site", "there are several sites, say which")
    assert pass_of(small_house, small_house.issue(site="Mill Lane")).site_id == 1


def test_the_newest_key_signs_unless_it_is_retired(small_house: House) -> None:
    kid = small_house.instance.act("command", NOW_US, instance.make_signing_key)
    assert code.parse(small_house.issue().text).kid == kid
    retired = update(signing_keys).where(signing_keys.c.kid == kid).values(retired_us=NOW_US)
    looking.change(small_house.instance, retired)
    assert code.parse(small_house.issue().text).kid != kid


@pytest.mark.parametrize("column", ["retired_us", "ended_us"])
def test_without_a_key_in_use_no_pass_is_made(small_house: House, column: str) -> None:
    looking.change(small_house.instance, update(signing_keys).values({column: NOW_US}))
    assert fault(small_house) == (
        "pass", "no key is in use that could sign its code; make one first",
    )  # fmt: skip


def test_the_groups_of_a_pass_are_kept_in_rows(small_house: House) -> None:
    issued = small_house.issue(doors=("Visitors", "Laboratory", "Visitors"))
    rows = looking.rows(small_house.instance, select(pass_door_groups))
    assert sorted(rows) == [(issued.pass_id, 1), (issued.pass_id, 2)]


def test_a_command_that_asks_for_nothing_special_makes_one_entry() -> None:
    command = IssuePass(
        guest="Ilse Varga", host="tomas@example.org", doors=("Visitors",),
        valid_from=at(), valid_until=at(60),
    )  # fmt: skip
    assert (command.entries, command.pin, command.escort, command.carrier) == (
        1, False, False, "phone",
    )  # fmt: skip
