"""A bench without image libraries for tests of the service: tiny photos, and measuring_stub.py in the place of the measuring."""

from __future__ import annotations

import io
import socket
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Thread

import httpx
import uvicorn
from PIL import Image

from api.access import Access
from api.app import create_app
from holeinspect.records.bench import Bench, BenchSettings, open_bench
from holeinspect.records.photos import Target
from holeinspect.records.shapes import PartNew, PartShown, PhotoShown
from tests.example_inspection import SIZE_PX
from tests.measuring_stub import MEASURING

NO_PIECE = Target()
PATIENCE_S = 60.0
"""For waiting on a loaded machine; nothing here takes a second."""


def jpeg(number: int = 0) -> bytes:
    """A photo of the size that the example inspections name, another one for each number."""
    data = io.BytesIO()
    Image.new("RGB", SIZE_PX, (number % 256, number // 256 % 256, 90)).save(data, "JPEG", comment=str(number).encode())
    return data.getvalue()


GUSSET = PartNew(number="HM-101", name="Gusset", thickness="3.2mm", quantity=2)


@contextmanager
def stub_bench(folder: Path, **settings: object) -> Iterator[Bench]:
    plain = BenchSettings(folder, workers=1, measuring=MEASURING)
    with open_bench(replace(plain, **settings)) as bench:  # type: ignore[arg-type]  # fields by name
        yield bench


@contextmanager
def served(bench: Bench, access: Access) -> Iterator[str]:
    """The service on a port of its own; gives its address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        config = uvicorn.Config(create_app(bench, access), log_level="error", lifespan="off", timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(PATIENCE_S)


@contextmanager
def client_of(bench: Bench, access: Access) -> Iterator[httpx.Client]:
    with served(bench, access) as address, httpx.Client(base_url=address, timeout=PATIENCE_S) as client:
        yield client


def file_photo(bench: Bench, name: str, target: Target = NO_PIECE, number: int | None = None) -> PhotoShown:
    """Upload a photo whose name says what will be found."""
    content = jpeg(zlib.crc32(name.encode()) if number is None else number)
    return bench.photos.take_in(io.BytesIO(content), f"{name}.jpg", target).photo


def wait_for(bench: Bench, photo: int) -> PhotoShown:
    """The photo once it is measured or has failed."""
    until = time.monotonic() + PATIENCE_S
    while (shown := bench.photos.get(photo)).state in ("queued", "measuring"):
        assert time.monotonic() < until, f"photo {photo} is still {shown.state}"
        time.sleep(0.02)
    return shown


def measured(bench: Bench, name: str, piece: int, side: str, number: int | None = None) -> PhotoShown:
    """Upload a photo of a piece's side and wait for its result."""
    return wait_for(bench, file_photo(bench, name, Target(piece, side), number).id)  # type: ignore[arg-type]


def add_gusset(bench: Bench) -> PartShown:
    return bench.kit.add(GUSSET)
