"""The passdesk command."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command; where the service's own parts are not installed, say how to get them."""
    try:
        from passdesk.cli.main import main as run  # noqa: PLC0415 # it may be what is missing
    except ModuleNotFoundError as error:
        sys.exit(f"{error.name} is not installed; run: pip install 'passdesk[server]'")
    run()
