"""Giving commands as people and programs do, and reading what they answer."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from passdesk.cli.main import main

PASSDESK = Path(sys.executable).with_name("passdesk")
"""The program, for where a process of its own matters."""

WRONG_USE = 2
REFUSED = 3


@dataclass(frozen=True, slots=True)
class Said:
    """What a command answered.

    Attributes:
        status: the one it ended with.
        out, err: what it wrote.
    """

    status: int
    out: str
    err: str

    @property
    def data(self) -> Any:  # noqa: ANN401 # whatever JSON can hold
        """The answer that a program reads."""
        return json.loads(self.out)

    @property
    def rows(self) -> list[str]:
        """The lines of a table without its headings, and without the space that fills them up."""
        return [line.rstrip() for line in self.out.splitlines()[1:]]


@dataclass(frozen=True, slots=True)
class Cli:
    """Commands on one instance, run in this process."""

    folder: Path

    def __call__(self, *args: str) -> Said:
        """Give a command; nothing but an answer may come of it."""
        given = [*args, "--instance", str(self.folder)]
        result = CliRunner().invoke(main, given, catch_exceptions=False)
        return Said(result.exit_code, result.stdout, result.stderr)

    def data(self, *args: str, status: int = 0) -> Any:  # noqa: ANN401 # whatever JSON can hold
        """Give a command that answers with a status; give what it tells a program."""
        said = self(*args, "--json")
        assert (said.status, said.err) == (status, ""), said
        return said.data

    def faults(self, *args: str, status: int = WRONG_USE) -> dict[str, str]:
        """Give a command that cannot be carried out; give what is wrong with each field.

        It is given twice, as a program and as a person do, and must say the same to both.
        """
        errors = self.data(*args, status=status)["errors"]
        told = {fault["field"]: fault["message"] for fault in errors}
        said = self(*args)
        assert (said.status, said.out) == (status, ""), said
        assert all(message in said.err for message in told.values()), said
        assert "Traceback" not in said.err
        return told

    def issue(self, *args: str, **options: str) -> Any:  # noqa: ANN401 # the answer's JSON
        """Make a pass: by default for one entry, from nine to five on 14 May 2030."""
        chosen = {
            "guest": "Ilse Varga",
            "host": "tomas.brand@example.org",
            "doors": "Visitors",
            "from": "2030-05-14T09:00",
            "until": "2030-05-14T17:00",
        } | options
        pairs = [word for name, value in chosen.items() for word in (f"--{name}", value)]
        return self.data("pass", "issue", *pairs, *args)
