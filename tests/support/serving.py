"""A server in processes of its own, on loopback, for as long as it is needed."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import subprocess
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

HOST = "127.0.0.1"
START_SECONDS = 60


class NotServingError(Exception):
    """The server does not answer."""


def free_port() -> int:
    """Give a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


class Service:
    """A server that answers at a port.

    Attributes:
        port: where it answers.
    """

    def __init__(
        self, command: Sequence[str], port: int, probe: str, environ: Mapping[str, str]
    ) -> None:
        """Describe it; nothing is started yet.

        Args:
            command: starts it.
            port: where it then answers.
            probe: a path that is answered with 200 once it works.
            environ: what its environment has beside this process's own.
        """
        self.port = port
        self._command = command
        self._probe = probe
        self._environ = os.environ | environ
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> float:
        """Start it; give how many seconds passed until it answered."""
        # A group of its own, so that all its processes can be killed at once.
        self._process = subprocess.Popen(
            self._command, env=self._environ, stdout=subprocess.DEVNULL, start_new_session=True
        )
        return self.wait()

    def wait(self) -> float:
        """Wait until it answers; give how many seconds that took.

        Raises:
            NotServingError: it ended, or does not answer within a minute.
        """
        began = time.monotonic()
        while (waited := time.monotonic() - began) < START_SECONDS:
            if self._process is not None and self._process.poll() is not None:
                raise NotServingError(f"it ended with status {self._process.returncode}")
            if self._answers():
                return waited
            time.sleep(0.02)
        raise NotServingError(f"no answer after {START_SECONDS} seconds")

    def back(self) -> float:
        """Wait until it answers again, and start it anew if it ended; give how long that took.

        A server whose answering process dies twice within 5.5 seconds gives up and ends, and
        whoever looks after it starts it again: here that is us.
        """
        began = time.monotonic()
        try:
            self.wait()
        except NotServingError:
            self.start()
        return time.monotonic() - began

    def kill(self) -> None:
        """Kill all its processes at once."""
        if self._process is not None:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()

    def kill_first(self) -> None:
        """Kill the process that was started, and none that it has started itself."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def stop(self) -> None:
        """Ask it to end, and see that it does."""
        if self._process is None or self._process.poll() is not None:
            return
        self._process.terminate()
        try:
            self._process.wait(START_SECONDS)
        except subprocess.TimeoutExpired:
            self.kill()
            raise

    def _answers(self) -> bool:
        connection = http.client.HTTPConnection(HOST, self.port, timeout=5)
        try:
            connection.request("GET", self._probe)
            return connection.getresponse().status == http.HTTPStatus.OK
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()
