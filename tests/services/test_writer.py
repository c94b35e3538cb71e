"""One fair writer: in order, several to a commit, and nobody harms or waits for another."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import pytest
from sqlalchemy import insert, select
from sqlalchemy.exc import OperationalError

from passdesk.services import writer as writing
from passdesk.services.writer import Writer
from passdesk.store.tables import facts
from tests.support import looking

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sqlalchemy import Connection

    from passdesk.services.instance import Instance
    from passdesk.store.engine import Store

T = TypeVar("T")
MOST = 3
PATIENCE_S = 30


class SpilledError(Exception):
    """What a job raises here."""


class Interruption(BaseException):
    """What no job is expected to raise: a thread that is ended from outside."""


@dataclass
class Watched:
    """A store that notes how many rows each commit of it wrote, and that can be made to fail."""

    store: Store
    commits: list[int] = field(default_factory=list)
    fail: str | None = None

    def transact(self, work: Callable[[Connection], T]) -> T:
        """Run the work as the store does, with the fault that was ordered."""
        fault, self.fail = self.fail, None
        if fault == "failed":
            raise SpilledError
        if fault == "out of order":
            raise OperationalError("BEGIN", {}, SpilledError())
        result = self.store.transact(work)
        self.commits.append(len(result) if isinstance(result, list) else 0)
        if fault == "failed yet stored":
            raise SpilledError
        return result


@dataclass
class Queue:
    """A writer whose first job waits, so that others gather behind it."""

    writer: Writer
    watched: Watched
    threads: list[threading.Thread] = field(default_factory=list)
    told: dict[str, object] = field(default_factory=dict)
    open: threading.Event = field(default_factory=threading.Event)

    def put(self, name: str, job: Callable[[Connection], Any], *, alone: bool = False) -> None:
        """Let a thread of its own run a job, once all before it are in the queue."""

        def call() -> None:
            try:
                self.told[name] = self.writer.run(job, alone=alone)
            except BaseException as error:  # noqa: BLE001 # looked at by the test
                self.told[name] = error

        before = len(self.writer._waiting)
        thread = threading.Thread(target=call, daemon=True)
        self.threads.append(thread)
        thread.start()
        wait_until(lambda: len(self.writer._waiting) == before + (len(self.threads) > 1))

    def finish(self) -> None:
        """Let the first job go on, and wait for all."""
        self.open.set()
        for thread in self.threads:
            thread.join(PATIENCE_S)
        assert not any(thread.is_alive() for thread in self.threads)


def wait_until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.001)


@contextmanager
def gathered(instance: Instance) -> Iterator[Queue]:
    """Give a queue behind a job that waits; the queue is worked off when the block ends."""
    watched = Watched(instance.store)
    queue = Queue(Writer(watched, MOST), watched)  # type: ignore[arg-type]
    began = threading.Event()

    def first(_: Connection) -> str:
        began.set()
        assert queue.open.wait(PATIENCE_S)
        return "first"

    queue.put("first", first)
    assert began.wait(PATIENCE_S)
    yield queue
    queue.finish()


def note(name: str) -> Callable[[Connection], str]:
    """Give a job that notes a fact."""

    def job(connection: Connection) -> str:
        connection.execute(insert(facts).values(name=name, value="yes"))
        return name

    return job


def spill(name: str) -> Callable[[Connection], str]:
    """Give a job that writes and then raises."""

    def job(connection: Connection) -> str:
        note(name)(connection)
        raise SpilledError(name)

    return job


def noted(instance: Instance) -> list[str]:
    query = select(facts.c.name).where(facts.c.value == "yes").order_by(facts.c.name)
    return [row.name for row in looking.rows(instance, query)]


def test_a_job_is_durable_before_its_caller_goes_on(instance: Instance) -> None:
    assert instance.writer.run(note("colour")) == "colour"
    assert noted(instance) == ["colour"]


def test_jobs_run_in_the_order_in_which_they_came(small_instance: Instance) -> None:
    order: list[int] = []

    def job(number: int) -> Callable[[Connection], None]:
        return lambda _: order.append(number)

    with gathered(small_instance) as queue:
        for number in range(20):
            queue.put(str(number), job(number), alone=number % 7 == 0)
    assert order == list(range(20))


def test_jobs_that_have_gathered_share_commits(small_instance: Instance) -> None:
    with gathered(small_instance) as queue:
        for name in "abcd":
            queue.put(name, note(name))
    assert queue.watched.commits == [1, MOST, 1]
    assert queue.told == {name: name for name in ("first", *"abcd")}
    assert noted(small_instance) == [*"abcd"]


def test_a_job_alone_shares_its_commit_with_no_other(small_instance: Instance) -> None:
    with gathered(small_instance) as queue:
        for name in "abXcYZde":
            queue.put(name, note(name), alone=name.isupper())
    assert queue.watched.commits == [1, 2, 1, 1, 1, 1, 2]
    assert noted(small_instance) == sorted("abXcYZde")


@pytest.mark.parametrize("bad", ["a", "b", "c"])
def test_a_job_that_raises_is_told_its_own_error_and_harms_no_other(
    instance: Instance, bad: str
) -> None:
    with gathered(instance) as queue:
        for name in "abc":
            queue.put(name, spill(name) if name == bad else note(name))
    error = queue.told.pop(bad)
    assert isinstance(error, SpilledError)
    assert str(error) == bad
    good = [name for name in "abc" if name != bad]
    assert queue.told == {name: name for name in ("first", *good)}
    assert noted(instance) == good


def test_jobs_that_all_raise_are_told_each_its_own(small_instance: Instance) -> None:
    with gathered(small_instance) as queue:
        for name in "abc":
            queue.put(name, spill(name))
        queue.put("d", note("d"))
    assert [str(queue.told[name]) for name in "abc"] == [*"abc"]
    assert noted(small_instance) == ["d"]


def test_a_fault_of_the_database_that_none_of_them_caused_is_tried_again_for_each(
    small_instance: Instance,
) -> None:
    with gathered(small_instance) as queue:
        for name in "abc":
            queue.put(name, note(name))
        queue.put("gate", lambda _: setattr(queue.watched, "fail", "failed"), alone=True)
        for name in "def":
            queue.put(name, note(name))
    assert queue.watched.commits == [1, 3, 1, 1, 1, 1]
    assert noted(small_instance) == [*"abcdef"]


def test_a_database_that_cannot_be_used_is_told_to_all_and_tried_once_for_all(
    small_instance: Instance,
) -> None:
    with gathered(small_instance) as queue:
        for name in "abc":
            queue.put(name, note(name))
        queue.put("gate", lambda _: setattr(queue.watched, "fail", "out of order"), alone=True)
        for name in "def":
            queue.put(name, note(name))
        queue.put("g", note("g"))
    assert queue.watched.commits == [1, 3, 1, 1]
    assert all(isinstance(queue.told[name], OperationalError) for name in "def")
    assert noted(small_instance) == [*"abcg"]


@pytest.mark.parametrize(("fault", "stands"), [("failed", []), ("failed yet stored", ["colour"])])
def test_a_commit_that_fails_is_told_to_the_one_whose_it_was(
    small_instance: Instance, fault: str, stands: list[str]
) -> None:
    watched = Watched(small_instance.store, fail=fault)
    writer = Writer(watched, MOST)  # type: ignore[arg-type]
    with pytest.raises(SpilledError):
        writer.run(note("colour"))
    assert noted(small_instance) == stands
    assert writer.run(note("shape")) == "shape"  # and the writer goes on


@pytest.mark.parametrize("place", ["first", "last"])
def test_a_leader_that_is_ended_from_outside_leaves_nobody_waiting(
    small_instance: Instance, place: str
) -> None:
    def end(_: Connection) -> None:
        raise Interruption

    with gathered(small_instance) as queue:
        for name in ["end", "a", "b"] if place == "first" else ["a", "b", "end"]:
            queue.put(name, end if name == "end" else note(name))
        queue.put("c", note("c"))
    assert all(isinstance(queue.told[name], Interruption) for name in ("end", "a", "b"))
    assert queue.told["c"] == "c"
    assert noted(small_instance) == ["c"]


class Restless:
    """A sleep that is interrupted: at once, or as soon as somebody ends it."""

    def __init__(self, *, at_once: bool) -> None:
        self.ended = threading.Event()
        self.at_once = at_once

    def acquire(self) -> None:
        """Be interrupted."""
        assert self.at_once or self.ended.wait(PATIENCE_S)
        raise Interruption

    def release(self) -> None:
        """End the sleep."""
        self.ended.set()

    def locked(self) -> bool:
        """Tell whether it goes on."""
        return not self.ended.is_set()


@pytest.mark.parametrize("at_once", [True, False], ids=["asleep", "handed the lead"])
def test_a_waiter_that_is_interrupted_steps_out_and_holds_nobody_up(
    small_instance: Instance, monkeypatch: pytest.MonkeyPatch, *, at_once: bool
) -> None:
    restless = note("restless")
    make = writing._Ticket.__init__

    def made(ticket: Any, job: Any, *, alone: bool) -> None:  # noqa: ANN401 # a ticket of any kind
        make(ticket, job, alone=alone)
        if job is restless:
            ticket.wake = Restless(at_once=at_once)

    monkeypatch.setattr(writing._Ticket, "__init__", made)
    with gathered(small_instance) as queue:
        thread = threading.Thread(target=lambda: queue.told.update(r=told_by(queue, restless)))
        thread.start()
        if at_once:
            thread.join(PATIENCE_S)
        else:
            wait_until(lambda: len(queue.writer._waiting) == 1)
        queue.put("a", note("a"))
        queue.put("b", note("b"))
    thread.join(PATIENCE_S)
    assert isinstance(queue.told["r"], Interruption)
    assert (queue.told["a"], queue.told["b"]) == ("a", "b")
    assert noted(small_instance) == ["a", "b"]
    assert queue.writer.run(note("later")) == "later"


def told_by(queue: Queue, job: Callable[[Connection], Any]) -> object:
    try:
        return queue.writer.run(job)
    except Interruption as error:
        return error


def test_forty_threads_hand_the_lead_on_and_all_are_served(instance: Instance) -> None:
    threads, each = 40, 5
    done: list[str] = []

    def call(number: int) -> None:
        for turn in range(each):
            name = f"{number}-{turn}"
            if turn == 2:
                with pytest.raises(SpilledError, match=f"^{name}$"):
                    instance.writer.run(spill(name))
            else:
                assert instance.writer.run(note(name), alone=turn == 3) == name
                done.append(name)

    callers = [threading.Thread(target=call, args=(n,), daemon=True) for n in range(threads)]
    for caller in callers:
        caller.start()
    for caller in callers:
        caller.join(PATIENCE_S)
    assert not any(caller.is_alive() for caller in callers)
    assert len(done) == threads * (each - 1)
    assert noted(instance) == sorted(done)


def test_nobody_waits_long_while_others_keep_the_writer_busy(small_instance: Instance) -> None:
    # Free-running writers on SQLite make one of them wait for seconds.
    stop = threading.Event()

    def keep_busy() -> None:
        while not stop.is_set():
            small_instance.writer.run(lambda connection: connection.execute(select(facts)).all())

    busy = [threading.Thread(target=keep_busy, daemon=True) for _ in range(8)]
    for thread in busy:
        thread.start()
    waits = []
    for number in range(20):
        began = time.monotonic()
        small_instance.writer.run(note(f"n{number}"))
        waits.append(time.monotonic() - began)
    stop.set()
    for thread in busy:
        thread.join(PATIENCE_S)
    assert max(waits) < 2
