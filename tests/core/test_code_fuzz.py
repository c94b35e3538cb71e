"""No altered code is accepted: the program that alters them, and that it would find a fault."""

from __future__ import annotations

import runpy
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cbor2
import pytest

from passdesk.core import base45, cbor, code, cose

if TYPE_CHECKING:
    from collections.abc import Callable

PROGRAM = runpy.run_path(str(Path(__file__).parents[2] / "scripts" / "fuzz_codes.py"))
COUNT = 20_000


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    status = PROGRAM["main"](list(arguments))
    return status, capsys.readouterr().out


def test_twenty_thousand_altered_codes_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    status, printed = run(capsys, "--count", str(COUNT), "--seed", "1")
    assert status == 0, printed
    assert printed.startswith(f"{COUNT:,} codes altered in 34 ways (seed 1): 0 findings")


def test_every_way_to_alter_a_code_is_used_and_leaves_no_valid_code() -> None:
    altered = list(PROGRAM["mutations"](2, 5_000))
    assert len({mutation.way for mutation in altered}) == 34
    assert not PROGRAM["VALID"] & {mutation.text for mutation in altered}


def test_the_same_seed_gives_the_same_codes() -> None:
    one, other, third = (list(islice(PROGRAM["mutations"](seed, 500), 500)) for seed in (7, 7, 8))
    assert one == other
    assert one != third


def test_progress_is_printed(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(PROGRAM["main"].__globals__, "REPORT_EVERY", 100)
    _, printed = run(capsys, "--count", "250")
    assert [line.split(" after")[0] for line in printed.splitlines()[:-1]] == [
        "100 altered codes",
        "200 altered codes",
    ]


def no_check(*_: object) -> None:
    """Accept everything."""


def lax_decode(data: bytes) -> cbor.Value:
    """Decode as the library does by itself."""
    try:
        value: cbor.Value = cbor2.loads(data)
    except cbor2.CBORDecodeError as error:
        raise cbor.CborError(str(error)) from error
    return value


def lax_frame(data: bytes) -> cose.Sign1:
    """Take a message apart at the usual places without looking at the rest."""
    signed = cose.signature_input(data[3:12], data[15:-66])
    return cose.Sign1(data[8:12], data[15:-66], signed, data[-64:])


FAULTS: dict[str, tuple[Any, str, Callable[..., object]]] = {
    "signatures are not checked": (code, "verify", no_check),
    "any CBOR is decoded": (cbor, "decode", lax_decode),
    "the frame is not compared": (cose, "parse_sign1", lax_frame),
    "door groups are not checked": (code, "_check_door_groups", no_check),
    "booleans count as integers": (code, "_integers", list),
    "daily limits are not checked": (code.Daily, "__post_init__", no_check),
    "lower case is read as upper case": (
        base45,
        "decode",
        lambda text, decode=base45.decode: decode(text.upper()),
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_the_reader_would_be_found(
    fault: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(*FAULTS[fault])
    status, printed = run(capsys, "--count", "3000", "--seed", "3")
    assert status == 1
    assert "accepted as Claims(" in printed


def test_an_unexpected_error_would_be_found(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(text: str) -> code.ParsedCode:
        if "Ä" in text:
            raise IndexError(text)
        return parse(text)

    parse = code.parse
    monkeypatch.setattr(code, "parse", fails)
    status, printed = run(capsys, "--count", "3000")
    assert (status, "raised IndexError" in printed) == (1, True)
