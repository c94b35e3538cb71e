"""The published contract: the vectors are what the code says, and a reader can be held to them."""

from __future__ import annotations

import json
import os
import re
import runpy
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from passdesk.core import base45, code, number

ROOT = Path(__file__).parents[2]
SHARED = ROOT / "shared"
CODES = json.loads((SHARED / "vectors" / "code-v1.json").read_text(encoding="ascii"))
NUMBERS = json.loads((SHARED / "vectors" / "number-v1.json").read_text(encoding="ascii"))
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}


def run(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command],
        capture_output=True,
        encoding="utf-8",
        env=ENVIRONMENT,
        check=False,
    )


def held_against(*command: str | Path) -> subprocess.CompletedProcess[str]:
    return run(SHARED / "check_adapter.py", *command)


def test_the_vectors_are_what_the_program_writes() -> None:
    assert run(ROOT / "scripts" / "make_vectors.py", "--check").stdout == ""
    assert run(ROOT / "scripts" / "make_vectors.py", "--check").returncode == 0


def test_a_changed_file_of_vectors_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main = runpy.run_path(str(ROOT / "scripts" / "make_vectors.py"))["main"]
    assert main(["--folder", str(tmp_path)]) == 0
    assert main(["--check", "--folder", str(tmp_path)]) == 0
    (tmp_path / "number-v1.json").write_text("{}\n")
    assert main(["--check", "--folder", str(tmp_path)]) == 1
    assert capsys.readouterr().out.startswith("number-v1.json is not what")
    (tmp_path / "code-v1.json").unlink()
    assert main(["--check", "--folder", str(tmp_path)]) == 1
    assert capsys.readouterr().out.startswith("code-v1.json is not what")


def test_our_own_reader_agrees_with_every_vector() -> None:
    held = held_against(sys.executable, ROOT / "scripts" / "adapter.py")
    total = len(CODES["valid"]) + len(CODES["invalid"])
    assert (held.stdout, held.returncode) == (f"{total} vectors, 0 disagreements\n", 0)


def test_a_reader_that_accepts_everything_disagrees_with_all_that_is_invalid() -> None:
    line = json.dumps({"valid": True, "claims": CODES["valid"][0]["claims"], "reason": None})
    program = f"import sys\nfor _ in sys.stdin: print({line!r})"
    held = held_against(sys.executable, "-c", program)
    assert held.returncode == 1
    for case in CODES["invalid"]:
        assert f"{case['why']}: expected" in held.stdout


@pytest.mark.parametrize(
    ("program", "said"),
    [
        ("", "a usual pass: expected"),
        ("print('not JSON')", "got not JSON"),
        ("import sys; [print('null') for _ in range(999)]", "an answer without a question"),
    ],
)
def test_a_reader_that_answers_badly_disagrees(program: str, said: str) -> None:
    held = held_against(sys.executable, "-c", program)
    assert held.returncode == 1
    assert said in held.stdout


@pytest.mark.parametrize("command", [[], ["/no/such/command"]])
def test_a_reader_that_cannot_be_run_is_an_error_of_its_own(command: list[str]) -> None:
    held = held_against(*command)
    assert held.returncode == 2
    assert "could not be run" in held.stderr


# --- what the vectors contain --------------------------------------------------------------------


def test_each_reason_and_each_way_has_one_vector() -> None:
    ways = [case["why"] for case in CODES["invalid"]]
    texts = [case["text"] for case in CODES["invalid"] + CODES["valid"]]
    assert len(set(ways)) == len(ways) > 100
    assert len(set(texts)) == len(texts)
    assert {case["reason"] for case in CODES["invalid"]} == {
        "unreadable",
        "unknown-key",
        "bad-signature",
    }


def test_only_the_vector_that_is_too_long_is_too_long() -> None:
    long = [case["why"] for case in CODES["invalid"] if len(case["text"]) > code.MAX_TEXT_LENGTH]
    assert long == ["too long, though signed"]


def test_the_longest_valid_vector_is_as_long_as_a_code_can_be() -> None:
    assert max(len(case["text"]) for case in CODES["valid"]) == code.MAX_TEXT_LENGTH


def example(start: str) -> list[str]:
    """Return the lines of the block of code-format.md that starts so, without their remarks."""
    document = (SHARED / "code-format.md").read_text(encoding="utf-8")
    (block,) = re.findall(rf"```\n({re.escape(start)}.*?)```", document, re.DOTALL)
    return [re.split(" {3,}", line.strip())[0] for line in block.splitlines()]


def test_the_worked_example_is_the_first_vector() -> None:
    case = CODES["valid"][0]
    payload = "".join(example("A4  "))
    assert bytes.fromhex(payload).hex() == case["payload"]
    message = bytes.fromhex("".join(example("D2 84")).replace("(the payload)", payload))
    signed = bytes.fromhex("".join(example("84  ")).replace("(the payload)", payload))
    assert code.PREFIX + base45.encode(message) == case["text"] == "".join(example("VP1:"))
    parsed = code.parse(case["text"]).message
    assert (parsed.to_be_verified, parsed.signature) == (signed, message[-64:])


def test_pass_numbers_agree_with_their_vectors() -> None:
    assert NUMBERS["alphabet"] == number.ALPHABET
    for case in NUMBERS["valid"]:
        assert number.make(case["payload"]) == case["number"]
        assert number.display(case["number"]) == case["display"]
    for case in NUMBERS["written"]:
        assert number.parse(case["text"]) == case["number"]


@pytest.mark.parametrize("case", NUMBERS["invalid"], ids=lambda case: case["why"])
def test_an_invalid_pass_number_is_refused(case: dict[str, Any]) -> None:
    with pytest.raises(number.PassNumberError):
        number.parse(case["text"])
