"""The promises of the design that a service can keep or break, each with what tries to break it."""

from __future__ import annotations

import hashlib
import threading
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from sqlalchemy import delete, event, func, select, update

from passdesk.core.reasons import Reason
from passdesk.core.record import Kind
from passdesk.services import barring, issuing, lockdown, withdrawing
from passdesk.services import commissioning as c
from passdesk.services import instance as instances
from passdesk.services.barring import BarGuest
from passdesk.services.errors import CommandError, faults_of
from passdesk.services.issuing import IssuePass, RecodePass
from passdesk.services.lockdown import ChangeLockdown
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.services.withdrawing import WithdrawPass
from passdesk.store.tables import (
    accompaniments,
    door_schedules,
    metadata,
    pass_door_groups,
    passes,
    presentations,
    records,
    schedule_hours,
    signing_keys,
)
from tests.support import looking
from tests.support.day import whole_day
from tests.support.place import HOUR_US, NOW_US, at

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Connection

    from passdesk.services.deciding import Answer
    from passdesk.services.issuing import Issued
    from passdesk.store.engine import Store
    from tests.support.place import House

PATIENCE_S = 30


class PowerFailure(Exception):  # noqa: N818 # it is no error of anybody here
    """The machine stops."""


def break_the_next_commit(store: Store, monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    """Let the next transaction fail before its commit, or right after it."""
    whole = store.transact

    def broken(work: Callable[[Connection], Any]) -> Any:  # noqa: ANN401 # as the store's own
        monkeypatch.setattr(store, "transact", whole)
        if fault == "failed yet stored":
            whole(work)
        raise PowerFailure

    monkeypatch.setattr(store, "transact", broken)


# --- 1: answered only when durable -------------------------------------------------------------


def test_promise_1_nothing_is_answered_before_count_and_record_are_committed(house: House) -> None:
    issued = house.issue(entries=2)
    house.present(issued, "Lab in")  # so that nothing else is read and ended on the way
    reached, go_on = threading.Event(), threading.Event()
    answers: list[Answer] = []

    def hold(_: Connection) -> None:
        reached.set()
        assert go_on.wait(PATIENCE_S)

    event.listen(house.instance.store.writes, "commit", hold)
    caller = threading.Thread(target=lambda: answers.append(house.present(issued)), daemon=True)
    caller.start()
    assert reached.wait(PATIENCE_S)
    caller.join(0.2)
    assert answers == []
    assert looking.count(house.instance, presentations) == 1
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == 0
    go_on.set()
    caller.join(PATIENCE_S)
    assert answers[0].granted
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == 1
    assert looking.last_record(house.instance).data["presentation"] == answers[0].presentation


@pytest.mark.parametrize("fault", ["failed", "failed yet stored"])
def test_promise_1_a_commit_that_fails_is_no_grant_and_the_retry_is_the_same_presentation(
    house: House, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    issued = house.issue(entries=2)
    break_the_next_commit(house.instance.store, monkeypatch, fault)
    with pytest.raises(PowerFailure):
        house.present(issued, presentation_id="attempt-1")
    stored = int(fault == "failed yet stored")
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == stored
    answer = house.present(issued, presentation_id="attempt-1", minutes=0.001)
    assert (answer.granted, answer.spent, answer.entries_left) == (True, True, 1)
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == 1
    assert len(looking.records_of(house.instance, Kind.PRESENTATION_DECIDED)) == 1


# --- 2: exactly as many as allowed -------------------------------------------------------------


@pytest.mark.parametrize("entries", [1, 2, 5])
def test_promise_2_retries_readers_carriers_and_restarts_grant_what_there_is_and_no_more(
    house: House, entries: int
) -> None:
    issued = house.issue(entries=entries)
    badge = house.act(issuing.recode, RecodePass.model_validate(
        {"pass": issued.number, "carrier": "badge"}
    ))  # fmt: skip
    spent = []
    for turn in range(entries + 2):
        for shown, reader in ((issued, "Front in"), (badge, "Side in")):
            minutes = turn * 2 + (reader == "Side in")
            again = [
                house.present(shown, reader, minutes=minutes, presentation_id=f"try-{turn:04d}")
                for _ in range(3)
            ]
            assert again[0] == again[1] == again[2]
            spent.append(again[0].spent)
        # The service stops and starts.
        settings_of = house.instance.settings
        house.instance.close()
        house.instance = instances.open_instance(settings_of)
        house.presenter = Presenter(house.instance)
    assert spent.count(True) == entries
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == entries


def test_promise_2_the_count_is_taken_by_the_database_whatever_was_read_before(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As if the decision had been made on what stood in the row before somebody else's entry.
    issued = house.issue(entries=1)
    whole = house.presenter._register.pass_row

    def stale(*arguments: Any) -> Any:  # noqa: ANN401 # as the register's own
        row = whole(*arguments)
        return None if row is None else row._replace(entries_used=0)

    monkeypatch.setattr(house.presenter._register, "pass_row", stale)
    reasons = [house.present(issued, minutes=turn).reason for turn in range(3)]
    assert reasons == [None, Reason.USED_UP, Reason.USED_UP]


# --- 3: one presentation, one answer -----------------------------------------------------------


def test_promise_3_a_presentation_that_is_sent_to_another_process_is_the_same_one(
    house: House,
) -> None:
    issued = house.issue(entries=3)
    first = house.present(issued, presentation_id="attempt-1")
    with_others = instances.open_instance(house.instance.settings)
    again = Presenter(with_others).present(
        PresentCode(presentation_id="attempt-1", text=issued.text),
        reader_id=house.readers["Front in"], by="reader:1", moments=Moments(NOW_US + 9, NOW_US + 9),
    )  # fmt: skip
    with_others.close()
    assert again == first
    assert looking.row(house.instance, passes, issued.pass_id).entries_used == 1


# --- 6: nothing causes an unhandled error ------------------------------------------------------

NASTY = [
    "",
    " ",
    "VP1:",
    "VP1:" + "0" * 216,
    "VP1:" + "0" * 217,
    "A" * 4096,
    "\0",
    "VP1:\0",
    "vp1:6BF",
    "VP2:6BF",
    "VP1::::",
    "VP1:GGW",
    "\u202eVP1:",
    "'; DROP TABLE passes; --",
    "%s %(name)s {0}",
    "http://example.org/VP1:",
    "\U0001f9d1" * 1000,
]


def test_promise_6_holds_on_either_database(house: House) -> None:
    assert {house.present(shown).reason for shown in NASTY} == {Reason.UNREADABLE}


@pytest.mark.parametrize("shown", NASTY, ids=range(len(NASTY)))
def test_promise_6_what_cannot_be_understood_is_refused_with_a_reason_and_recorded(
    small_house: House, shown: str
) -> None:
    answer = small_house.present(shown)
    assert (answer.granted, answer.reason) == (False, Reason.UNREADABLE)
    last = looking.last_record(small_house.instance)
    assert (last.data["presentation"], last.data["reason"]) == (answer.presentation, "unreadable")


@settings(
    max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(shown=st.text(max_size=300) | st.text(max_size=250).map("VP1:".__add__))
def test_promise_6_no_text_at_all_opens_or_breaks_anything(small_house: House, shown: str) -> None:
    try:
        answer = small_house.present(shown)
    except ValidationError:
        return  # half a character, which is no text
    assert answer.reason is Reason.UNREADABLE


def test_promise_6_no_single_changed_character_of_a_code_opens_anything(small_house: House) -> None:
    issued = small_house.issue(entries=0)
    alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
    for place in range(len(issued.text)):
        other = alphabet[(alphabet.index(issued.text[place]) + 7) % len(alphabet)]
        changed = issued.text[:place] + other + issued.text[place + 1 :]
        assert not small_house.present(changed).granted


@settings(
    max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    field=st.sampled_from(
        ["guest", "organisation", "guest_email", "host", "host_name", "purpose", "doors", "site",
         "valid_from", "valid_until", "entries", "daily", "carrier", "requires", "pass", "until"]
    ),
    value=st.one_of(
        st.text(max_size=260), st.integers(), st.none(), st.booleans(), st.floats(),
        st.lists(st.text(max_size=130), max_size=3),
        st.dictionaries(st.sampled_from(["first_minute", "end_minute", "weekdays", "x"]),
                        st.integers(-5, 2000)),
        st.sampled_from(NASTY),
    ),
)  # fmt: skip
def test_promise_6_no_field_of_a_command_causes_anything_but_a_fault_of_that_field(
    small_house: House, field: str, value: object
) -> None:
    fields: dict[str, Any] = {
        "guest": "Ilse Varga", "host": "tomas.brand@example.org", "doors": ["Visitors"],
        "valid_from": at(), "valid_until": at(60),
    }  # fmt: skip
    if field in {"pass", "until"}:
        asked = {"pass": "1", "because": "Shouting", field: value}
        found = faults(lambda: small_house.act(barring.bar, BarGuest.model_validate(asked)))
    else:
        asked = fields | {field: value}
        found = faults(lambda: small_house.act(issuing.issue, IssuePass.model_validate(asked)))
    # An end may clash with the start beside it, and the pass to be barred is not there.
    assert found <= {field, "valid_until", "pass"}


def faults(job: Callable[[], object]) -> set[str]:
    """Give the fields that a command was refused for, none when it was carried out."""
    try:
        job()
    except CommandError as error:
        return {fault.field for fault in error.faults}
    except ValidationError as error:
        return {fault.field.partition(".")[0] for fault in faults_of(error)}
    return set()


# --- 7: exit is never refused ------------------------------------------------------------------


def _withdrawn(house: House) -> Issued:
    issued = house.issue()
    house.withdraw(issued)
    return issued


def _used_up(house: House) -> Issued:
    issued = house.issue()
    house.present(issued)
    return issued


def _barred(house: House) -> Issued:
    issued = house.issue()
    asked = {"pass": issued.number, "because": "Shouting"}
    house.act(barring.bar, BarGuest.model_validate(asked))
    return issued


def _locked_down(house: House) -> Issued:
    house.act(lockdown.start, ChangeLockdown(because="Smoke"))
    return house.issue()


def _key_ended(house: House) -> Issued:
    issued = house.issue()
    looking.change(house.instance, update(signing_keys).values(ended_us=NOW_US))
    return issued


def _closed(house: House) -> Issued:
    looking.change(house.instance, delete(door_schedules), delete(pass_door_groups))
    return house.issue()


def _hard(house: House) -> Issued:
    looking.alter_area(house.instance, "hall", passback="hard", occupancy_limit=1)
    looking.alter_area(house.instance, "outside", passback="hard", occupancy_limit=1)
    return house.issue()


LEAVING: dict[str, tuple[Callable[[House], Issued | str], dict[str, Any]]] = {
    "a pass that is good": (lambda house: house.issue(), {}),
    "nothing at all": (lambda _: "", {}),
    "a text of something else": (lambda _: "WIFI:T:WPA;S:guests;;", {}),
    "a withdrawn pass": (_withdrawn, {}),
    "a pass that is used up": (_used_up, {}),
    "a barred guest": (_barred, {}),
    "a lockdown": (_locked_down, {}),
    "a key that was ended": (_key_ended, {}),
    "closed doors and no groups": (_closed, {}),
    "full and hard areas": (_hard, {}),
    "a pass of tomorrow": (lambda house: house.issue(valid_from=at(1), valid_until=at(2)), {}),
    "a pass of yesterday": (lambda house: house.issue(), {"minutes": 60 * 24}),
    "a PIN that is wanting": (lambda house: house.issue(pin=True), {}),
    "a PIN that is wrong": (lambda house: house.issue(pin=True), {"pin": "000000"}),
    "an escort who is wanting": (lambda house: house.issue(escort=True), {}),
    "a requirement that is wanting": (lambda house: house.issue(requires=("permit",)), {}),
    "a clock that is wrong": (lambda house: house.issue(), {"reader_clock": at(-9999)}),
}


@pytest.mark.parametrize(("shown", "fields"), LEAVING.values(), ids=LEAVING)
def test_promise_7_an_exit_is_granted_whatever_is_shown(
    small_house: House, shown: Callable[[House], Issued | str], fields: dict[str, Any]
) -> None:
    code = shown(small_house)
    used = select(func.sum(passes.c.entries_used))
    before = looking.rows(small_house.instance, used)
    for reader in ("Front out", "Lab out"):
        answer = small_house.present(code, reader, **fields)
        assert (answer.granted, answer.leaving, answer.reason) == (True, True, None)
        assert not answer.spent
    assert looking.rows(small_house.instance, used) == before
    assert looking.last_record(small_house.instance).data["granted"] is True


def test_promise_7_an_exit_is_granted_on_either_database(house: House) -> None:
    for shown in ("no code", _used_up(house), _withdrawn(house), _locked_down(house)):
        answer = house.present(shown, "Front out")
        assert (answer.granted, answer.leaving, answer.spent) == (True, True, False)


# --- 8: no personal data in the records --------------------------------------------------------

# Where the tables say that personal data stands, and what goes with it.
ERASABLE = {"guests", "hosts", "texts", "visits", "bars"}


def words_of(personal: list[str]) -> set[str]:
    """Give the texts and their longer words, each as it is and in small letters."""
    words = {word for each in personal for word in (each, *each.split()) if len(word) > 4}
    return words | {word.lower() for word in words}


def test_promise_8_the_records_hold_no_word_of_anybody_and_no_hash_that_could_be_guessed(
    house: House,
) -> None:
    personal = whole_day(house)
    rows = looking.rows(house.instance, select(records))
    found = b"".join(row.body for row in rows)
    kinds = {row.kind for row in rows}
    assert len(kinds) > 12
    for word in words_of(personal):
        assert word.encode() not in found
        assert not any(word.encode() in kind.encode() for kind in kinds)
        for digest in (hashlib.sha256, hashlib.sha1, hashlib.md5, hashlib.blake2b):
            assert digest(word.encode()).digest()[:16] not in found


def test_promise_8_personal_data_stands_in_rows_that_can_be_erased_and_nowhere_else(
    house: House,
) -> None:
    personal = whole_day(house)
    elsewhere = {
        name: repr(rows)
        for name, rows in looking.dump(house.instance).items()
        if name not in ERASABLE
    }
    for word in words_of(personal):
        assert [name for name, rows in elsewhere.items() if word in rows] == []


# --- 9: an empty rule refuses ------------------------------------------------------------------


def test_promise_9_a_pass_without_door_groups_opens_no_door(house: House) -> None:
    issued = house.issue()
    looking.change(house.instance, delete(pass_door_groups))
    entries = [name for name in house.readers if name.endswith("in")]
    assert {house.present(issued, name).reason for name in entries} == {Reason.WRONG_DOOR}


def test_promise_9_a_group_without_doors_opens_no_door(house: House) -> None:
    issued = house.issue(doors=("Nothing",))
    entries = [name for name in house.readers if name.endswith("in")]
    assert {house.present(issued, name).reason for name in entries} == {Reason.WRONG_DOOR}


@pytest.mark.parametrize("empty", ["no schedule", "a schedule without hours", "never open"])
def test_promise_9_a_door_without_hours_is_closed(house: House, empty: str) -> None:
    if empty == "a schedule without hours":
        looking.change(house.instance, delete(schedule_hours))
    schedules = {"no schedule": (), "never open": ("never",)}.get(empty, ("always",))
    weekly = {"never open": "mon-sun 00:00-24:00 closed to visitors"}.get(empty, "")
    house.act(c.add_schedule, c.AddSchedule(name="never", weekly=weekly))
    door = c.AddDoor(
        name="Gate", from_area="outside", to_area="hall", groups=("Visitors",), schedules=schedules
    )
    house.act(c.add_door, door)
    reader = c.AddReader.model_validate({"name": "Gate in", "door": "Gate", "direction": "entry"})
    house.readers["Gate in"] = house.act(c.add_reader, reader)
    issued = house.issue(valid_until=at(60 * 24 * 7))
    reasons = {house.present(issued, "Gate in", minutes=m).reason for m in range(0, 10_000, 97)}
    assert reasons == {Reason.OUTSIDE_HOURS}


def test_promise_9_a_schedule_that_a_special_day_does_not_name_is_closed(house: House) -> None:
    day = c.AddSpecialDay.model_validate({"name": "Closed", "day": "2030-05-14"})
    house.act(c.add_special_day, day)
    issued = house.issue(valid_until=at(600))
    assert house.present(issued, minutes=300).reason is Reason.OUTSIDE_HOURS


# --- 10: nothing opens but a recorded decision -------------------------------------------------


def test_promise_10_every_grant_is_one_decision_in_the_records(house: House) -> None:
    whole_day(house)
    rows = looking.rows(house.instance, select(presentations))
    taken = looking.rows(house.instance, select(accompaniments))
    decided = [one.data for one in looking.records_of(house.instance, Kind.PRESENTATION_DECIDED)]
    assert sorted((one["presentation"], one["granted"]) for one in decided) == sorted(
        [(row.id, row.granted) for row in rows]
        + [(row.guest_presentation, row.granted) for row in taken]
    )
    used = looking.rows(house.instance, select(func.sum(passes.c.entries_used)))[0][0]
    assert used == sum(bool(one["spent"]) for one in decided) > 0
    granted = {one["pass"] for one in decided if one["granted"]}
    seen = select(passes.c.id).where(passes.c.area_id.is_not(None))
    inside = {row.id for row in looking.rows(house.instance, seen)}
    assert inside <= granted


def test_promise_10_no_command_presents_counts_or_moves_anybody(house: House) -> None:
    issued = house.issue(entries=3, pin=True)
    here = {"pass": issued.number}
    reason = {"because": "A reason"}
    house.act(issuing.extend, issuing.ExtendPass.model_validate(here | {"more_entries": 1}))
    house.act(issuing.recode, RecodePass.model_validate(here))
    house.act(withdrawing.withdraw, WithdrawPass.model_validate(here | reason))
    house.act(
        withdrawing.reinstate, withdrawing.ReinstatePass.model_validate(here | reason)
    )  # fmt: skip
    bar_id = house.act(barring.bar, BarGuest.model_validate(here | reason))
    house.act(barring.unbar, barring.UnbarGuest(bar=bar_id, because="Another"))
    house.act(lockdown.start, ChangeLockdown(because="Smoke"))
    house.act(lockdown.end, ChangeLockdown(because="Steam"))
    rehearsed = PresentCode(presentation_id="rehearsal", text=issued.text, pin=issued.pin)
    house.presenter.rehearse(
        rehearsed, reader_id=1, by="command", moments=Moments(NOW_US, NOW_US + HOUR_US)
    )
    for table in ("presentations", "accompaniments", "last_grants"):
        assert looking.count(house.instance, metadata.tables[table]) == 0
    row = looking.row(house.instance, passes, issued.pass_id)
    assert (row.entries_used, row.area_id, row.since_us) == (0, None, None)
    assert looking.records_of(house.instance, Kind.PRESENTATION_DECIDED) == []
