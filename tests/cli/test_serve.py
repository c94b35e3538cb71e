"""The running service: started, asked, refused, stopped, killed, and commands beside it."""

from __future__ import annotations

import errno
import fcntl
import http.client
import json
import multiprocessing
import os
import shutil
import signal
import socket
import subprocess
import time
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from passdesk import worker
from tests.cli.calling import PASSDESK, WRONG_USE, Cli
from tests.support.serving import HOST, free_port

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask


START_SECONDS = 10
STOP_SECONDS = 5

_ids = count()


class Served:
    """An instance with the service running on it."""

    def __init__(self, folder: Path, port: int | None = None) -> None:
        self.cli = Cli(folder)
        self.port = port or free_port()
        self.process = subprocess.Popen(
            [PASSDESK, "serve", "--instance", folder, "--port", str(self.port)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        self.said = self.process.stdout.readline()
        if not self.said:
            raise AssertionError(self.process.communicate())

    @property
    def answering(self) -> int:
        """The process that answers."""
        file = self.cli.folder / "serve.lock"
        wait(lambda: file.read_text() != "")  # it is being written just now
        return int(file.read_text())

    def get(self, path: str) -> tuple[int, Any]:
        """Ask for something that needs no token."""
        return self._call("GET", path, None, {})

    def present(self, secret: str, text: str) -> tuple[int, Any]:
        """Show a code to the reader of a token, over HTTP."""
        body = json.dumps({"presentation_id": f"serve-{next(_ids):06d}", "text": text})
        headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
        return self._call("POST", "/api/v1/presentations", body, headers)

    def _call(
        self, method: str, path: str, body: str | None, headers: dict[str, str]
    ) -> tuple[int, Any]:
        connection = http.client.HTTPConnection(HOST, self.port, timeout=30)
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())
        finally:
            connection.close()

    def answers(self) -> bool:
        """Say whether it answers."""
        try:
            return self.get("/api/v1/health") == (200, {"status": "ok"})
        except (OSError, http.client.HTTPException):
            return False

    def stop(self, sign: signal.Signals = signal.SIGTERM) -> tuple[int, str, str]:
        """Ask it to end; give the status it ends with, and what it had to say."""
        self.process.send_signal(sign)
        out, err = self.process.communicate(timeout=30)
        return self.process.returncode, out, err

    def kill(self) -> None:
        """Kill whatever is left of it."""
        try:
            os.killpg(self.process.pid, signal.SIGKILL)
        except ProcessLookupError:
            return
        self.process.communicate()


def wait(until: Any, seconds: float = START_SECONDS) -> float:  # noqa: ANN401 # a condition
    """Wait until something is so; give how long that took."""
    began = time.monotonic()
    while not until():
        assert time.monotonic() - began < seconds
        time.sleep(0.01)
    return time.monotonic() - began


def alive(process: int) -> bool:
    """Say whether a process runs; one that ended and was not waited for does not."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


@pytest.fixture(scope="module")
def shared(
    originals: dict[str, Path], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Served]:
    """Give one running service for tests that leave it running."""
    folder = tmp_path_factory.mktemp("served") / "house"
    served = Served(shutil.copytree(originals["house"], folder))
    yield served
    served.kill()


@pytest.fixture
def folder(originals: dict[str, Path], tmp_path: Path) -> Path:
    """Give the folder of a small place."""
    return shutil.copytree(originals["house"], tmp_path / "house")


@pytest.fixture
def served(folder: Path) -> Iterator[Served]:
    """Give a running service of the test's own."""
    running = Served(folder)
    yield running
    running.kill()


def reader_token(cli: Cli, reader: str = "Front in") -> str:
    added = cli.data("token", "add", f"at {reader}", "--scope", "reader", "--reader", reader)
    return str(added["secret"])


def issued(cli: Cli, **options: str) -> dict[str, Any]:
    """Make a pass that holds now."""
    window = {"from": "2020-05-14T09:00", "until": "2099-05-14T09:00"}
    made: dict[str, Any] = cli.issue(**window, **options)
    return made


# --- beside the running service ----------------------------------------------------------------


def test_a_pass_that_was_made_by_a_command_is_granted_over_http(shared: Served) -> None:
    made, secret = issued(shared.cli), reader_token(shared.cli)
    status, told = shared.present(secret, made["code"])
    assert (status, told["granted"], told["pass"]) == (200, True, made["pass"])
    assert shared.cli.data("pass", "show", str(made["pass"]))["entries_used"] == 1


def test_a_pass_that_was_withdrawn_by_a_command_is_refused_at_once(shared: Served) -> None:
    made, secret = issued(shared.cli, entries="0"), reader_token(shared.cli, "Side in")
    assert shared.present(secret, made["code"])[1]["granted"]
    shared.cli.data("pass", "withdraw", str(made["pass"]), "--because", "Called off")
    assert shared.present(secret, made["code"])[1]["reason"] == "withdrawn"


def test_a_lockdown_by_a_command_holds_at_once_and_lets_everybody_out(shared: Served) -> None:
    made, secret = issued(shared.cli, entries="0"), reader_token(shared.cli, "Front in")
    leaving = reader_token(shared.cli, "Front out")
    assert shared.present(secret, made["code"])[1]["granted"]
    shared.cli.data("lockdown", "on", "--because", "Smell of gas")
    assert shared.present(secret, made["code"])[1]["reason"] == "lockdown"
    assert shared.present(leaving, made["code"])[1]["granted"]
    shared.cli.data("lockdown", "off", "--because", "False alarm")
    assert shared.present(secret, made["code"])[1]["granted"]


def test_a_token_that_was_ended_by_a_command_is_refused_at_once(shared: Served) -> None:
    token = shared.cli.data("token", "add", "x", "--scope", "reader", "--reader", "Front in")
    assert shared.present(token["secret"], "nonsense")[0] == 200
    shared.cli.data("token", "end", str(token["token"]))
    assert shared.present(token["secret"], "nonsense")[0] == 401


def test_a_door_that_was_added_by_a_command_is_known_at_once(shared: Served) -> None:
    shared.cli.data(
        "door", "add", "Cellar", "--from", "outside", "--to", "hall",
        "--schedules", "always", "--groups", "Visitors",
    )  # fmt: skip
    reader = shared.cli.data("reader", "add", "Cellar in", "--door", "Cellar",
                             "--direction", "entry")  # fmt: skip
    made = issued(shared.cli)
    assert shared.present(reader["secret"], made["code"])[1]["granted"]


def test_an_entry_counts_whether_it_is_shown_over_http_or_by_a_command(shared: Served) -> None:
    made, secret = issued(shared.cli, entries="1"), reader_token(shared.cli)
    assert shared.cli.data("present", made["code"], "--reader", "Side in")["spent"]
    assert shared.present(secret, made["code"])[1]["reason"] == "used-up"


def test_the_running_service_seals_what_commands_and_readers_do(shared: Served) -> None:
    issued(shared.cli)
    wait(lambda: shared.cli.data("audit", "verify")["unsealed"] == 0)
    assert shared.cli.data("audit", "verify")["ok"]


def test_commands_and_readers_at_once_all_succeed(shared: Served) -> None:
    made, secret = issued(shared.cli, entries="0"), reader_token(shared.cli)
    commands = [
        subprocess.Popen(
            [PASSDESK, "group", "add", f"Group {n}", "--instance", shared.cli.folder],
            stdout=subprocess.DEVNULL,
        )
        for n in range(3)
    ]
    while any(command.poll() is None for command in commands):
        assert shared.present(secret, made["code"])[0] == 200
    assert [command.returncode for command in commands] == [0, 0, 0]


def test_a_second_server_is_refused_and_told_which_process_to_stop(shared: Served) -> None:
    for port in (shared.port, free_port()):
        faults = shared.cli.faults("serve", "--port", str(port))
        assert faults == {
            "instance": f"process {shared.process.pid} serves this instance already; stop it "
            "first, or use another with --instance"
        }
    assert shared.answers()


def test_a_port_in_use_is_refused(shared: Served, folder: Path) -> None:
    faults = Cli(folder).faults("serve", "--port", str(shared.port))
    assert faults == {
        "port": f"{shared.port} cannot be used: Address already in use; choose another"
    }
    # Nothing was left locked: with another port it runs.
    other = Served(folder)
    assert other.stop()[0] == 0


@pytest.mark.parametrize(
    ("options", "field", "says"),
    [
        (("--port", "0"), "port", "0 is not in the range"),
        (("--port", "65536"), "port", "65536 is not in the range"),
        (("--port", "http"), "port", "'http' is not a valid int"),
        # RFC 5737: addresses for documentation, which no machine has.
        (("--host", "192.0.2.1"), "host", "'192.0.2.1' is no address of this machine"),
        (("--host", "not an address"), "host", "'not an address' is no address of this machine"),
        (("--host", "x" * 300), "host", "is no address of this machine"),
        (("--host", ""), "host", "'' is no address of this machine"),
    ],
)
def test_where_it_cannot_listen_is_said(
    folder: Path, options: tuple[str, ...], field: str, says: str
) -> None:
    faults = Cli(folder).faults("serve", *options)
    assert list(faults) == [field]
    assert says in faults[field]


def test_a_port_that_only_the_system_may_use_is_refused(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_self: socket.socket, _address: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(socket.socket, "bind", refuse)
    assert Cli(folder).faults("serve", "--port", "80") == {
        "port": "80 cannot be used: Permission denied; choose another"
    }


# --- started and stopped -----------------------------------------------------------------------


def test_it_says_where_it_answers_once_it_does(folder: Path) -> None:
    began = time.monotonic()
    served = Served(folder)
    took = time.monotonic() - began
    try:
        assert served.answers()
        assert served.said == (
            f"Passdesk answers at http://127.0.0.1:{served.port}/ (stop it with Ctrl-C)\n"
        )
        assert took < START_SECONDS
    finally:
        served.kill()


@pytest.mark.parametrize("whole", [False, True], ids=["one-process", "whole-group"])
@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "Ctrl-C"])
def test_it_stops_cleanly_within_five_seconds(
    served: Served, sign: signal.Signals, *, whole: bool
) -> None:
    # A terminal sends Ctrl-C to every process of the group, as a supervisor sends SIGTERM.
    answering = served.answering
    began = time.monotonic()
    if whole:
        os.killpg(served.process.pid, sign)
        assert served.process.communicate(timeout=30)[1] == ""
    else:
        assert served.stop(sign)[2] == ""
    assert served.process.returncode == 0
    assert time.monotonic() - began < STOP_SECONDS
    assert not alive(answering)
    # SQLite removes its write-ahead log when the last connection is closed (sqlite.org/wal.html).
    assert not list(served.cli.folder.glob("passdesk.db-*"))


def test_a_program_is_told_where_it_answers_and_any_name_of_this_machine_will_do(
    folder: Path,
) -> None:
    port = free_port()
    with subprocess.Popen(
        [PASSDESK, "serve", "--json", "--host", "localhost", "--port", str(port),
         "--instance", folder],
        stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        said = "".join(iter(process.stdout.readline, "}\n")) + "}"
        process.terminate()
    assert json.loads(said) == {"address": f"http://localhost:{port}/", "instance": str(folder)}
    assert process.returncode == 0


def test_of_two_servers_that_are_started_at_once_one_runs(folder: Path) -> None:
    processes = [
        subprocess.Popen(
            [PASSDESK, "serve", "--instance", folder, "--port", str(free_port())],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for _ in range(2)
    ]  # fmt: skip
    try:
        wait(lambda: any(process.poll() is not None for process in processes))
        (refused,) = [process for process in processes if process.poll() is not None]
        (running,) = [process for process in processes if process is not refused]
        assert refused.returncode == WRONG_USE
        said = refused.communicate()[1]
        assert f"process {running.pid} serves this instance already" in said
        assert running.stdout is not None
        assert running.stdout.readline().startswith("Passdesk answers at ")
    finally:
        for process in processes:
            process.terminate()
            process.communicate()


# --- killed ------------------------------------------------------------------------------------


def test_a_killed_worker_is_started_again_and_nothing_is_lost(served: Served) -> None:
    made, secret = issued(served.cli, entries="2"), reader_token(served.cli)
    assert served.present(secret, made["code"])[1]["entries_left"] == 1
    before = served.answering
    os.kill(before, signal.SIGKILL)
    wait(lambda: served.answering != before and served.answers())
    other = reader_token(served.cli, "Side in")
    assert served.present(other, made["code"])[1]["entries_left"] == 0
    assert served.stop()[0] == 0


def test_a_worker_whose_server_was_killed_ends_and_the_instance_can_be_served_again(
    served: Served,
) -> None:
    orphan = served.answering
    served.process.kill()
    served.process.communicate()
    wait(lambda: not alive(orphan), STOP_SECONDS)
    assert not list(served.cli.folder.glob("passdesk.db-*"))  # it ended in good order
    again = Served(served.cli.folder, served.port)
    assert again.answers()
    assert again.stop()[0] == 0


def test_a_worker_that_dies_again_and_again_ends_the_service_and_that_is_said(
    served: Served,
) -> None:
    for _ in range(2):
        before = served.answering
        os.kill(before, signal.SIGKILL)
        wait(lambda: served.process.poll() is not None or served.answering != before)  # noqa: B023
    _, err = served.process.communicate(timeout=30)
    assert served.process.returncode == 1
    assert (
        err == "service: its process stopped twice in a few seconds, so it is not started again\n"
    )


# --- the worker's parts ------------------------------------------------------------------------


def test_a_lock_is_held_until_it_is_given_back(tmp_path: Path) -> None:
    path = tmp_path / "serve.lock"
    held = worker.lock(path)
    assert path.read_text() == str(os.getpid())
    with pytest.raises(worker.AlreadyServedError, match=f"process {os.getpid()} serves this"):
        worker.lock(path)
    held.close()
    worker.lock(path).close()


def test_a_lock_that_is_given_back_meanwhile_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "serve.lock"
    path.write_text("12345678")
    with path.open() as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(worker.AlreadyServedError, match="process 12345678 serves this"):
            worker.lock(path, 0.06)
    began = time.monotonic()
    worker.lock(path, 5).close()
    assert time.monotonic() - began < 1
    assert path.read_text() == str(os.getpid())


def test_a_worker_without_the_process_that_started_it_stops_and_if_need_be_is_killed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    happened: list[object] = []

    class Parent:
        def join(self) -> None:
            happened.append("the parent ended")

    monkeypatch.setattr(multiprocessing, "parent_process", Parent)
    monkeypatch.setattr(os, "kill", lambda process, sign: happened.append((process, sign)))
    monkeypatch.setattr(time, "sleep", happened.append)
    worker._end_with_parent()
    assert happened == [
        "the parent ended",
        (os.getpid(), signal.SIGTERM),
        worker.STOP_SECONDS,
        (os.getpid(), signal.SIGKILL),
    ]


@pytest.fixture
def application(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Flask, Any]]:
    """Give the application as a worker makes it, and what stops it."""
    stops: list[Any] = []
    monkeypatch.setenv("PASSDESK_INSTANCE", str(folder))
    monkeypatch.setattr(
        worker, "Finalize", lambda _obj, stop, exitpriority: stops.append((stop, exitpriority))
    )
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    app = worker.application()
    ((stop, _),) = stops
    yield app, stop
    signal.pthread_sigmask(signal.SIG_SETMASK, mask)


def test_a_worker_answers_holds_the_lock_and_gives_everything_back(
    application: tuple[Flask, Any], folder: Path
) -> None:
    app, stop = application
    with app.test_client() as client:
        assert client.get("/api/v1/health").get_json() == {"status": "ok"}
    with pytest.raises(worker.AlreadyServedError):
        worker.lock(folder / "serve.lock")
    # Ctrl-C is for the process that started this one.
    assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    stop()
    worker.lock(folder / "serve.lock").close()
    assert not list(folder.glob("passdesk.db-*"))
