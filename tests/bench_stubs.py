"""A bench without image libraries for tests of the service: tiny photos, and a stand-in for the measuring.

What the stand-in does stands in the photo's name: "rework" and "good" find that, "by hand" leaves it open, "crash" kills the
worker each time, "crash once" the first time only, "slow" takes a second, "no mat" cannot be measured, "fault" fails by a fault.
"""

from __future__ import annotations

import io
import os
import socket
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Thread

import httpx
import uvicorn
from PIL import Image

from api.access import Access
from api.app import create_app
from holeinspect.errors import ScaleNotFound
from holeinspect.inspection import Inspection
from holeinspect.records.bench import Bench, BenchSettings, open_bench
from holeinspect.records.jobs import Ask, Job
from holeinspect.records.photos import Target
from holeinspect.records.shapes import PartNew, PartShown, PhotoShown
from tests.example_inspection import SIZE_PX, example, good_example, inspection, part, undecided_hole

MEASURING = "tests.bench_stubs:measure"
NO_PIECE = Target()
PATIENCE_S = 60.0
"""For waiting on a loaded machine; nothing here takes a second."""


def measure(job: Job, ask: Ask, progress: Callable[[str], None]) -> Inspection:
    """Stands in for holeinspect.records.measuring.measure."""
    progress("photo opened")
    assert job.path.read_bytes(), "the photo is on the disk before it is measured"
    ask(tuple(word for word in job.name.removesuffix(".jpg").split() if len(word) == 10 and word.isupper()))
    progress("measuring")
    marker = job.path.with_suffix(".died")
    if "crash once" in job.name and not marker.exists():
        marker.touch()
        os._exit(1)
    if "crash" in job.name and "once" not in job.name:
        os._exit(1)
    if "slow" in job.name:
        time.sleep(1)
    if "no mat" in job.name:
        raise ScaleNotFound(f"No mat is in {job.name}. Lay the part on it.")
    if "fault" in job.name:
        raise ZeroDivisionError("division by zero")
    return found(job.name)


def found(name: str) -> Inspection:
    if "rework" in name:
        return example()
    if "by hand" in name:
        return inspection(part("P1", (undecided_hole(),), "measure by hand"))
    return good_example()


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
