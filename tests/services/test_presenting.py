"""Presenting a code at a reader: every reason, the count, and one answer for one presentation."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import delete, insert, select, update

from passdesk.core import base45, clock, code
from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import barring, issuing, lockdown
from passdesk.services.barring import BarGuest
from passdesk.services.errors import NotFoundError
from passdesk.services.issuing import ExtendPass
from passdesk.services.lockdown import ChangeLockdown
from passdesk.services.presenting import ConflictError, Moments, PresentCode
from passdesk.store.tables import (
    codes,
    pass_door_groups,
    passes,
    presentations,
    readers,
    requirements,
    signing_keys,
)
from tests.support import looking
from tests.support.place import HOUR_US, MINUTE_US, NOW_US, at

if TYPE_CHECKING:
    from collections.abc import Callable

    from passdesk.services.deciding import Answer
    from passdesk.services.issuing import Issued
    from tests.support.place import House

SECOND = 1 / 60  # of a minute


def present(
    house: House, text: str, reader: str = "Front in", *, moments: Moments, **fields: Any  # noqa: ANN401
) -> Answer:  # fmt: skip
    """Show a text with every field at hand."""
    command = PresentCode(text=text, **{"presentation_id": "test-presentation", **fields})
    reader_id = house.readers[reader]
    by = f"reader:{reader_id}"
    return house.presenter.present(command, reader_id=reader_id, by=by, moments=moments)


def change_pass(house: House, issued: Issued, **values: object) -> None:
    looking.change(
        house.instance, update(passes).where(passes.c.id == issued.pass_id).values(values)
    )


def signed_elsewhere(issued: Issued) -> str:
    """Give the same claims under the key of another installation."""
    return code.sign_payload(code.parse(issued.text).message.payload, Ed25519PrivateKey.generate())


def with_broken_signature(issued: Issued) -> str:
    message = bytearray(base45.decode(issued.text.removeprefix(code.PREFIX)))
    message[-1] ^= 1
    return code.PREFIX + base45.encode(bytes(message))


def not_in_the_register(house: House, issued: Issued) -> str:
    """Give a code that our own key has signed and nobody has noted."""
    parsed = code.parse(issued.text)
    claims = replace(parsed.claims, code_id=b"\x07" * code.CODE_ID_BYTES)
    return code.mint(claims, house.instance.keyring.issuer(parsed.kid))


# --- every reason ------------------------------------------------------------------------------


def _clock_wrong(house: House) -> Answer:
    return house.present(house.issue(), reader_clock=at(61 * SECOND))


def _lockdown(house: House) -> Answer:
    house.act(lockdown.start, ChangeLockdown(because="Smoke"))
    return house.present(house.issue())


def _barred(house: House) -> Answer:
    issued = house.issue()
    command = BarGuest.model_validate({"pass": issued.number, "because": "Shouting"})
    house.act(barring.bar, command)
    return house.present(issued)


def _withdrawn(house: House) -> Answer:
    issued = house.issue()
    house.withdraw(issued)
    return house.present(issued)


def _pin_locked(house: House) -> Answer:
    issued = house.issue(pin=True)
    change_pass(house, issued, wrong_pins=5)
    return house.present(issued, pin=issued.pin)


def _wrong_pin(house: House) -> Answer:
    issued = house.issue(pin=True)
    return house.present(issued, pin=f"{(int(issued.pin or 0) + 1) % 10**6:06d}")


def _already_inside(house: House) -> Answer:
    looking.alter_area(house.instance, "hall", passback="hard")
    issued = house.issue(entries=2)
    assert house.present(issued).granted
    return house.present(issued, "Side in")


def _count_elsewhere(house: House) -> Answer:
    issued = house.issue()
    keeper = {"kept_by": house.readers["Side in"], "kept_until_us": NOW_US + 1}
    change_pass(house, issued, **keeper)
    return house.present(issued)


def _used_up(house: House) -> Answer:
    issued = house.issue()
    assert house.present(issued).granted
    return house.present(issued, "Side in")


def _area_full(house: House) -> Answer:
    looking.alter_area(house.instance, "hall", occupancy_limit=1)
    assert house.present(house.issue()).granted
    return house.present(house.issue())


REASONS: dict[Reason, Callable[[House], Answer]] = {
    Reason.CLOCK_WRONG: _clock_wrong,
    Reason.UNREADABLE: lambda house: house.present("VP1:HELLO"),
    Reason.UNKNOWN_KEY: lambda house: house.present(signed_elsewhere(house.issue())),
    Reason.BAD_SIGNATURE: lambda house: house.present(with_broken_signature(house.issue())),
    Reason.UNKNOWN_PASS: lambda house: house.present(not_in_the_register(house, house.issue())),
    Reason.LOCKDOWN: _lockdown,
    Reason.BARRED: _barred,
    Reason.WITHDRAWN: _withdrawn,
    Reason.TOO_EARLY: lambda house: house.present(house.issue(), minutes=-2),
    Reason.EXPIRED: lambda house: house.present(house.issue(), minutes=61),
    Reason.REQUIREMENT_MISSING: lambda house: house.present(house.issue(requires=("permit",))),
    Reason.WRONG_DOOR: lambda house: house.present(house.issue(), "Lab in"),
    Reason.OUTSIDE_HOURS: lambda house: house.present(
        house.issue(valid_until=at(600)), "Yard in", minutes=420
    ),
    Reason.PIN_LOCKED: _pin_locked,
    Reason.PIN_NEEDED: lambda house: house.present(house.issue(pin=True)),
    Reason.WRONG_PIN: _wrong_pin,
    Reason.ESCORT_NEEDED: lambda house: house.present(house.issue(escort=True)),
    Reason.ALREADY_INSIDE: _already_inside,
    Reason.COUNT_ELSEWHERE: _count_elsewhere,
    Reason.USED_UP: _used_up,
    Reason.AREA_FULL: _area_full,
}
NAMES_NO_PASS = {Reason.UNREADABLE, Reason.UNKNOWN_KEY, Reason.BAD_SIGNATURE, Reason.UNKNOWN_PASS}


def test_every_reason_that_a_service_with_a_line_can_have_is_tried_here() -> None:
    assert set(REASONS) == set(Reason) - {Reason.RULES_STALE}  # that one is a reader's own


@pytest.mark.parametrize("reason", REASONS, ids=str)
def test_a_refusal_has_its_one_reason_spends_nothing_and_is_kept(
    house: House, reason: Reason
) -> None:
    answer = REASONS[reason](house)
    assert (answer.granted, answer.reason, answer.again, answer.spent) == (
        False, reason, False, False,
    )  # fmt: skip
    assert (answer.pass_id is None) == (answer.number is None) == (reason in NAMES_NO_PASS)
    kept = looking.row(house.instance, presentations, answer.presentation)
    assert (kept.granted, kept.reason, kept.spent, kept.pass_id) == (
        False, reason.value, False, answer.pass_id,
    )  # fmt: skip
    last = looking.last_record(house.instance)
    assert last.kind is Kind.PRESENTATION_DECIDED
    assert (last.data["presentation"], last.data["reason"]) == (answer.presentation, reason.value)
    spent = sum(row.entries_used for row in looking.rows(house.instance, select(passes)))
    granted = select(presentations.c.id).where(presentations.c.spent)
    assert spent == len(looking.rows(house.instance, granted))


def test_a_requirement_that_is_met_is_met_until_it_ends(house: House) -> None:
    issued = house.issue(requires=("approval", "permit"), entries=5)
    met = update(requirements).values(met_us=NOW_US)
    looking.change(house.instance, met.where(requirements.c.kind == "approval"))
    assert house.present(issued).reason is Reason.REQUIREMENT_MISSING
    looking.change(house.instance, met.values(ends_us=NOW_US + MINUTE_US))
    assert house.present(issued, minutes=0.999).granted
    assert house.present(issued, "Side in", minutes=1).reason is Reason.REQUIREMENT_MISSING


def test_a_key_that_is_ended_ends_its_codes_also_where_it_is_in_use(house: House) -> None:
    issued = house.issue(entries=2)
    assert house.present(issued).granted
    looking.change(house.instance, update(signing_keys).values(ended_us=NOW_US))
    assert house.present(issued, minutes=1).reason is Reason.UNKNOWN_KEY
    looking.change(house.instance, update(signing_keys).values(ended_us=None, retired_us=NOW_US))
    assert house.present(issued, minutes=1).granted  # a retired key signs no more, but verifies


def test_what_keeps_the_count_elsewhere_ends_with_its_lease(house: House) -> None:
    issued = house.issue(entries=3)
    change_pass(house, issued, kept_by=house.readers["Side in"], kept_until_us=NOW_US + MINUTE_US)
    assert house.present(issued, minutes=0.999).reason is Reason.COUNT_ELSEWHERE
    assert house.present(issued, "Side in").granted  # the keeper itself
    assert house.present(issued, minutes=1).granted


# --- the window, the hours, the clock ----------------------------------------------------------


# shared/decision.md: a leeway of 60 s at both ends of a half-open window.
@pytest.mark.parametrize(
    ("seconds", "reason"),
    [
        (-60.001, Reason.TOO_EARLY),
        (-60, None),
        (0, None),
        (3600, None),
        (3659.999, None),
        (3660, Reason.EXPIRED),
    ],
)
def test_a_window_is_open_from_its_start_to_before_its_end(
    small_house: House, seconds: float, reason: Reason | None
) -> None:
    answer = small_house.present(small_house.issue(), minutes=seconds / 60)
    edges = {Reason.TOO_EARLY: NOW_US, Reason.EXPIRED: NOW_US + HOUR_US}
    assert answer.reason is reason
    assert answer.hint_us == (edges[reason] if reason else None)


def test_what_is_stored_decides_and_not_what_the_code_says(house: House) -> None:
    issued = house.issue(entries=2)
    change_pass(house, issued, valid_until_us=NOW_US + 10 * MINUTE_US)
    assert house.present(issued, minutes=12).reason is Reason.EXPIRED
    change_pass(house, issued, valid_until_us=NOW_US + HOUR_US, entry_limit=1)
    assert house.present(issued).granted
    assert house.present(issued, minutes=1).reason is Reason.USED_UP
    looking.change(house.instance, delete(pass_door_groups))
    assert house.present(issued, minutes=2).reason is Reason.WRONG_DOOR
    looking.change(
        house.instance, insert(pass_door_groups).values(pass_id=issued.pass_id, group_id=2)
    )
    assert house.present(issued, "Lab in", minutes=2).granted


def test_an_extension_holds_for_the_code_that_is_out_already(house: House) -> None:
    issued = house.issue()
    assert house.present(issued).granted
    fields = {"pass": issued.number, "valid_until": at(120), "more_entries": 1}
    house.act(issuing.extend, ExtendPass.model_validate(fields))
    answer = house.present(issued, minutes=110)
    assert (answer.granted, answer.entries_left) == (True, 0)
    assert house.present(issued, minutes=111).reason is Reason.USED_UP
    assert house.present(issued, minutes=121).reason is Reason.EXPIRED


# 14 May 2030 is a Tuesday; Lisbon is an hour ahead of UTC then.
@pytest.mark.parametrize(
    ("minutes", "open_"), [(-60, True), (-60.001, False), (419.999, True), (420, False)]
)
def test_a_door_keeps_its_hours(small_house: House, minutes: float, *, open_: bool) -> None:
    issued = small_house.issue(valid_from=at(-600), valid_until=at(600))
    answer = small_house.present(issued, "Yard in", minutes=minutes)
    assert answer.reason is (None if open_ else Reason.OUTSIDE_HOURS)


def test_a_pass_keeps_its_own_hours(house: House) -> None:
    # From 10:00 to 11:00 on Tuesdays.
    daily = {"first_minute": 600, "end_minute": 660, "weekdays": 0b10}
    issued = house.issue(valid_until=at(60 * 24 * 8), daily=daily, entries=0)
    found = [house.present(issued, minutes=m).reason for m in (0, 59, 60, 1440, 7 * 1440)]
    shut = Reason.OUTSIDE_HOURS
    assert found == [None, None, shut, shut, None]


@pytest.mark.parametrize(("seconds", "fine"), [(59, True), (60, True), (61, False)])
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_readers_clock_may_be_a_minute_off(
    small_house: House, seconds: int, sign: int, *, fine: bool
) -> None:
    answer = small_house.present(small_house.issue(), reader_clock=at(sign * seconds * SECOND))
    assert answer.reason is (None if fine else Reason.CLOCK_WRONG)


def test_a_readers_clock_is_understood_in_any_zone(small_house: House) -> None:
    answer = small_house.present(small_house.issue(), reader_clock="2030-05-14T14:30:00+05:30")
    assert answer.granted


# --- one presentation, one answer --------------------------------------------------------------


@pytest.mark.parametrize("reason", [None, *REASONS], ids=str)
def test_a_presentation_sent_again_gets_the_same_answer_and_writes_nothing(
    small_house: House, reason: Reason | None
) -> None:
    sent: list[tuple[PresentCode, int, str, Moments]] = []
    whole = small_house.presenter.present

    def watch(command: PresentCode, *, reader_id: int, by: str, moments: Moments) -> Answer:
        sent.append((command, reader_id, by, moments))
        return whole(command, reader_id=reader_id, by=by, moments=moments)

    small_house.presenter.present = watch  # type: ignore[method-assign]
    first = (
        REASONS[reason](small_house)
        if reason
        else small_house.present(small_house.issue(entries=2))
    )
    command, reader_id, by, moments = sent[-1]
    before = looking.dump(small_house.instance)
    for later_us in (0, MINUTE_US, 2 * HOUR_US):
        again = whole(
            command, reader_id=reader_id, by=by,
            moments=Moments(moments.decided_for_us + later_us, moments.received_us + later_us),
        )  # fmt: skip
        assert again == first
    assert looking.dump(small_house.instance) == before


def test_an_answer_stands_whatever_happens_to_the_pass(house: House) -> None:
    issued = house.issue()
    first = house.present(issued, presentation_id="attempt-1")
    house.withdraw(issued)
    looking.change(house.instance, update(signing_keys).values(ended_us=NOW_US))
    assert house.present(issued, presentation_id="attempt-1") == first
    assert house.present(issued, presentation_id="attempt-2").reason is Reason.UNKNOWN_KEY


def test_a_clock_that_went_on_makes_no_other_presentation(small_house: House) -> None:
    issued = small_house.issue()
    first = small_house.present(issued, presentation_id="attempt-1", reader_clock=at())
    again = small_house.present(issued, presentation_id="attempt-1", reader_clock=at(30))
    assert again == first


@pytest.mark.parametrize("other", ["text", "pin"])
def test_one_presentation_id_with_two_payloads_is_a_conflict(house: House, other: str) -> None:
    issued, second = house.issue(entries=2), house.issue()
    house.present(issued, presentation_id="attempt-1")
    before = looking.dump(house.instance)
    with pytest.raises(ConflictError, match="presentation_id: was used for another presentation"):
        house.present(
            second if other == "text" else issued, presentation_id="attempt-1",
            pin="123456" if other == "pin" else None,
        )  # fmt: skip
    assert looking.dump(house.instance) == before


def test_two_readers_may_use_the_same_presentation_id(house: House) -> None:
    issued = house.issue(entries=2)
    first = house.present(issued, "Front in", presentation_id="attempt-1")
    second = house.present(issued, "Side in", presentation_id="attempt-1")
    assert (first.entries_left, second.entries_left) == (1, 0)


# --- rows and records --------------------------------------------------------------------------


def test_a_decision_is_recorded_by_references_and_a_digest(house: House) -> None:
    issued = house.issue(entries=4)
    moments = Moments(NOW_US + 5, NOW_US + 9)
    answer = present(house, issued.text, moments=moments)
    code_row = looking.rows(house.instance, select(codes))[0].id
    kept = looking.row(house.instance, presentations, answer.presentation)
    last = looking.last_record(house.instance)
    assert (last.kind, last.by, last.at_us) == (
        Kind.PRESENTATION_DECIDED, f"reader:{house.readers['Front in']}", NOW_US + 9,
    )  # fmt: skip
    assert last.data == {
        "presentation": answer.presentation, "reader": house.readers["Front in"],
        "digest": kept.payload_mac, "moment-us": NOW_US + 5, "pass": issued.pass_id,
        "code": code_row, "granted": True, "reason": None, "spent": True, "again": False,
        "left": 3,
    }  # fmt: skip
    assert (kept.moment_us, kept.received_us, kept.presentation_id) == (
        NOW_US + 5, NOW_US + 9, "test-presentation",
    )  # fmt: skip
    assert answer.moment_us == NOW_US + 5


def test_an_answer_is_durable_before_it_is_given(house: House) -> None:
    issued = house.issue()
    answer = house.present(issued)
    # Each of these reads with a connection of its own.
    assert looking.row(house.instance, presentations, answer.presentation).granted
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == 1
    assert looking.last_record(house.instance).data["presentation"] == answer.presentation


@pytest.mark.parametrize("direction", ["entry", "exit"])
@pytest.mark.parametrize("fault", ["no such reader", "ended"])
def test_a_reader_that_is_not_in_use_gets_no_answer(
    small_house: House, direction: str, fault: str
) -> None:
    issued, name = small_house.issue(), "Front in" if direction == "entry" else "Front out"
    if fault == "ended":
        looking.change(small_house.instance, update(readers).values(ended_us=NOW_US))
    else:
        small_house.readers[name] = 4711
    with pytest.raises(NotFoundError, match="reader: there is no such reader, or its use was"):
        small_house.present(issued, name)
    assert looking.count(small_house.instance, presentations) == 0


def test_a_readers_clock_that_cannot_be_read_is_wrong_and_keeps_nobody_in(
    small_house: House,
) -> None:
    issued = small_house.issue()
    refused = small_house.present(issued, reader_clock="ten past nine")
    assert (refused.reason, refused.spent) == (Reason.CLOCK_WRONG, False)
    assert small_house.present(issued, "Front out", reader_clock="ten past nine").granted


# --- rehearsing --------------------------------------------------------------------------------


@pytest.mark.parametrize("pin", ["none", "right", "wrong"])
def test_a_rehearsal_answers_as_at_the_door_and_changes_nothing(house: House, pin: str) -> None:
    issued = house.issue(pin=pin != "none")
    wrong = f"{(int(issued.pin or 0) + 1) % 10**6:06d}"
    tried = {"none": None, "right": issued.pin, "wrong": wrong}[pin]
    before = looking.dump(house.instance)
    command = PresentCode(presentation_id="rehearsal", text=issued.text, pin=tried)
    fields: dict[str, Any] = {
        "reader_id": house.readers["Front in"], "by": "command", "moments": Moments(NOW_US, NOW_US),
    }  # fmt: skip
    rehearsed = house.presenter.rehearse(command, **fields)
    assert looking.dump(house.instance) == before
    answer = house.presenter.present(command, **fields)
    assert replace(rehearsed, presentation=0) == replace(answer, presentation=0)
    assert answer.granted is (pin != "wrong")


def test_a_rehearsal_of_an_answered_presentation_gives_its_answer(small_house: House) -> None:
    issued = small_house.issue()
    answer = small_house.present(issued, presentation_id="attempt-1")
    command = PresentCode(presentation_id="attempt-1", text=issued.text)
    fields: dict[str, Any] = {
        "reader_id": small_house.readers["Front in"], "by": "command",
        "moments": Moments(NOW_US + HOUR_US, NOW_US + HOUR_US),
    }  # fmt: skip
    assert small_house.presenter.rehearse(command, **fields) == answer
    with pytest.raises(ConflictError):
        small_house.presenter.rehearse(command.model_copy(update={"text": "VP1:OTHER"}), **fields)


def test_the_test_moment_is_what_it_is_said_to_be() -> None:
    assert clock.format_utc(NOW_US) == "2030-05-14T09:00:00Z"
