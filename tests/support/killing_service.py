"""Killing the service itself while readers ask it over HTTP, and having it back at once."""

from __future__ import annotations

import http.client
import json
import os
import signal
import sys
import threading
import time
from enum import StrEnum
from itertools import count
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from tests.support.killed import Answered
from tests.support.killing import ENTRIES, PASSES_EACH_TIME, START_SECONDS, THREADS, Heard
from tests.support.serving import HOST, Service, free_port

if TYPE_CHECKING:
    from tests.support.killing import Campaign

ASK_SECONDS = 30
PROBE = "/api/v1/health"


class Victim(StrEnum):
    """Which processes of the service are killed.

    The first one was started by hand, and starts the answering one, anew whenever that dies.
    """

    ALL = "processes"
    FIRST = "first process"
    ANSWERING = "answering process"


def service_of(campaign: Campaign) -> Service:
    """Describe the service of a campaign's instance."""
    passdesk, port = Path(sys.executable).with_name("passdesk"), free_port()
    folder = campaign.settings.instance
    return Service(
        [str(passdesk), "serve", "--instance", str(folder), "--port", str(port)],
        port,
        PROBE,
        {"PASSDESK_DATABASE_URL": campaign.settings.database_url},
    )


def kill_service(
    campaign: Campaign, service: Service, victim: Victim, *, back_seconds: float
) -> list[str]:
    """Let readers ask a running service, kill it, have it back; list what does not add up.

    Args:
        campaign: whose instance is served.
        service: it runs, and runs again afterwards.
        victim: which of its processes is killed.
        back_seconds: the most that may pass until another process answers.
    """
    heard = Heard()
    texts = campaign.gate.codes(PASSES_EACH_TIME, entries=ENTRIES)
    names = [f"run-{campaign.kills:04d}-{number}" for number in range(THREADS)]
    secret = campaign.gate.readers[0].secret
    readers = [
        threading.Thread(target=_ask, args=(service.port, secret, name, texts, heard))
        for name in names
    ]
    for reader in readers:
        reader.start()
    _wait_for_an_answer(heard)
    time.sleep(campaign.seconds())
    killed = _answering(campaign)
    _kill(service, victim, killed)
    began = time.monotonic()
    service.back()
    while (another := _answering(campaign)) == killed and not _late(began):
        time.sleep(0.02)
    service.wait()
    if another == killed or time.monotonic() - began > back_seconds:
        heard.wrong.append(f"not back within {back_seconds} seconds of the death of its {victim}")
    for reader in readers:
        reader.join()
    return campaign.settle(heard)


def _kill(service: Service, victim: Victim, answering: int) -> None:
    match victim:
        case Victim.ALL:
            service.kill()
        case Victim.FIRST:
            service.kill_first()
        case Victim.ANSWERING:
            os.kill(answering, signal.SIGKILL)


def _answering(campaign: Campaign) -> int:
    """Give the process that answers, or answered last: it has written itself into the lock."""
    return int(campaign.settings.lock_file.read_text() or 0)


def _late(began: float) -> bool:
    return time.monotonic() - began > START_SECONDS


def _wait_for_an_answer(heard: Heard) -> None:
    began = time.monotonic()
    while not heard.answered and not heard.wrong and not _late(began):
        time.sleep(0.001)


def _ask(port: int, secret: str, name: str, texts: list[str], heard: Heard) -> None:
    """Show one code after the other until nobody answers any more."""
    draw = Random(name)  # noqa: S311 # no secret: the same each time
    headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
    connection = http.client.HTTPConnection(HOST, port, timeout=ASK_SECONDS)
    for number in count():
        presentation_id, text = f"{name}-{number}", draw.choice(texts)
        body = json.dumps({"presentation_id": presentation_id, "text": text})
        heard.shown[presentation_id] = text
        try:
            connection.request("POST", "/api/v1/presentations", body, headers)
            reply = connection.getresponse()
            told = json.loads(reply.read())
        except (OSError, http.client.HTTPException):
            connection.close()
            return  # it was killed
        if reply.status != http.HTTPStatus.OK:
            heard.wrong.append(f"presentation {presentation_id} got {reply.status}: {told}")
            return
        heard.answered[presentation_id] = Answered(
            told["granted"], told["spent"], told["reason"], told["pass"]
        )
