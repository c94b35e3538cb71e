"""What happens by itself: records are sealed, and a run that failed is followed by another."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING

import pytest
from sqlalchemy.exc import OperationalError

from passdesk import timetable
from passdesk.services import sealing
from tests.support.place import NOW_US

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from passdesk.services.instance import Instance

SECONDS = 10


@pytest.fixture
def started(instance: Instance) -> Iterator[Instance]:
    """Give an instance whose timetable runs."""
    scheduler = timetable.start(instance)
    yield instance
    scheduler.shutdown()


def unsealed(instance: Instance) -> int:
    with instance.store.reading() as connection:
        return sealing.unsealed(connection)


def wait(until: Callable[[], bool]) -> None:
    deadline = time.monotonic() + SECONDS
    while not until():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_records_are_sealed_by_themselves(started: Instance) -> None:
    assert unsealed(started) > 0
    wait(lambda: unsealed(started) == 0)


def test_a_run_that_was_missed_is_made_up_for_once_and_never_runs_beside_itself(
    small_instance: Instance,
) -> None:
    scheduler = timetable.start(small_instance)
    (job,) = scheduler.get_jobs()
    scheduler.shutdown()
    assert (job.id, job.trigger.interval.total_seconds()) == ("seal", 1)
    assert (job.coalesce, job.misfire_grace_time, job.max_instances) == (True, None, 1)
    assert str(scheduler.timezone) == "UTC"


@pytest.mark.parametrize(
    "error",
    [
        OperationalError("UPDATE", {}, Exception("database is locked")),
        sealing.DamagedTreeError("nothing is sealed"),
    ],
    ids=["database", "damage"],
)
def test_a_run_that_failed_is_said_and_the_next_one_seals(
    small_instance: Instance,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    error: Exception,
) -> None:
    seal_all, tries = sealing.seal_all, [error]

    def failing_once(instance: Instance, now_us: int) -> int:
        assert now_us > NOW_US - 10**16  # the clock of this machine, in microseconds
        if tries:
            raise tries.pop()
        return seal_all(instance, now_us)

    monkeypatch.setattr(sealing, "seal_all", failing_once)
    scheduler = timetable.start(small_instance)
    wait(lambda: unsealed(small_instance) == 0)
    scheduler.shutdown()
    said = [one for one in caplog.records if one.name == "passdesk.timetable"]
    assert [(one.levelno, one.getMessage()) for one in said] == [
        (logging.ERROR, "sealing failed and will be tried again")
    ]
    assert said[0].exc_info is not None
    assert said[0].exc_info[1] is error


def test_a_run_that_takes_long_is_no_cause_for_complaint(
    small_instance: Instance, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    began: list[float] = []

    def slow(_instance: Instance, _now_us: int) -> int:
        began.append(time.monotonic())
        time.sleep(1.1)
        return 0

    monkeypatch.setattr(sealing, "seal_all", slow)
    scheduler = timetable.start(small_instance)
    wait(lambda: len(began) == 2)
    scheduler.shutdown()
    assert began[1] - began[0] >= 1.1
    assert [one.getMessage() for one in caplog.records if one.levelno >= logging.WARNING] == []
