"""Passes that exist: given longer or more, coded anew, and found again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import delete, select, update

from passdesk.core import code, number
from passdesk.core.clock import MICROSECONDS
from passdesk.core.record import Kind
from passdesk.services import issuing
from passdesk.services.errors import CommandError, NotFoundError
from passdesk.services.issuing import ExtendPass, RecodePass
from passdesk.store.tables import codes, passes, visits
from tests.support import looking
from tests.support.place import HOUR_US, MINUTE_US, NOW_US, at

if TYPE_CHECKING:
    from passdesk.services.issuing import Issued
    from tests.support.place import House


def pass_of(house: House, issued: Issued) -> Any:  # noqa: ANN401 # a row
    return looking.row(house.instance, passes, issued.pass_id)


def extend(house: House, issued: Issued, *, at_us: int = NOW_US, **fields: Any) -> int:  # noqa: ANN401
    command = ExtendPass.model_validate({"pass": str(issued.pass_id), **fields})
    return int(house.act(issuing.extend, command, at_us=at_us))


def recode(house: House, issued: Issued, carrier: str = "phone", *, at_us: int = NOW_US) -> Issued:
    command = RecodePass.model_validate({"pass": str(issued.pass_id), "carrier": carrier})
    made: Issued = house.act(issuing.recode, command, at_us=at_us)
    return made


# --- extending ---------------------------------------------------------------------------------


def test_a_pass_is_extended_in_time_and_its_visit_with_it(house: House) -> None:
    issued = house.issue()
    before = looking.rows(house.instance, select(codes))
    assert extend(house, issued, valid_until=at(90)) == issued.pass_id
    row = pass_of(house, issued)
    assert row.valid_until_us == NOW_US + 90 * MINUTE_US
    assert looking.row(house.instance, visits, row.visit_id).ends_us == row.valid_until_us
    assert looking.rows(house.instance, select(codes)) == before
    last = looking.last_record(house.instance)
    assert last.kind is Kind.PASS_EXTENDED
    assert last.data == {"pass": issued.pass_id, "until-us": row.valid_until_us, "limit": 1}


def test_a_visit_that_lasts_longer_is_not_cut(small_house: House) -> None:
    issued = small_house.issue()
    late = NOW_US + 5 * HOUR_US
    looking.change(small_house.instance, update(visits).values(ends_us=late))
    extend(small_house, issued, valid_until=at(90))
    assert looking.rows(small_house.instance, select(visits.c.ends_us))[0].ends_us == late


def test_a_pass_is_given_more_entries(house: House) -> None:
    issued = house.issue(entries=2)
    extend(house, issued, more_entries=3)
    row = pass_of(house, issued)
    assert (row.entry_limit, row.valid_until_us) == (5, NOW_US + HOUR_US)
    assert looking.last_record(house.instance).data["limit"] == 5


def test_a_pass_that_is_over_can_be_taken_up_again(small_house: House) -> None:
    issued = small_house.issue()
    later_us = NOW_US + 3 * HOUR_US
    extend(small_house, issued, valid_until=at(240), more_entries=1, at_us=later_us)
    assert pass_of(small_house, issued).valid_until_us == NOW_US + 4 * HOUR_US


@pytest.mark.parametrize(
    ("made", "fields", "field", "message"),
    [
        ({}, {}, "valid_until", "give a later end, more entries, or both"),
        ({}, {"valid_until": at(59)}, "valid_until", "present end, 2030-05-14T11:00:00+01:00"),
        ({}, {"valid_until": at(60)}, "valid_until", "present end, 2030-05-14T11:00:00+01:00"),
        ({}, {"valid_until": "soon"}, "valid_until", "is no date and time"),
        ({}, {"valid_until": "2030-10-27T01:30"}, "valid_until", "occurs twice"),
        ({"entries": 0}, {"more_entries": 1}, "more_entries", "no entry limit already"),
        ({"entries": 9_999}, {"more_entries": 2}, "more_entries", "at most 10000 entries"),
    ],
)
def test_an_extension_that_extends_nothing_is_refused(
    small_house: House, made: dict[str, Any], fields: dict[str, Any], field: str, message: str
) -> None:
    issued = small_house.issue(**made)
    before = looking.dump(small_house.instance)
    with pytest.raises(CommandError, match=f"{field}: ") as refused:
        extend(small_house, issued, **fields)
    assert message in str(refused.value)
    assert looking.dump(small_house.instance) == before


def test_the_end_cannot_be_moved_to_where_it_is_past_already(small_house: House) -> None:
    issued = small_house.issue()
    with pytest.raises(CommandError, match="valid_until: must be later than now"):
        extend(small_house, issued, valid_until=at(90), at_us=NOW_US + 2 * HOUR_US)


# --- codes made anew ---------------------------------------------------------------------------


def test_a_new_code_ends_the_one_of_its_carrier_alone(house: House) -> None:
    phone = house.issue()
    badge = recode(house, phone, "badge")
    assert looking.last_record(house.instance).data["ended"] == 0
    again = recode(house, phone, at_us=NOW_US + 5)
    assert looking.last_record(house.instance).data["ended"] == 1
    rows = looking.rows(house.instance, select(codes).order_by(codes.c.id))
    assert [(row.carrier, row.ended_us) for row in rows] == [
        ("phone", NOW_US + 5), ("badge", None), ("phone", None),
    ]  # fmt: skip
    assert len({phone.text, badge.text, again.text}) == 3
    assert {phone.number, badge.number, again.number} == {phone.number}


def test_a_new_code_says_what_the_pass_has_become(small_house: House) -> None:
    issued = small_house.issue(entries=2)
    extend(small_house, issued, valid_until=at(90), more_entries=3)
    claims = code.parse(recode(small_house, issued).text).claims
    assert (claims.entry_limit, claims.valid_until_s) == (5, NOW_US // MICROSECONDS + 5400)


def test_a_pass_that_is_over_gets_no_new_code(small_house: House) -> None:
    issued = small_house.issue()
    with pytest.raises(CommandError, match="pass: its window has ended; extend it first"):
        recode(small_house, issued, at_us=NOW_US + HOUR_US)


@pytest.mark.parametrize("job", [extend, recode])
def test_a_pass_that_was_withdrawn_is_neither_extended_nor_coded_anew(
    small_house: House,
    job: Any,  # noqa: ANN401 # one of the two above
) -> None:
    issued = small_house.issue()
    small_house.withdraw(issued)
    with pytest.raises(CommandError, match="pass: was withdrawn; make a new pass instead"):
        job(small_house, issued)


# --- finding -----------------------------------------------------------------------------------


def code_text(house: House, reference: str, carrier: str = "phone") -> str:
    with house.instance.store.reading() as connection:
        return issuing.code_text(connection, house.instance.keyring, reference, carrier)


def test_the_text_of_a_live_code_can_be_had_again(house: House) -> None:
    phone = house.issue()
    badge = recode(house, phone, "badge")
    assert code_text(house, phone.number) == phone.text
    assert code_text(house, str(phone.pass_id), "badge") == badge.text
    again = recode(house, phone)
    assert code_text(house, phone.number) == again.text


def test_the_text_of_a_code_that_is_not_there_is_refused(small_house: House) -> None:
    issued = small_house.issue()
    with pytest.raises(NotFoundError, match="carrier: this pass has no live code for a badge"):
        code_text(small_house, issued.number, "badge")
    looking.change(small_house.instance, delete(codes))
    with pytest.raises(NotFoundError, match="no live code for a phone"):
        code_text(small_house, issued.number)


def test_a_pass_is_found_however_its_number_is_typed(house: House) -> None:
    issued = house.issue()
    plain = issued.number.replace("-", "")
    for reference in (
        str(issued.pass_id), f" {issued.pass_id} ", "000001", issued.number, plain.lower(),
        f"{plain[:2]} {plain[2:5]} {plain[5:]}",
    ):  # fmt: skip
        with house.instance.store.reading() as connection:
            found = issuing.find_pass(connection, reference)
        assert (found.id, found.zone) == (issued.pass_id, "Europe/Lisbon")


@pytest.mark.parametrize(
    ("reference", "message"),
    [
        ("7", "there is no such pass"),
        ("9999999", "there is no such pass"),
        (number.make(12345), "there is no such pass"),
        (number.make(12345)[::-1], "read the pass number again"),
        ("3H9R-TD", "has 8 characters"),
        ("3H9R-TD6O", "look again"),
        ("\u0663", "has no"),
        ("-5", "has 8 characters"),
        ("", "has 8 characters"),
        ("1; DROP TABLE", "has no"),
    ],
)
def test_a_pass_that_is_not_there_is_refused_by_field(
    small_house: House, reference: str, message: str
) -> None:
    small_house.issue()
    with (
        small_house.instance.store.reading() as connection,
        pytest.raises(NotFoundError, match=r"^visitor: ") as refused,
    ):
        issuing.find_pass(connection, reference, "visitor")
    assert message in str(refused.value)
