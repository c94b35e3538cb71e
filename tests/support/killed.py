"""The process that gets killed: presents codes from several threads as fast as it can.

It is told what to do by one JSON object on standard input, and writes one JSON array a line:

    ["shown", presentation id, text]            before it presents
    ["answered", presentation id, answer]       after `Presenter.present` has returned

A line is written by one call, so that a killed process leaves whole lines only.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any, NamedTuple

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services import sealing
from passdesk.services.presenting import Moments, PresentCode, Presenter
from passdesk.services.register import Register
from passdesk.services.writer import Writer
from tests.support.gate import now_us

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeVar

    from sqlalchemy import Connection

    from passdesk.services.deciding import Answer
    from passdesk.services.instance import Instance

    T = TypeVar("T")

LAG_SECONDS = 0.005
SEAL_SECONDS = 0.02


class Answered(NamedTuple):
    """What a reader keeps of an answer."""

    granted: bool
    spent: bool
    reason: str | None
    pass_id: int | None


@dataclass(frozen=True, slots=True)
class Orders:
    """What to do, as it comes in on standard input.

    Attributes:
        instance: folder of the instance.
        database_url: its database.
        reader: the reader's row.
        texts: of codes to be shown.
        name: begins every presentation id.
        threads: how many present.
        fault: one of FAULTS, or nothing.
    """

    instance: str
    database_url: str
    reader: int
    texts: list[str]
    name: str
    threads: int
    fault: str | None


def answered(answer: Answer) -> Answered:
    """Give what a reader keeps."""
    return Answered(answer.granted, answer.spent, answer.reason, answer.pass_id)


def present(presenter: Presenter, reader: int, presentation_id: str, text: str) -> Answered:
    """Present one code now."""
    now = now_us()
    answer = presenter.present(
        PresentCode(presentation_id=presentation_id, text=text),
        reader_id=reader,
        by=f"reader:{reader}",
        moments=Moments(now, now),
    )
    return answered(answer)


def report(*line: object) -> None:
    """Write one line, past every buffer."""
    os.write(sys.stdout.fileno(), json.dumps(line).encode() + b"\n")


def _present_for_ever(presenter: Presenter, orders: Orders, thread: int) -> None:
    draw = Random(f"{orders.name}-{thread}")  # noqa: S311 # no secret: the same each time
    for number in count():
        presentation_id, text = f"{orders.name}-{thread}-{number}", draw.choice(orders.texts)
        report("shown", presentation_id, text)
        report(
            "answered", presentation_id, present(presenter, orders.reader, presentation_id, text)
        )


def _seal_for_ever(instance: Instance) -> None:
    while True:
        sealing.seal_all(instance, now_us())
        time.sleep(SEAL_SECONDS)


# --- faults, so that the harness can show that it finds them -------------------------------------


class _HastyWriter(Writer):
    """Gives the result first and commits a little later."""

    def run(self, job: Callable[[Connection], T], *, alone: bool = False) -> T:  # noqa: ARG002 # each is alone
        connection = self._store.writes.connect()
        transaction = connection.begin()
        result = job(connection)

        def commit() -> None:
            time.sleep(LAG_SECONDS)
            transaction.commit()
            connection.close()

        threading.Thread(target=commit).start()
        return result


def _answer_before_commit(instance: Instance) -> Instance:
    return replace(instance, writer=_HastyWriter(instance.store, 1))


class _Later(threading.local):
    """What this thread has put off."""

    def __init__(self) -> None:
        self.jobs: list[Callable[[Connection], Any]] = []


class _LateWriter(Writer):
    """Commits every job, and what the job put off, one after the other."""

    def __init__(self, instance: Instance) -> None:
        super().__init__(instance.store, 1)  # one to a commit: each in its own thread
        self.later = _Later()

    def run(self, job: Callable[[Connection], T], *, alone: bool = False) -> T:
        result = super().run(job, alone=alone)
        while self.later.jobs:
            time.sleep(LAG_SECONDS)
            self._store.transact(self.later.jobs.pop())
        return result


def _put_off(instance: Instance, method: str, answer: object) -> Instance:
    """Let a method of the register answer at once and do its work after the commit."""
    writer, original = _LateWriter(instance), getattr(Register, method)

    def later(register: Register, _cursor: object, *values: object) -> object:
        writer.later.jobs.append(
            lambda connection: original(register, connection.connection.cursor(), *values)
        )
        return answer

    setattr(Register, method, later)
    return replace(instance, writer=writer)


FAULTS: dict[str, Callable[[Instance], Instance]] = {
    "answer-before-commit": _answer_before_commit,
    "count-after-commit": lambda instance: _put_off(instance, "spend", answer=True),
    "record-after-commit": lambda instance: _put_off(instance, "insert_record", answer=None),
}
"""Ways to break the first two promises."""


def main() -> None:
    """Present until killed."""
    orders = Orders(**json.load(sys.stdin))
    environ = {"PASSDESK_DATABASE_URL": orders.database_url}
    instance = instances.open_instance(settings.load(Path(orders.instance), environ))
    if orders.fault is not None:
        instance = FAULTS[orders.fault](instance)
    presenter = Presenter(instance)
    for thread in range(orders.threads):
        threading.Thread(target=_present_for_ever, args=(presenter, orders, thread)).start()
    _seal_for_ever(instance)


if __name__ == "__main__":
    main()
