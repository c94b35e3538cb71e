#!/usr/bin/env python3
"""Write `shared/openapi.json`, or see with `--check` that it is as the program describes itself.

Exit status of `--check`: 0 if it is, 1 if it is not.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from passdesk.api import document
from passdesk.api.routes import GROUPS

FILE = Path(__file__).parents[1] / "shared" / "openapi.json"


def main(arguments: list[str] | None = None) -> int:
    """Run the program; return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--check", action="store_true", help="compare instead of writing")
    parser.add_argument("--file", type=Path, default=FILE, help="where the document is")
    options = parser.parse_args(arguments)
    text = document.text(GROUPS)
    if not options.check:
        options.file.write_text(text, encoding="utf-8")
        return 0
    if options.file.exists() and options.file.read_text(encoding="utf-8") == text:
        return 0
    print(f"{options.file.name} is not what scripts/make_openapi.py writes")
    return 1


if __name__ == "__main__":
    sys.exit(main())
