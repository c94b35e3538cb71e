"""The list of those who may not enter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from passdesk.core import record
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import barring
from passdesk.services.barring import BarGuest, UnbarGuest
from passdesk.services.errors import CommandError
from passdesk.store.tables import bars, passes, texts
from tests.support import looking
from tests.support.place import MINUTE_US, NOW_US, at

if TYPE_CHECKING:
    from passdesk.services.issuing import Issued
    from tests.support.place import House

BECAUSE = "Ilse Varga shouted at the desk"
MAIL = "ilse@example.com"


def bar(house: House, issued: Issued, until: str | None = None) -> int:
    command = BarGuest.model_validate({"pass": issued.number, "because": BECAUSE, "until": until})
    return int(house.act(barring.bar, command))


def unbar(house: House, bar_id: int) -> None:
    house.act(barring.unbar, UnbarGuest(bar=bar_id, because="They made it up"))


def test_a_barred_guest_comes_in_with_no_pass_of_theirs(house: House) -> None:
    first, second = (house.issue(guest_email=MAIL, guest=name) for name in ("Ilse", "I. Varga"))
    other = house.issue(guest_email="otto@example.com")
    bar_id = bar(house, first)
    assert house.present(first).reason is Reason.BARRED
    assert house.present(second).reason is Reason.BARRED  # another row, the same mail address
    assert house.present(other).granted
    unbar(house, bar_id)
    assert house.present(first).granted
    assert house.present(second).granted


def test_a_guest_without_a_mail_address_is_barred_by_their_row_alone(house: House) -> None:
    first, second = house.issue(), house.issue()
    bar(house, first)
    assert house.present(first).reason is Reason.BARRED
    assert house.present(second).granted


def test_a_bar_holds_from_the_commit_on_also_for_a_code_that_is_read_again(house: House) -> None:
    issued = house.issue()
    assert house.present(issued).granted
    bar(house, issued)
    assert house.present(issued, minutes=0.01).reason is Reason.BARRED


@pytest.mark.parametrize(("minutes", "barred"), [(29.999, True), (30, False)])
def test_a_bar_with_an_end_holds_up_to_it(house: House, minutes: float, *, barred: bool) -> None:
    issued = house.issue()
    bar(house, issued, at(30))
    assert (house.present(issued, minutes=minutes).reason is Reason.BARRED) is barred


def test_no_pass_is_made_for_a_barred_mail_address_and_the_words_tell_nothing(
    house: House,
) -> None:
    issued = house.issue(guest_email=MAIL)
    bar_id = bar(house, issued, at(30))
    before = looking.dump(house.instance)
    for guest in ("Ilse Varga", "Somebody Else"):
        with pytest.raises(CommandError, match="guest: this visit waits for a second person"):
            house.issue(guest=guest, guest_email=MAIL.upper())
    assert looking.dump(house.instance) == before
    house.issue(guest_email=MAIL, at_us=NOW_US + 30 * MINUTE_US)
    unbar(house, bar_id)
    house.issue(guest_email=MAIL)


def test_a_bar_is_kept_and_recorded_with_its_reason_beside_it(house: House) -> None:
    issued = house.issue(guest_email=MAIL)
    guest_id = looking.row(house.instance, passes, issued.pass_id).guest_id
    bar_id = bar(house, issued, at(30))
    until_us = NOW_US + 30 * MINUTE_US
    row = looking.row(house.instance, bars, bar_id)
    assert tuple(row)[1:] == (guest_id, MAIL, NOW_US, until_us, None)
    unbar(house, bar_id)
    assert looking.row(house.instance, bars, bar_id).ended_us == NOW_US
    first, second = looking.rows(house.instance, select(texts).order_by(texts.c.id))
    started, ended = looking.records_of(house.instance, Kind.GUEST_BARRED, Kind.GUEST_UNBARRED)
    assert started.data == {
        "bar": bar_id, "guest": guest_id, "until-us": until_us, "because": first.commitment,
    }  # fmt: skip
    assert ended.data == {"bar": bar_id, "because": second.commitment}
    for text in (first, second):
        assert (text.about, text.about_id) == ("bar", bar_id)
        assert record.verify_commitment(text.key, text.body, text.commitment)


def test_a_guest_who_is_barred_already_is_not_barred_twice(house: House) -> None:
    issued = house.issue()
    bar_id = bar(house, issued)
    with pytest.raises(CommandError, match="pass: its guest is barred already"):
        bar(house, issued)
    unbar(house, bar_id)
    assert bar(house, issued) != bar_id


def test_a_bar_that_has_run_out_does_not_stand_in_the_way_of_a_new_one(house: House) -> None:
    issued = house.issue()
    bar(house, issued, at(30))
    command = BarGuest.model_validate({"pass": issued.number, "because": BECAUSE})
    assert house.act(barring.bar, command, at_us=NOW_US + 30 * MINUTE_US) == 2


@pytest.mark.parametrize(
    ("until", "message"),
    [
        (at(-1), "is in the past; the bar would never hold"),
        (at(), "is in the past; the bar would never hold"),
        ("for ever", "is no date and time"),
        ("2030-10-27T01:30", "occurs twice in Europe/Lisbon"),
        ("2031-03-30T01:30", "does not exist in Europe/Lisbon"),
    ],
)
def test_an_end_that_makes_no_sense_is_refused(
    small_house: House, until: str, message: str
) -> None:
    issued = small_house.issue()
    before = looking.dump(small_house.instance)
    with pytest.raises(CommandError, match="until: ") as refused:
        bar(small_house, issued, until)
    assert message in str(refused.value)
    assert looking.dump(small_house.instance) == before


@pytest.mark.parametrize("bar_id", [1, 2**63 - 1])
def test_a_bar_that_is_not_there_cannot_be_ended(house: House, bar_id: int) -> None:
    before = looking.dump(house.instance)
    with pytest.raises(CommandError, match="bar: there is no such bar, or it was ended already"):
        unbar(house, bar_id)
    assert looking.dump(house.instance) == before


def test_a_bar_is_ended_once(small_house: House) -> None:
    bar_id = bar(small_house, small_house.issue())
    unbar(small_house, bar_id)
    with pytest.raises(CommandError, match="it was ended already"):
        unbar(small_house, bar_id)
