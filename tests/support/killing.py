"""Killing what decides, in the middle, and seeing that every answer it gave still stands.

A process presents codes as fast as it can and is killed (SIGKILL) at a random moment. It has no
time to say or save anything, so what it answered before must be kept already. Then the database
is opened anew: what it holds must add up and agree with every answer. What was shown and not
answered is shown again, as a reader would do, and must count once.

A killed process loses nothing that it has handed to the operating system, so this says nothing of
a loss of power: that is what the database's own flushing is for.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

from passdesk import settings
from passdesk.services import instance as instances
from passdesk.services.presenting import Presenter
from tests.support.gate import Gate, now_us
from tests.support.killed import Answered, Orders, present
from tests.support.tallying import kept, tally, verify

if TYPE_CHECKING:
    from typing import IO

    from passdesk.services.instance import Instance
    from passdesk.settings import Settings

PROJECT = Path(__file__).parents[2]
THREADS = 4
PASSES_EACH_TIME = 20
ENTRIES = 3
ASKED_AGAIN = 5
LEAST_SECONDS, MOST_SECONDS = 0.005, 0.150
START_SECONDS = 60


@dataclass(slots=True)
class Heard:
    """What the readers know when the one that answered them is gone.

    Attributes:
        shown: texts of codes by presentation id, whether or not an answer came.
        answered: the answers that came, by presentation id.
        wrong: what should not have happened at all.
    """

    shown: dict[str, str] = field(default_factory=dict)
    answered: dict[str, Answered] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


class Campaign:
    """One instance whose processes are killed again and again.

    Attributes:
        settings: of the instance.
        gate: its one door.
        draw: from which every choice comes; the same seed gives the same choices.
        kills: how many there were.
        told: every answer so far, by presentation id.
        in_the_air: presentations that were shown and not answered.
        landed: how many of those were kept all the same.
    """

    def __init__(self, folder: Path, database_url: str, seed: int = 1) -> None:
        """Make the instance in a folder of its own, in a fresh database."""
        environ = {"PASSDESK_DATABASE_URL": database_url}
        self.settings: Settings = settings.load(folder, environ)
        self._instance = instances.create(self.settings, now_us())
        self.gate = Gate.build(self._instance, reread_seconds=0)
        self.draw = Random(seed)  # noqa: S311 # no secret: the same choices each time
        self.kills = self.in_the_air = self.landed = 0
        self.told: dict[str, Answered] = {}

    def close(self) -> None:
        """Give the database back."""
        self._instance.close()

    def kill_worker(self, fault: str | None = None) -> list[str]:
        """Let a process present codes and kill it; list what does not add up.

        Args:
            fault: planted in the process, one of `killed.FAULTS`.
        """
        orders = Orders(
            instance=str(self.settings.instance),
            database_url=self.settings.database_url,
            reader=self.gate.readers[0].id,
            texts=self.gate.codes(PASSES_EACH_TIME, entries=ENTRIES),
            name=f"run-{self.kills:04d}",
            threads=THREADS,
            fault=fault,
        )
        return self.settle(_killed(orders, self.seconds()))

    def seconds(self) -> float:
        """Draw how long to wait before the kill."""
        return self.draw.uniform(LEAST_SECONDS, MOST_SECONDS)

    def settle(self, heard: Heard) -> list[str]:
        """Open the instance anew after a kill; list what does not add up with what was heard."""
        self.kills += 1
        self.told |= heard.answered
        instance = instances.open_instance(self.settings)
        try:
            # What is wrong before the codes are shown again is so after it, too.
            return list(dict.fromkeys([*heard.wrong, *self._settle(instance, heard)]))
        finally:
            instance.close()

    def _settle(self, instance: Instance, heard: Heard) -> list[str]:
        wrong = tally(instance, self.told)
        unanswered = [shown for shown in heard.shown if shown not in heard.answered]
        before = kept(instance)
        self.in_the_air += len(unanswered)
        self.landed += len(before.keys() & set(unanswered))
        presenter, reader = Presenter(instance), self.gate.readers[0].id
        for presentation_id in [*unanswered, *list(heard.answered)[-ASKED_AGAIN:]]:
            text = heard.shown[presentation_id]
            answer = present(presenter, reader, presentation_id, text)
            first = before.get(presentation_id, answer)
            if answer != first:
                wrong.append(f"presentation {presentation_id} is answered {answer}, once {first}")
            self.told.setdefault(presentation_id, answer)
        return wrong + tally(instance, self.told) + verify(instance)


def _killed(orders: Orders, seconds: float) -> Heard:
    """Start a worker, kill it so many seconds after its first answer; give what was heard."""
    heard = Heard()
    with tempfile.TemporaryFile() as complaints:
        said = _said(orders, seconds, complaints)
        complaints.seek(0)
        if complaint := complaints.read().decode():
            heard.wrong.append(f"the process complained: {complaint}")
    for line in said.splitlines():
        what, presentation_id, value = json.loads(line)
        if what == "shown":
            heard.shown[presentation_id] = value
        else:
            heard.answered[presentation_id] = Answered(*value)
    return heard


def _said(orders: Orders, seconds: float, complaints: IO[bytes]) -> bytes:
    command = [sys.executable, "-m", "tests.support.killed"]
    with subprocess.Popen(
        command, cwd=PROJECT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=complaints
    ) as process:
        stdin: Any = process.stdin
        stdin.write(json.dumps(asdict(orders)).encode())
        stdin.close()
        try:
            said = _read(process, START_SECONDS, until=b'"answered"')
            said += _read(process, seconds)
        finally:
            process.kill()
        return said + (process.stdout.read() if process.stdout else b"")


def _read(process: subprocess.Popen[bytes], seconds: float, until: bytes = b"") -> bytes:
    """Read what a process says for so many seconds, or until it has said something.

    A process that is not read would wait to be heard, and be killed only ever while it waits.
    """
    assert process.stdout is not None
    said, deadline = b"", time.monotonic() + seconds
    while (left := deadline - time.monotonic()) > 0 and not (until and until in said):
        if select.select([process.stdout], [], [], left)[0]:
            more = os.read(process.stdout.fileno(), 65_536)
            if not more:
                break  # it ended by itself; its complaint says why
            said += more
    return said
