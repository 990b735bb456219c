"""Starts a service as often as it is told, each in a process of its own that can be killed; imports are done once, here.

    python -m tests.kill_nursery FOLDER

For each line on standard input a service is started, and a line with its process id and its port is written.
"""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import uvicorn

from api.access import Access
from api.app import create_app
from holeinspect.records.bench import BenchSettings, open_bench
from tests.measuring_stub import MEASURING


def serve(folder: Path, listener: socket.socket) -> None:
    settings = BenchSettings(folder, workers=2, measuring=MEASURING, capacity=100_000)
    with open_bench(settings) as bench:
        config = uvicorn.Config(create_app(bench, Access()), log_level="error", lifespan="off")
        uvicorn.Server(config).run(sockets=[listener])


def main(folder: Path) -> None:
    for _ in sys.stdin:
        listener = socket.create_server(("127.0.0.1", 0))
        child = os.fork()
        if child == 0:
            sys.stdin.close()
            serve(folder, listener)
            os._exit(0)
        print(child, listener.getsockname()[1], flush=True)
        listener.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
