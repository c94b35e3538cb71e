"""What the README says to type, typed; and `scripts/serve`, interrupted where it hurts."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.cli.calling import PASSDESK, Cli
from tests.support.serving import free_port

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parents[2]
WAIT_SECONDS = 30


def block(heading: str, number: int = 0) -> str:
    """Give a shell block of a section of the README."""
    section = (ROOT / "README.md").read_text().partition(f"## {heading}\n")[2].partition("\n## ")[0]
    found: str = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)[number]
    return found


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Give a folder that looks like the project's to whoever follows the README in it."""
    (tmp_path / "home" / ".venv").mkdir(parents=True)
    (tmp_path / "home" / ".venv" / "bin").symlink_to(PASSDESK.parent)
    return tmp_path / "home"


def shell(home: Path, script: str, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run a script as somebody types it in a terminal."""
    return subprocess.run(
        ["bash", "-c", script], cwd=home, env=os.environ | environ, capture_output=True, text=True,
        check=False, start_new_session=True,
    )  # fmt: skip


def test_a_first_pass_goes_as_the_readme_says(home: Path, originals: dict[str, Path]) -> None:
    shutil.copytree(originals["demo"], home / "instance")
    script = block("A first pass")
    said = shell(home, script)
    assert said.stderr == ""
    assert said.returncode == 0
    # Each comment behind a command says what comes of it.
    commented = re.findall(r"^passdesk (?:present|audit).*?  +# (.*)$", script, re.MULTILINE)
    assert commented == ["granted", "refused: used-up", "nothing was edited"]
    assert "symbol version " in said.stdout
    first, second, edited = re.findall(r"^(Granted|Refused.*|.* as they were signed\.)$",
                                       said.stdout, re.MULTILINE)  # fmt: skip
    assert (first.lower(), second.lower()) == (commented[0], commented[1])
    assert edited.endswith("sealed records are as they were signed.")
    assert (home / "code.png").is_file()


def test_another_program_gets_its_token_as_the_readme_says(
    home: Path, originals: dict[str, Path]
) -> None:
    shutil.copytree(originals["demo"], home / "instance")
    script = block("A first pass", 1)
    port = str(free_port())
    assert "8765" in script
    with subprocess.Popen(
        [PASSDESK, "serve", "--port", port], cwd=home, stdout=subprocess.PIPE, text=True
    ) as serving:
        assert serving.stdout is not None
        serving.stdout.readline()
        path = 'PATH="$PWD/.venv/bin:$PATH"\n'
        said = shell(home, path + script.replace("8765", port).replace("curl ", "curl -sS "))
        serving.terminate()
    assert said.stderr == ""
    assert said.stdout.count('"number"') == 3


def test_a_place_from_nothing_goes_as_the_readme_says(home: Path) -> None:
    port = str(free_port())
    script = block("Set up a place from nothing")
    assert script.rstrip().endswith("passdesk serve")
    typed = f'set -e\nPATH="$PWD/.venv/bin:$PATH"\n{script.rstrip()} --port {port}\n'
    with subprocess.Popen(
        ["bash", "-c", typed], cwd=home, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    ) as typing:  # fmt: skip
        assert typing.stdout is not None
        told = []
        for line in typing.stdout:
            told.append(line)
            if line.startswith("Passdesk answers at "):
                os.killpg(typing.pid, signal.SIGTERM)
        assert typing.stderr is not None
        assert typing.stderr.read() == ""
    said = "".join(told)
    assert "Passdesk answers at " in said
    assert "1 doors, each with schedule, group and reader" in said
    assert not re.search(r"^wrong ", said, re.MULTILINE)
    # Records wait to be sealed until a server runs; how long they have depends on this machine.
    assert set(re.findall(r"^look +(\S+)", said, re.MULTILINE)) <= {"records", "disk"}
    (door,) = Cli(home / "place").data("door", "list")
    assert (door["name"], door["groups"], len(door["readers"])) == ("Front", ["Visitors"], 1)


# --- scripts/serve -----------------------------------------------------------------------------


@pytest.fixture
def project(home: Path) -> Path:
    """Give a folder with `scripts/serve` in it, where everything is installed already."""
    (home / "scripts").mkdir()
    shutil.copy(ROOT / "scripts" / "serve", home / "scripts" / "serve")
    (home / "scripts" / "setup.sh").write_text("make_venv() { :; }\n")
    return home


class Serving:
    """`scripts/serve`, running."""

    def __init__(self, project: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [project / "scripts" / "serve", "--port", str(free_port()), *options],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    def said(self) -> str:
        """Wait until it answers; give what it said until then."""
        assert self.process.stdout is not None
        lines = []
        for line in self.process.stdout:
            lines.append(line)
            if line.startswith("Passdesk answers at "):
                break
        return "".join(lines)

    def end(self, sign: signal.Signals) -> str:
        """End all its processes; give what it complained of."""
        os.killpg(self.process.pid, sign)
        return self.process.communicate(timeout=WAIT_SECONDS)[1]


@pytest.fixture
def serve(project: Path) -> Iterator[Callable[..., Serving]]:
    """Give what starts `scripts/serve` with some options; what still runs is killed at last."""
    running: list[Serving] = []

    def start(*options: str) -> Serving:
        running.append(Serving(project, *options))
        return running[-1]

    yield start
    for one in running:
        if one.process.poll() is None:
            one.end(signal.SIGKILL)


def test_the_script_fills_an_instance_once_and_runs(
    project: Path, serve: Callable[..., Serving]
) -> None:
    first = serve()
    assert first.said().startswith("Filling instance (demo)")
    assert first.end(signal.SIGTERM) == ""
    assert sorted(path.name for path in (project / "instance").iterdir()) == [
        "keys", "passdesk.db", "serve.lock", "serve.pid",
    ]  # fmt: skip
    again = serve()
    assert again.said().startswith("Passdesk answers at ")
    assert again.end(signal.SIGTERM) == ""
    assert len(Cli(project / "instance").data("door", "list")) == 8


def test_the_script_starts_empty_in_another_folder(
    project: Path, serve: Callable[..., Serving]
) -> None:
    one = serve("--empty", "--instance", "elsewhere")
    assert one.said().startswith("Filling elsewhere (init)\n")
    one.end(signal.SIGTERM)
    assert Cli(project / "elsewhere").data("door", "list") == []


def test_a_kill_while_the_demo_is_made_leaves_nothing_half_done(
    project: Path, serve: Callable[..., Serving]
) -> None:
    one, folder = serve(), project / "instance"
    began = time.monotonic()
    while not (folder / ".new" / "passdesk.db").exists():
        assert time.monotonic() - began < WAIT_SECONDS
        time.sleep(0.01)
    time.sleep(0.3)
    one.end(signal.SIGKILL)
    assert not (folder / "keys").exists()
    assert not (folder / "passdesk.db").exists()
    again = serve("--empty")
    assert "Filling instance (init)\n" in again.said()
    again.end(signal.SIGTERM)
    assert Cli(folder).data("door", "list") == []  # nothing of the demo that was broken off
    assert not (folder / ".new").exists()


def test_a_kill_between_the_two_moves_is_made_good_by_the_next_start(
    project: Path, serve: Callable[..., Serving], originals: dict[str, Path]
) -> None:
    folder = project / "instance"
    shutil.copytree(originals["demo"], folder / ".new")
    shutil.move(folder / ".new" / "passdesk.db", folder)
    again = serve()
    assert again.said().startswith("Passdesk answers at ")
    again.end(signal.SIGTERM)
    assert len(Cli(folder).data("door", "list")) == 8
    assert not (folder / ".new").exists()


def test_a_database_whose_keys_are_lost_is_never_replaced(
    project: Path, serve: Callable[..., Serving], originals: dict[str, Path]
) -> None:
    folder = shutil.copytree(originals["demo"], project / "instance")
    shutil.rmtree(folder / "keys")
    before = (folder / "passdesk.db").read_bytes()
    one = serve()
    assert one.said() == ""
    assert "no instance here" in one.process.communicate(timeout=WAIT_SECONDS)[1]
    assert one.process.returncode == 2
    assert (folder / "passdesk.db").read_bytes() == before
