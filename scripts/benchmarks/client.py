"""Clients of a server, in a process of their own: each asks, waits for the answer, and asks again.

    python -m scripts.benchmarks.client PORT CLIENTS FILE

FILE holds a JSON array of whole HTTP requests, which the clients share. Each keeps one connection
to loopback. Prints the seconds from the first request to the last answer. Ends with an error when
any answer is not 200, or all of it takes longer than a minute.
"""

from __future__ import annotations

import asyncio
import json
import re
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

HOST = "127.0.0.1"
MOST_SECONDS = 60
OK = b"HTTP/1.1 200"
LENGTH = re.compile(rb"\r\ncontent-length: *([0-9]+)\r\n", re.IGNORECASE)


class AnswerError(Exception):
    """An answer is not the one that was hoped for."""


async def ask(port: int, requests: Iterator[bytes], start: asyncio.Event) -> None:
    """Send requests over one connection, each after the answer to the one before."""
    reader, writer = await asyncio.open_connection(HOST, port)
    await start.wait()
    for request in requests:
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = LENGTH.search(head)
        if not head.startswith(OK) or length is None:
            raise AnswerError(head.decode())
        await reader.readexactly(int(length[1]))
    writer.close()
    await writer.wait_closed()


async def ask_all(port: int, clients: int, requests: list[bytes]) -> float:
    """Let so many clients share the requests; give the seconds that it took."""
    start, waiting = asyncio.Event(), iter(requests)
    async with asyncio.timeout(MOST_SECONDS), asyncio.TaskGroup() as group:
        for _ in range(clients):
            group.create_task(ask(port, waiting, start))
        await asyncio.sleep(0.05)  # until all are connected
        began = time.perf_counter()
        start.set()
    return time.perf_counter() - began


def main() -> None:
    """Run the program."""
    port, clients, file = sys.argv[1:]
    requests = [text.encode() for text in json.loads(Path(file).read_text())]
    print(asyncio.run(ask_all(int(port), int(clients), requests)))


if __name__ == "__main__":
    main()
