"""Processes that come to the same passes at once, each with an instance of its own.

What runs here is nobody's mock: every process opens the instance from its folder, makes its own
presenter and shares nothing with the others but the database.
"""

from __future__ import annotations

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services.presenting import Moments, PresentCode, Presenter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from threading import Barrier

    from passdesk.services.deciding import Answer
    from passdesk.services.instance import Instance

T = TypeVar("T")

PATIENCE_S = 120
_start: Barrier | None = None


def _enter(start: Barrier) -> None:
    """Note the barrier at which the processes wait for one another."""
    global _start  # noqa: PLW0603 # once in each process, by the pool
    _start = start


def _together(job: Callable[..., T], arguments: tuple[Any, ...]) -> T:
    assert _start is not None
    _start.wait(PATIENCE_S)
    return job(*arguments)


@dataclass(frozen=True)
class Pool:
    """Processes that start together."""

    processes: int
    executor: ProcessPoolExecutor

    def race(self, job: Callable[..., T], runs: Sequence[tuple[Any, ...]]) -> list[T]:
        """Run a job once in each process, all at the same time; give what each returned.

        Args:
            job: a function at the top of a module.
            runs: its arguments, of each process.
        """
        return self.mixed([(job, *arguments) for arguments in runs])

    def mixed(self, runs: Sequence[tuple[Any, ...]]) -> list[Any]:
        """Run a job of its own in each process, all at the same time."""
        assert len(runs) == self.processes, "with fewer, those who came would wait for ever"
        started = [self.executor.submit(_together, job, rest) for job, *rest in runs]  # type: ignore[arg-type]
        return [each.result(PATIENCE_S) for each in started]


@contextmanager
def pool(processes: int) -> Iterator[Pool]:
    """Give so many fresh processes, for as long as they are needed."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        processes, context, initializer=_enter, initargs=(context.Barrier(processes),)
    ) as executor:
        yield Pool(processes, executor)


# --- what the processes do ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ground:
    """Where an instance is; a process opens it for itself."""

    folder: str
    database_url: str

    @classmethod
    def of(cls, instance: Instance) -> Ground:
        """Give the ground of an instance that is open here."""
        return cls(str(instance.settings.instance), instance.settings.database_url)

    @contextmanager
    def opened(self) -> Iterator[Instance]:
        """Open the instance as another process does."""
        environ = {"PASSDESK_DATABASE_URL": self.database_url}
        instance = instances.open_instance(settings.load(Path(self.folder), environ))
        try:
            yield instance
        finally:
            instance.close()


@dataclass(frozen=True, slots=True)
class Show:
    """One code to be shown."""

    text: str
    presentation_id: str
    reader_id: int
    at_us: int


def show(presenter: Presenter, one: Show) -> Answer:
    """Show one code."""
    return presenter.present(
        PresentCode(presentation_id=one.presentation_id, text=one.text),
        reader_id=one.reader_id,
        by=f"reader:{one.reader_id}",
        moments=Moments(one.at_us, one.at_us),
    )


def show_all(ground: Ground, shows: Sequence[Show]) -> list[Answer]:
    """Show codes one after the other; give the answers."""
    with ground.opened() as instance:
        presenter = Presenter(instance)
        return [show(presenter, one) for one in shows]


def act_all(ground: Ground, now_us: int, jobs: Sequence[tuple[Any, ...]]) -> list[Any]:
    """Run service functions one after the other, each an act of its own; give their results."""
    with ground.opened() as instance:
        return [instance.act("command", now_us, *job) for job in jobs]


@dataclass
class Tally:
    """What one process of a long race saw: how often each code was granted."""

    granted: list[int]
    shown: int = 0
    mutex: threading.Lock = field(default_factory=threading.Lock)

    def add(self, code: int, answer: Answer) -> None:
        """Count an answer."""
        with self.mutex:
            self.shown += 1
            self.granted[code] += answer.granted


@dataclass(frozen=True, slots=True)
class Lap:
    """A long race as one process runs it: every code, so many times, from several threads."""

    ground: Ground
    name: str
    reader_id: int
    texts: tuple[str, ...]
    times: int
    threads: int
    at_us: int


def run_lap(lap: Lap, passed: Any) -> list[int]:  # noqa: ANN401 # a queue of another process
    """Run one process's part of a long race; give how often each code was granted.

    Args:
        lap: what to show.
        passed: gets a number now and then: how many were shown since the last.
    """
    tally = Tally([0] * len(lap.texts))
    with lap.ground.opened() as instance:
        presenter = Presenter(instance)

        def run(thread: int) -> None:
            for turn in range(lap.times):
                shown = 0
                for code in range(thread, len(lap.texts), lap.threads):
                    presentation_id = f"{lap.name}-{turn}-{code}"
                    one = Show(lap.texts[code], presentation_id, lap.reader_id, lap.at_us)
                    tally.add(code, show(presenter, one))
                    shown += 1
                    if shown % 50 == 0:
                        passed.put(50)
                passed.put(shown % 50)

        threads = [threading.Thread(target=run, args=(number,)) for number in range(lap.threads)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    return tally.granted
