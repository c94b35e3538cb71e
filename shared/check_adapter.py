#!/usr/bin/env python3
"""Hold another reader of codes against the test vectors. Needs Python 3.11 and nothing else.

    python3 check_adapter.py COMMAND [ARGUMENT ...]

COMMAND is started once. It gets one JSON object a line on its standard input,

    {"text": "VP1:...", "keys": [{"kid": hex, "x": hex}, ...]}

and answers each with one JSON object a line on its standard output, in the same order:

    {"valid": true, "claims": {...}, "reason": null}
    {"valid": false, "claims": null, "reason": "unreadable" | "unknown-key" | "bad-signature"}

The claims are those of the vectors, which code-format.md describes. Each disagreement is printed.
Exit status: 0 without one, 1 with one, 2 if the command could not be run.
"""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import zip_longest
from pathlib import Path
from typing import Any

VECTORS = Path(__file__).parent / "vectors" / "code-v1.json"
TIME_LIMIT_SECONDS = 60


def expected(vectors: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    """Return name, text and the right answer of each vector."""
    valid = [
        (case["name"], case["text"], {"valid": True, "claims": case["claims"], "reason": None})
        for case in vectors["valid"]
    ]
    invalid = [
        (case["why"], case["text"], {"valid": False, "claims": None, "reason": case["reason"]})
        for case in vectors["invalid"]
    ]
    return valid + invalid


def answers(command: list[str], texts: list[str], keys: list[dict[str, str]]) -> list[str]:
    """Return the lines that the command answers."""
    questions = "".join(json.dumps({"text": text, "keys": keys}) + "\n" for text in texts)
    done = subprocess.run(  # noqa: S603 - to start the command is what this program is for
        command,
        input=questions,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        timeout=TIME_LIMIT_SECONDS,
        check=False,
    )
    return done.stdout.splitlines()


def parsed(line: str) -> object:
    """Return an answer, or the line itself if it is no JSON."""
    try:
        return json.loads(line)
    except ValueError:
        return line


def main(command: list[str]) -> int:
    """Run the program; return its exit status."""
    vectors = json.loads(VECTORS.read_text(encoding="ascii"))
    cases = expected(vectors)
    try:
        lines = answers(command, [text for _, text, _ in cases], vectors["keys"])
    except (IndexError, OSError, subprocess.TimeoutExpired) as error:
        sys.stderr.write(f"the command could not be run: {error}\n{__doc__}")
        return 2
    disagreements = 0
    for case, line in zip_longest(cases, lines):
        name, _, right = case or ("an answer without a question", "", None)
        if case is None or line is None or parsed(line) != right:
            disagreements += 1
            sys.stdout.write(f"{name}: expected {json.dumps(right)}, got {line}\n")
    sys.stdout.write(f"{len(cases)} vectors, {disagreements} disagreements\n")
    return 1 if disagreements else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
