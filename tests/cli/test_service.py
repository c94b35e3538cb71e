"""Making, filling and examining an instance, its keys and tokens, and what is said of faults."""

from __future__ import annotations

import errno
import json
import os
import pty
import stat
import subprocess
import sys
from typing import TYPE_CHECKING

import cbor2
import click
import pytest
from click.testing import CliRunner
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from sqlalchemy import text, update

from passdesk import __version__
from passdesk.cli.main import main
from passdesk.core import code
from passdesk.core.record import Kind
from passdesk.services import access, doctor
from passdesk.store import engine
from passdesk.store.tables import readers
from tests.cli.calling import PASSDESK, REFUSED, WRONG_USE, Cli
from tests.support import looking

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from passdesk.services.instance import Instance
    from tests.support.place import House

AN_EXAMINATION_FAILED = 1


def run(*args: str | Path, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run the program in a process of its own."""
    return subprocess.run(
        [PASSDESK, *args], env=os.environ | environ, capture_output=True, text=True, check=False
    )


# --- made and filled ---------------------------------------------------------------------------


def test_an_instance_is_made_for_its_owner_alone_and_made_again_changes_nothing(
    tmp_path: Path,
) -> None:
    cli = Cli(tmp_path / "new" / "place")
    assert cli("init").out == f"The instance in {cli.folder} is ready.\n"
    paths = [cli.folder, *cli.folder.rglob("*")]
    assert {path.name for path in paths} >= {"passdesk.db", "keys", "log.pem", "digest.key"}
    assert all(stat.S_IMODE(path.stat().st_mode) & 0o077 == 0 for path in paths)
    keys = cli.data("key", "list")
    assert cli.data("init") == {"instance": str(cli.folder)}
    assert cli.data("key", "list") == keys


@pytest.mark.usefixtures("_now")
def test_the_demo_fills_an_instance_once(tmp_path: Path) -> None:
    cli = Cli(tmp_path / "demo")
    said = cli("demo")
    assert said.out == f"Demo data is in {cli.folder}: 8 doors, 29 passes, 66 presentations.\n"
    assert said.err == ""
    assert len(cli.data("door", "list")) == 8
    assert cli.faults("demo") == {
        "instance": "holds a place already; use a new folder for the demo"
    }
    assert cli.data("audit", "verify")["ok"]


def test_a_person_who_watches_sees_how_far_long_work_is(cli: Cli) -> None:
    cli.data("audit", "checkpoint")
    screen, other_end = pty.openpty()
    with subprocess.Popen(
        [PASSDESK, "audit", "verify", "--instance", cli.folder],
        stdout=subprocess.PIPE, stderr=other_end, text=True, env=os.environ | {"TERM": "xterm"},
    ) as process:  # fmt: skip
        os.close(other_end)
        seen = b""
        try:
            while part := os.read(screen, 4096):
                seen += part
        except OSError:  # how Linux says that the other end is closed
            os.close(screen)
        assert process.stdout is not None
        answer = process.stdout.read()
    assert process.returncode == 0
    assert b"Verifying" in seen
    assert "sealed records are as they were signed." in answer
    assert "Verifying" not in answer


@pytest.mark.parametrize("command", ["init", "demo"])
def test_an_instance_that_cannot_be_made_there_is_refused(tmp_path: Path, command: str) -> None:
    (tmp_path / "file").write_text("in the way")
    cli = Cli(tmp_path / "file" / "place")
    assert cli.faults(command) == {"instance": f"{cli.folder}: Not a directory"}


# --- what is wrong with an instance ------------------------------------------------------------


def test_a_folder_without_an_instance_says_what_makes_one(tmp_path: Path) -> None:
    for command in (("door", "list"), ("pass", "show", "1"), ("serve",), ("audit", "verify")):
        faults = Cli(tmp_path / "nowhere").faults(*command)
        assert faults == {
            "instance": f"{tmp_path / 'nowhere'}: no instance here; run 'passdesk init'"
        }
    assert not (tmp_path / "nowhere").exists()


def test_a_file_is_no_instance(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    assert "is a file" in Cli(tmp_path / "file").faults("door", "list")["instance"]


def test_keys_that_others_can_read_are_refused_with_the_command_that_mends_it(empty: Cli) -> None:
    path = empty.folder / "keys" / "log.pem"
    path.chmod(0o644)
    for command in (("door", "list"), ("init",), ("serve",)):
        faults = empty.faults(*command)
        assert faults == {"keys": f"{path}: others can use it (mode 0644); run 'chmod 600 {path}'"}


def test_a_database_that_is_gone_or_of_another_version_is_said(
    empty: Cli, within: Instance
) -> None:
    looking.change(within, text("UPDATE alembic_version SET version_num = '0000'"))
    assert "is at version 0000, this program wants" in empty.faults("door", "list")["instance"]
    within.close()
    for path in empty.folder.glob("passdesk.db*"):
        path.unlink()
    assert "run 'passdesk init'" in empty.faults("door", "list")["instance"]


def test_a_file_that_is_no_database_is_said(empty: Cli) -> None:
    (empty.folder / "passdesk.db").write_bytes(b"garbage " * 1000)
    for command in (("door", "list"), ("init",), ("serve",), ("audit", "verify")):
        assert empty.faults(*command) == {"database": "cannot be used: file is not a database"}


def test_a_database_that_stays_locked_is_said(
    cli: Cli, within: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "BUSY_TIMEOUT_MS", 50)
    with within.store.writing():
        faults = cli.faults("group", "add", "Others")
    assert faults == {"database": "cannot be used: database is locked"}


@pytest.mark.parametrize(
    ("url", "field", "says"),
    [
        ("mysql://127.0.0.1/x", "instance", "'mysql' is not supported; use sqlite:///FILE or"),
        ("nonsense", "instance", "use sqlite:///FILE or postgresql+psycopg://HOST/NAME"),
        ("postgresql+psycopg://127.0.0.1:1/x", "database", "cannot be used: connection failed"),
    ],
)
def test_a_database_elsewhere_that_cannot_be_used_is_said(
    cli: Cli, monkeypatch: pytest.MonkeyPatch, url: str, field: str, says: str
) -> None:
    monkeypatch.setenv("PASSDESK_DATABASE_URL", url)
    faults = cli.faults("door", "list")
    assert list(faults) == [field]
    assert says in faults[field]
    assert "\n" not in faults[field]


def test_a_setting_that_cannot_be_used_is_named(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PASSDESK_LEEWAY_SECONDS", "a minute")
    assert cli.faults("door", "list")["instance"].startswith("PASSDESK_LEEWAY_SECONDS: 'a minute'")


# --- how the program is used -------------------------------------------------------------------


def test_the_instance_can_be_named_by_the_environment(cli: Cli) -> None:
    answer = run("door", "list", "--json", PASSDESK_INSTANCE=str(cli.folder))
    assert [door["name"] for door in json.loads(answer.stdout)] == ["Front", "Side", "Lab", "Yard"]


def test_the_program_says_its_version_and_explains_every_command() -> None:
    assert run("--version").stdout == f"passdesk, version {__version__}\n"
    listed = run("-h").stdout.partition("Commands:\n")[2].splitlines()
    assert {line.split()[0] for line in listed} == set(main.commands)
    assert all(command.help for command in _commands(main))


def _commands(command: click.Command) -> Iterator[click.Command]:
    yield command
    for part in command.commands.values() if isinstance(command, click.Group) else ():
        yield from _commands(part)


def test_every_command_takes_an_instance_and_answers_in_json() -> None:
    for command in _commands(main):
        if not isinstance(command, click.Group):
            options = {option for param in command.params for option in param.opts}
            assert options >= {"--instance", "--json"}, command.name


def test_where_the_parts_of_the_service_are_missing_the_way_to_them_is_told() -> None:
    # A reader at a door installs the core alone, which has the same program.
    script = "import sys; sys.modules['pydantic'] = None; from passdesk.cli import main; main()"
    answer = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert (answer.returncode, answer.stdout) == (1, "")
    assert answer.stderr == "pydantic is not installed; run: pip install 'passdesk[server]'\n"


def test_a_command_alone_and_an_unknown_one_are_wrong_use() -> None:
    for args in ((), ("pass",), ("nonsense",), ("--nonsense",)):
        result = CliRunner().invoke(main, args)
        assert result.exit_code == WRONG_USE
        assert "Usage: " in result.output
    answer = run("nonsense", "--json")
    assert (answer.returncode, answer.stderr) == (WRONG_USE, "")
    assert json.loads(answer.stdout) == {
        "errors": [{"field": "command", "message": "No such command 'nonsense'."}]
    }


def test_what_is_shown_in_a_pipe_is_not_folded(cli: Cli) -> None:
    name = "Guest " + "x" * 190
    cli.issue(guest=name)
    piped = f"{PASSDESK} pass list --instance {cli.folder} | cat"
    answer = subprocess.run(
        ["sh", "-c", piped], capture_output=True, text=True, check=True,
        env=os.environ | {"COLUMNS": "40"},
    )  # fmt: skip
    heading, row = answer.stdout.splitlines()
    assert heading.split() == ["Pass", "Number", "State", "Guest", "Host", "Valid", "Left"]
    assert name in row


def test_who_reads_no_further_ends_the_command_without_a_complaint(
    cli: Cli, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nobody_reads(*_args: object, **_options: object) -> None:
        raise BrokenPipeError(errno.EPIPE, "Broken pipe")

    monkeypatch.setattr(click, "echo", nobody_reads)
    said = cli("pass", "list", "--json")
    assert (said.status, said.out, said.err) == (1, "", "")


def test_who_reads_only_the_beginning_of_an_answer_gets_no_traceback(cli: Cli) -> None:
    piped = f"{PASSDESK} audit list --limit 10000 --instance {cli.folder} | head -n 1"
    answer = subprocess.run(["sh", "-c", piped], capture_output=True, text=True, check=True)
    assert answer.stdout.startswith("Id")
    assert "Traceback" not in answer.stderr


def test_two_commands_at_once_both_succeed(cli: Cli, within: Instance) -> None:
    commands = [
        subprocess.Popen(
            [PASSDESK, "pass", "issue", "--guest", f"Guest {n}", "--host", "jon@example.org",
             "--doors", "Visitors", "--from", "2099-05-14T09:00", "--until", "2099-05-14T17:00",
             "--instance", cli.folder],
            stdout=subprocess.PIPE, text=True,
        )
        for n in range(4)
    ]  # fmt: skip
    told = [process.communicate()[0] for process in commands]
    assert [process.returncode for process in commands] == [0] * 4
    assert {answer.split()[1] for answer in told} == {"1", "2", "3", "4"}
    assert len(looking.records_of(within, Kind.PASS_ISSUED, Kind.CODE_MADE)) == 2 * 4


def test_one_entry_shown_by_two_processes_at_once_is_granted_once(cli: Cli) -> None:
    made = cli.issue(until="2099-05-14T17:00", **{"from": "2020-05-14T09:00"})
    commands = [
        subprocess.Popen(
            [PASSDESK, "present", made["code"], "--reader", reader, "--instance", cli.folder],
            stdout=subprocess.DEVNULL,
        )
        for reader in ("Front in", "Side in")
    ]
    assert sorted(process.wait() for process in commands) == [0, REFUSED]


# --- examined ----------------------------------------------------------------------------------


def test_an_instance_that_is_well_passes(cli: Cli) -> None:
    cli.data("audit", "checkpoint")
    found = cli.data("doctor")
    assert {one["what"]: one["verdict"] for one in found} == {
        "keys": "good",
        "disk": found[1]["verdict"],  # whatever this machine has
        "database": "good",
        "sqlite": "good",
        "signing key": "good",
        "clock": "good",
        "records": "good",
        "place": "look",
    }
    assert [one["detail"] for one in found if one["what"] == "place"] == [
        "Nothing: door group without a door"
    ]
    assert cli("doctor").out.startswith("Verdict  What ")


def test_an_instance_that_is_not_well_fails(cli: Cli) -> None:
    (cli.folder / "keys" / "log.pem").unlink()
    said = cli("doctor")
    assert said.status == AN_EXAMINATION_FAILED
    row = said.rows[0]
    assert row.split()[:2] == [doctor.Verdict.WRONG, "keys"]
    assert "restore it from the backup of the keys" in row


# --- keys and tokens ---------------------------------------------------------------------------


def test_public_keys_are_listed_as_hex_and_as_a_cose_key_set(cli: Cli) -> None:
    told = cli.data("key", "list")
    ((kid, x),) = [(key["kid"], key["x"]) for key in told["keys"]]
    # RFC 9052 section 7: a key set is an array of keys, which are maps: 1 is the type of key,
    # 2 its id; RFC 9053 section 7.2 (type 1 OKP: -1 the curve, -2 x) and table 18 (6 is Ed25519).
    (key,) = cbor2.loads(bytes.fromhex(told["cose_key_set"]))
    assert (key[1], key[-1], key[2].hex(), key[-2].hex()) == (1, 6, kid, x)
    parsed = code.parse(cli.issue()["code"])
    assert parsed.kid.hex() == kid
    code.verify(parsed, Ed25519PublicKey.from_public_bytes(bytes.fromhex(x)))
    listed = cli("key", "list")
    assert listed.rows[0].split() == [kid, x]
    assert listed.rows[1] == f"COSE key set: {told['cose_key_set']}"


def test_a_token_is_made_listed_and_ended(cli: Cli, within: Instance) -> None:
    made = cli.data("token", "add", "Front desk", "--scope", "issue")
    gate = cli.data("token", "add", "Gate", "--scope", "reader", "--reader", "Front in")

    caller = access.Callers(within.store).find
    assert caller(made["secret"]) == access.Caller(1, access.Scope.ISSUE, None, None)
    assert caller(gate["secret"]) == access.Caller(2, access.Scope.READER, 1, "Europe/Lisbon")
    listed = cli.data("token", "list")
    assert listed == [
        {"token": 1, "name": "Front desk", "scope": "issue", "reader": None, "ended": False},
        {"token": 2, "name": "Gate", "scope": "reader", "reader": "Front in", "ended": False},
    ]
    assert cli.data("token", "end", "1") == {"token": 1}
    assert caller(made["secret"]) is None
    assert [view["ended"] for view in cli.data("token", "list")] == [True, False]
    assert cli("token", "list").rows == [
        "1      Front desk  issue             ended",
        "2      Gate        reader  Front in  good",
    ]
    said = cli("token", "add", "Auditor", "--scope", "audit")
    assert said.out.startswith("Token 3, told just this once: ")
    assert cli("token", "end", "3").out == "Token 3 is ended.\n"
    secrets = [made["secret"], gate["secret"], said.out.split()[-1]]
    assert not any(secret in cli("token", "list").out for secret in secrets)


@pytest.mark.parametrize(
    ("args", "field"),
    [
        (("add", "", "--scope", "issue"), "name"),
        (("add", "x", "--scope", "everything"), "scope"),
        (("add", "x"), "scope"),
        (("add", "x", "--scope", "reader"), "reader"),
        (("add", "x", "--scope", "issue", "--reader", "Front in"), "reader"),
        (("add", "x", "--scope", "reader", "--reader", "Nope"), "reader"),
        (("end", "7"), "token"),
        (("end", "0"), "token"),
        (("end", "9" * 30), "token"),
        (("end", "one"), "token"),
    ],
)
def test_a_token_that_cannot_be_is_refused(cli: Cli, args: tuple[str, ...], field: str) -> None:
    assert list(cli.faults("token", *args)) == [field]


def test_a_token_of_a_reader_that_was_ended_is_not_made(cli: Cli, within: Instance) -> None:
    looking.change(within, update(readers).where(readers.c.name == "Front in").values(ended_us=1))
    faults = cli.faults("token", "add", "x", "--scope", "reader", "--reader", "Front in")
    assert faults["reader"].startswith("'Front in' is not known here; known are: Front out, ")


def test_keys_and_tokens_on_each_kind_of_database(either: Cli, house: House) -> None:
    assert len(either.data("key", "list")["keys"]) == 1
    either.data("token", "add", "Front desk", "--scope", "issue")
    either.data("token", "end", "1")
    assert [view["ended"] for view in either.data("token", "list")] == [True]
    found = {one["what"]: one["verdict"] for one in either.data("doctor")}
    assert found["database"] == "good"
    assert ("sqlite" in found) == (house.instance.store.dialect == "sqlite")
