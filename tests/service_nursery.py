"""Starts services, each in a process of its own that can be killed; the imports are done once, in the nursery's process.

    python -m tests.service_nursery FOLDER MEASURING CAPACITY

For each line on standard input a service is started, and a line with its process id and its port is written.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.measuring_stub import MEASURING

PATIENCE_S = 120.0
"""For waiting on a loaded machine."""
ROOT = Path(__file__).parents[1]


class Nursery:
    """Its process, and how to ask it for a service."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self) -> tuple[int, httpx.Client]:
        """Process id of a new service, and a client of it; the service answers."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        process, port = map(int, self._process.stdout.readline().split())
        client = httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE_S)
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                client.get("/api/v1/health").raise_for_status()
                return process, client
            except httpx.TransportError:
                assert time.monotonic() < until, "the service does not start"
                time.sleep(0.02)


@contextmanager
def nursery(folder: Path, measuring: str = MEASURING, capacity: int = 100_000) -> Iterator[Nursery]:
    """A nursery for one data folder; it ends with the block, and so does what it started last."""
    command = [sys.executable, "-m", "tests.service_nursery", str(folder), measuring, str(capacity)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        yield Nursery(process)
    finally:
        process.communicate()


def _serve(folder: Path, measuring: str, capacity: int, listener: socket.socket) -> None:
    import uvicorn

    from api.access import Access
    from api.app import create_app
    from holeinspect.records.bench import BenchSettings, open_bench

    settings = BenchSettings(folder, measuring=measuring, capacity=capacity)
    with open_bench(settings) as bench:
        config = uvicorn.Config(create_app(bench, Access()), log_level="error", lifespan="off", timeout_graceful_shutdown=1)
        uvicorn.Server(config).run(sockets=[listener])


def main(folder: Path, measuring: str, capacity: int) -> None:
    """Start a service for each line."""
    import signal

    import uvicorn

    import api.app

    assert api.app.create_app
    assert uvicorn.Server
    child = 0
    for _ in sys.stdin:
        if child:
            os.waitpid(child, 0)  # killed; only now has the system closed its files
        listener = socket.create_server(("127.0.0.1", 0))
        child = os.fork()
        if child == 0:
            sys.stdin.close()
            _serve(folder, measuring, capacity, listener)
            os._exit(0)
        print(child, listener.getsockname()[1], flush=True)
        listener.close()
    if child:
        os.kill(child, signal.SIGTERM)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
