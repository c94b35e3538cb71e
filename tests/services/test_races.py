"""Real processes that come to the same rows at once, on both databases."""

from __future__ import annotations

import runpy
import threading
from concurrent.futures import ThreadPoolExecutor, wait
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event, select

from passdesk.core.reasons import Reason
from passdesk.services import instance as instances
from passdesk.services import issuing, withdrawing
from passdesk.services.issuing import IssuePass, RecodePass
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.services.withdrawing import WithdrawPass
from passdesk.store.tables import accompaniments, codes, passes, presentations
from tests.support import looking, racing
from tests.support.place import MINUTE_US, NOW_US, at
from tests.support.racing import Ground, Show

if TYPE_CHECKING:
    from collections.abc import Iterator

    from passdesk.services.deciding import Answer
    from tests.support.place import House
    from tests.support.racing import Pool

PROCESSES = 4
ENTRIES = ("Front in", "Side in")
SCRIPTS = Path(__file__).parents[2] / "scripts"


@pytest.fixture(scope="module")
def pool() -> Iterator[Pool]:
    """Start the processes once."""
    with racing.pool(PROCESSES) as started:
        yield started


def command(**fields: Any) -> IssuePass:  # noqa: ANN401 # of IssuePass
    """Give the command for a pass of the house."""
    return IssuePass.model_validate(
        {
            "guest": "Ilse Varga",
            "host": "tomas.brand@example.org",
            "doors": ("Visitors",),
            "valid_from": at(),
            "valid_until": at(6000),
            **fields,
        }
    )


def made(house: House, count: int, **fields: Any) -> list[Any]:  # noqa: ANN401 # of IssuePass
    """Make passes in one act."""

    def make(act: Any, one: IssuePass) -> list[Any]:  # noqa: ANN401 # an Act
        return [issuing.issue(act, one) for _ in range(count)]

    found: list[Any] = house.act(make, command(**fields))
    return found


def used(house: House) -> dict[int, int]:
    """Give how many entries of each pass are used."""
    query = select(passes.c.id, passes.c.entries_used)
    return {row.id: row.entries_used for row in looking.rows(house.instance, query)}


def test_passes_shown_more_often_than_allowed_are_granted_exactly_as_often_as_allowed(
    house: House, pool: Pool
) -> None:
    issued = made(house, 60, entries=3)
    runs = [
        [
            Show(
                one.text,
                f"race-{process}-{turn}-{number}",
                house.readers[ENTRIES[(process + turn) % 2]],
                # More than the time for reading again lies between any two.
                NOW_US + (process * 2 + turn) * MINUTE_US,
            )
            for turn in range(2)
            for number, one in enumerate(issued)
        ]
        for process in range(PROCESSES)
    ]
    ground = Ground.of(house.instance)
    found = pool.race(racing.show_all, [(ground, run) for run in runs])
    answers = list(chain.from_iterable(found))
    granted = [answer.pass_id for answer in answers if answer.granted]
    assert {one.pass_id: granted.count(one.pass_id) for one in issued} == dict.fromkeys(
        (one.pass_id for one in issued), 3
    )
    assert {answer.reason for answer in answers} == {None, Reason.USED_UP}
    assert set(used(house).values()) == {3}
    left = [answer.entries_left for answer in answers if answer.granted]
    assert [left.count(number) for number in range(3)] == [60] * 3


def test_one_presentation_sent_by_all_at_once_has_one_answer(house: House, pool: Pool) -> None:
    issued = made(house, 20, entries=3)
    # Some with a code of ours, some with a text that is none.
    texts = [one.text for one in issued] + [f"VP1:NOTHING{number}" for number in range(5)]
    shows = [
        Show(text, f"attempt-{number}", house.readers["Front in"], NOW_US)
        for number, text in enumerate(texts)
    ]
    ground = Ground.of(house.instance)
    answers = pool.race(racing.show_all, [(ground, shows)] * PROCESSES)
    assert all(each == answers[0] for each in answers)
    assert looking.count(house.instance, presentations) == len(texts)
    assert set(used(house).values()) == {1}
    assert len(looking.records_of(house.instance)[-len(texts) :]) == len(texts)


def test_passes_are_made_changed_and_ended_while_others_are_shown(house: House, pool: Pool) -> None:
    shown, recoded, ended = (made(house, 25, entries=2) for _ in range(3))
    ground = Ground.of(house.instance)
    makes = [(issuing.issue, command(guest_email=f"g{n % 5}@example.com")) for n in range(25)]
    # A code made anew by two processes at once: one is live at the end.
    codes_anew = [
        (issuing.recode, RecodePass.model_validate({"pass": one.number})) for one in recoded
    ]
    ends = [
        (withdrawing.withdraw, WithdrawPass.model_validate({"pass": one.number, "because": "Off"}))
        for one in ended
    ]
    shows = [
        Show(one.text, f"{kind}-{turn}-{number:04d}", house.readers["Front in"],
             NOW_US + turn * MINUTE_US)
        for turn in range(3)
        for kind, group in (("shown", shown), ("ended", ended))
        for number, one in enumerate(group)
    ]  # fmt: skip
    new, _, _, answers = pool.mixed(
        [
            (racing.act_all, ground, NOW_US, makes),
            (racing.act_all, ground, NOW_US, codes_anew),
            (racing.act_all, ground, NOW_US, [*codes_anew[:10], *ends]),
            (racing.show_all, ground, shows),
        ]
    )
    counts = used(house)
    assert {counts[one.pass_id] for one in shown} == {2}
    assert max(counts[one.pass_id] for one in ended) <= 2
    live = select(codes.c.pass_id).where(codes.c.ended_us.is_(None), codes.c.carrier == "phone")
    per_pass = [row.pass_id for row in looking.rows(house.instance, live)]
    assert len(per_pass) == len(set(per_pass)) == 100
    # What another process has made or ended holds here, where neither was seen before.
    assert all(house.present(one).granted for one in new)
    assert {house.present(one, minutes=9).reason for one in ended} == {Reason.WITHDRAWN}
    assert {house.present(one).reason for one in recoded} == {Reason.WITHDRAWN}
    assert {answer.reason for answer in answers} <= {None, Reason.USED_UP, Reason.WITHDRAWN}


def test_a_limit_on_an_area_holds_for_all_processes_together(house: House, pool: Pool) -> None:
    looking.alter_area(house.instance, "hall", occupancy_limit=7)
    issued = made(house, 40)
    runs = [
        [
            Show(one.text, f"enter-{number:04d}", house.readers[ENTRIES[process % 2]], NOW_US)
            for number, one in enumerate(issued)
            if number % PROCESSES == process
        ]
        for process in range(PROCESSES)
    ]
    ground = Ground.of(house.instance)
    found = pool.race(racing.show_all, [(ground, run) for run in runs])
    answers = list(chain.from_iterable(found))
    reasons = [answer.reason for answer in answers]
    assert (reasons.count(None), reasons.count(Reason.AREA_FULL)) == (7, 33)
    assert sum(used(house).values()) == 7


@pytest.mark.parametrize("about", ["the last entry", "the last place"])
def test_who_comes_while_another_is_being_let_in_waits_and_is_told_the_truth(
    house: House, about: str
) -> None:
    # The first is decided and not yet committed: what decides must be locked until it is.
    first, second = made(house, 2)
    if about == "the last place":
        looking.alter_area(house.instance, "hall", occupancy_limit=1)
    else:
        second = first
    other = instances.open_instance(house.instance.settings)
    presenter = Presenter(other)
    for each in (house.presenter, presenter):  # both have read the rules and the key
        racing.show(each, Show(first.text, f"warm-up-{id(each)}", house.readers["Lab in"], NOW_US))
    reached, go_on = threading.Event(), threading.Event()

    def hold(_: object) -> None:
        reached.set()
        assert go_on.wait(racing.PATIENCE_S)

    event.listen(house.instance.store.writes, "commit", hold)
    late = Show(second.text, "late-one", house.readers["Side in"], NOW_US)
    with ThreadPoolExecutor() as threads:
        early = threads.submit(house.present, first)
        assert reached.wait(racing.PATIENCE_S)
        refused = threads.submit(racing.show, presenter, late)
        assert not wait([early, refused], 0.3).done
        go_on.set()
        assert early.result(racing.PATIENCE_S).granted
        reason = Reason.AREA_FULL if about == "the last place" else Reason.USED_UP
        assert refused.result(racing.PATIENCE_S).reason is reason
    other.close()


def test_two_escorts_at_once_take_a_guest_along_once(house: House, pool: Pool) -> None:
    guests = made(house, 10, entries=5, escort=True)
    escorts = made(house, PROCESSES, entries=0, escort_pass=True)
    reader = house.readers["Front in"]
    runs = [
        [
            Show(escort.text, f"escort-{process}-{turn}", reader, NOW_US + turn * MINUTE_US + 1)
            for turn in range(len(guests))
        ]
        for process, escort in enumerate(escorts)
    ]
    for turn, guest in enumerate(guests):
        assert house.present(guest, minutes=turn).reason is Reason.ESCORT_NEEDED
    ground = Ground.of(house.instance)
    # A guest who tried again since waits there no more: each waits at the minute of their own.
    found: list[list[Answer]] = pool.race(racing.show_all, [(ground, run) for run in runs])
    along = [one.pass_id for run in found for answer in run for one in answer.accompanies]
    assert sorted(along) == sorted(guest.pass_id for guest in guests)
    assert looking.count(house.instance, accompaniments) == len(guests)
    counts = used(house)
    assert {counts[guest.pass_id] for guest in guests} == {1}


def test_guesses_at_a_pin_from_several_processes_are_counted_together(
    house: House, pool: Pool
) -> None:
    (issued,) = made(house, 1, pin=True)
    wrong = [f"{(int(issued.pin) + by) % 10**6:06d}" for by in range(1, 13)]
    ground = Ground.of(house.instance)
    runs = [(ground, issued.text, wrong[process::PROCESSES]) for process in range(PROCESSES)]
    reasons = list(chain.from_iterable(pool.race(guess, runs)))
    assert (reasons.count("wrong-pin"), reasons.count("pin-locked")) == (5, 7)


def guess(ground: Ground, text: str, pins: list[str]) -> list[str]:
    """Try PINs at one reader, in another process."""
    with ground.opened() as instance:
        presenter = Presenter(instance)
        return [
            str(
                presenter.present(
                    PresentCode(presentation_id=f"guess-{pin}", text=text, pin=pin),
                    reader_id=1,
                    by="reader:1",
                    moments=Moments(NOW_US, NOW_US),
                ).reason
            )
            for pin in pins
        ]


def test_the_long_race_says_how_it_went(capsys: pytest.CaptureFixture[str]) -> None:
    main = runpy.run_path(str(SCRIPTS / "race.py"))["main"]
    assert main(["--processes", "2", "--passes", "20", "--entries", "1"]) == 0
    told = capsys.readouterr().out.splitlines()[-1]
    assert told.startswith("sqlite, 2 processes: 40 shown, 20 granted, 20 kept, 20 entries used")
