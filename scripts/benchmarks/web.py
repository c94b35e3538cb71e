"""Presentations over HTTP: the service as it is run, against a bare route under the same server."""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from scripts.benchmarks.bare_app import PATH, PROBE
from scripts.benchmarks.measuring import Row, take_turns
from tests.support.serving import HOST, Service, free_port

if TYPE_CHECKING:
    from collections.abc import Callable

    from scripts.benchmarks.stock import Stock
    from scripts.benchmarks.workshop import Workshop

CLIENTS = (1, 8, 40)
WANTED = {40: 0.12}


def http(workshop: Workshop) -> list[Row]:
    """Present codes over HTTP from one client and from several at once."""
    sizes = workshop.sizes
    requests = {
        clients: max(1, sizes.requests // (4 if clients == 1 else 1)) for clients in CLIENTS
    }
    stock = workshop.stock(sizes.passes[0])
    rows = []
    with ExitStack() as opened:
        bare, ours = _bare(), _ours(stock)
        for service in (bare, ours):
            opened.callback(service.stop)
            service.start()
        for clients in CLIENTS:
            batches = [
                _write(workshop.folder / f"requests-{clients}-{turn}", stock, requests[clients])
                for turn in range(sizes.turns)
            ]
            floor, cost = take_turns(
                sizes.rounds, _asking(bare, clients, batches), _asking(ours, clients, batches)
            )
            who = "client" if clients == 1 else "clients"
            rows.append(Row(f"HTTP, {clients} {who}", cost, floor, WANTED.get(clients)))
    return rows


def _bare() -> Service:
    port = free_port()
    command = [sys.executable, "-m", "scripts.benchmarks.bare_app", str(port)]
    return Service(command, port, PROBE, {})


def _ours(stock: Stock) -> Service:
    port, folder = free_port(), stock.instance.settings.instance
    passdesk = Path(sys.executable).with_name("passdesk")
    command = [str(passdesk), "serve", "--instance", str(folder), "--port", str(port)]
    return Service(command, port, PROBE, {})


def _write(file: Path, stock: Stock, count: int) -> tuple[Path, int]:
    """Write requests that present so many codes; give the file, and how many."""
    secret = stock.gate.readers[0].secret
    requests = [
        _request(secret, f"{file.name}-{number}", text)
        for number, text in enumerate(stock.codes(count))
    ]
    file.write_text(json.dumps(requests))
    return file, count


def _request(secret: str, presentation_id: str, text: str) -> str:
    body = json.dumps({"presentation_id": presentation_id, "text": text})
    return (
        f"POST {PATH} HTTP/1.1\r\nHost: {HOST}\r\nAuthorization: Bearer {secret}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n{body}"
    )


def _asking(service: Service, clients: int, batches: list[tuple[Path, int]]) -> Callable[[], float]:
    """Give what asks with one batch after the other; the seconds that one answer took."""
    waiting = iter(batches)

    def ask() -> float:
        file, count = next(waiting)
        command = [sys.executable, "-m", "scripts.benchmarks.client"]
        done = subprocess.run(
            [*command, str(service.port), str(clients), str(file)],
            check=True, stdout=subprocess.PIPE,
        )  # fmt: skip
        return float(done.stdout) / count

    return ask
