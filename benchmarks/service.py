"""The bench service under load: uploads, memory, and the time from upload to verdict.

    nice -n 15 python benchmarks/service.py [--uploads 200] [--clients 8]

Three figures: (1) many uploads from several clients at once, with the measuring left out (tests/measuring_stub.py): none lost,
none doubled, how fast, and the most memory of the service; (2) with the measuring, one 12-megapixel photo on an idle service:
from upload to verdict against measuring alone; (3) what the pages weigh.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import re
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the tests beside it

from holeinspect import inspect
from holeinspect.photo import open_photo
from holeinspect.records.workers import MEASURING
from holeinspect.setup import Setup
from tests.measuring_stub import MEASURING as STUB
from tests.service_nursery import nursery

PHOTO = Path(__file__).parents[1] / "sample_images" / "hm101_gusset_a4_black.jpg"
PIECES = 20
CAPACITY = 50
"""Fewer than the uploads, so that the queue is full at times."""
PAGES = ("/", "/kit", "/photo", "/labels", "/pieces/1", "/photos/1")
SAMPLE_S = 0.05
"""How often memory is looked at."""
RUNS = 5


@contextmanager
def service(measuring: str) -> Iterator[tuple[int, httpx.Client]]:
    """A service with a kit of one part: its process id, and a client of it."""
    with tempfile.TemporaryDirectory() as folder, nursery(Path(folder), measuring, CAPACITY) as services:
        process, client = services.start()
        with closing(client):
            part = {"number": "HM-101", "name": "Gusset", "thickness": "3.2mm", "quantity": PIECES, "fastener": "3/16 bolt"}
            client.post("/api/v1/parts", json=part).raise_for_status()
            yield process, client


@dataclass(slots=True)
class Load:
    """What several clients at once have sent, and what they were answered."""

    acknowledged: dict[str, int] = field(default_factory=dict)
    answers_s: list[float] = field(default_factory=list)
    refused: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def send(self, client: httpx.Client, numbers: list[int]) -> None:
        """Upload the photos of these numbers, each until it is taken; every fourth is sent twice."""
        for number in numbers:
            content = PHOTO.read_bytes() + number.to_bytes(4, "big")
            for _ in range(2 if number % 4 == 0 else 1):
                self._send(client, number, content)

    def _send(self, client: httpx.Client, number: int, content: bytes) -> None:
        fields = {"piece": str(number % PIECES + 1), "side": "AB"[number % 2]}
        while True:
            began = time.perf_counter()
            answer = client.post("/api/v1/photos", files={"file": ("good.jpg", content)}, data=fields)
            if answer.status_code != 503:
                answer.raise_for_status()
                with self.lock:
                    self.answers_s.append(time.perf_counter() - began)
                    self.acknowledged[hashlib.sha256(content).hexdigest()] = answer.json()["id"]
                return
            with self.lock:
                self.refused += 1
            time.sleep(min(1.0, float(answer.headers["retry-after"])))


class Memory:
    """The most that a process and its children have held, in MB, looked at again and again."""

    def __init__(self, process: int) -> None:
        self.process, self.peak = process, {"service": 0.0, "with workers": 0.0}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(SAMPLE_S):
            own = _resident_mb(self.process)
            everything = own + sum(_resident_mb(child) for child in _children(self.process))
            self.peak = {"service": max(self.peak["service"], own), "with workers": max(self.peak["with workers"], everything)}


def _resident_mb(process: int) -> float:
    try:
        found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{process}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1000 if found else 0.0


def _children(process: int) -> list[int]:
    try:
        told = Path(f"/proc/{process}/task/{process}/children").read_text() + "".join(
            task.joinpath("children").read_text() for task in Path(f"/proc/{process}/task").iterdir() if task.name != str(process)
        )
    except OSError:
        return []
    return [int(child) for child in told.split()]


def many_uploads(uploads: int, clients: int) -> None:
    """Figure 1."""
    with service(STUB) as (process, client):
        load, began = Load(), time.perf_counter()
        threads = [
            threading.Thread(target=load.send, args=(client, list(range(first, uploads, clients)))) for first in range(clients)
        ]
        with Memory(process) as memory:
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            took_s = time.perf_counter() - began
            while client.get("/api/v1/queue").json()["photos"]:
                time.sleep(0.2)
        total = client.get("/api/v1/photos?per_page=1").json()["total"]
        measured = client.get("/api/v1/health").json()["measured"]
        known = {photo["uploaded_sha256"]: photo["id"] for photo in _all_photos(client)}
    lost = [sha256 for sha256, photo in load.acknowledged.items() if known.get(sha256) != photo]
    answers = sorted(load.answers_s)
    size_mb = PHOTO.stat().st_size / 1e6
    print(f"{uploads} photos of {size_mb:.1f} MB from {clients} clients, every fourth sent twice: {took_s:.1f} s")
    print(f"  lost {len(lost)}, doubled {total - uploads}, measured {measured}, refused with 503 and sent again {load.refused}")
    print(f"  answered in {answers[len(answers) // 2]:.3f} s (median), {answers[-1]:.3f} s (longest)")
    print(f"  most memory: service {memory.peak['service']:.0f} MB, with its workers {memory.peak['with workers']:.0f} MB")


def _all_photos(client: httpx.Client) -> Iterator[dict[str, object]]:
    page, pages = 1, 1
    while page <= pages:
        told = client.get(f"/api/v1/photos?per_page=200&page={page}").json()
        yield from told["items"]
        page, pages = page + 1, told["pages"]


def upload_to_verdict() -> None:
    """Figures 2 and 3."""
    setup = Setup(thickness="3.2mm", fastener="3/16 bolt", side="A")
    inspect(PHOTO, setup)
    alone_s = min(_timed(lambda: inspect(open_photo(PHOTO), setup)) for _ in range(RUNS))
    with service(MEASURING) as (process, client):
        _wait(client, _upload(client, 0))
        with Memory(process) as memory:
            whole = [_timed(lambda number=number: _wait(client, _upload(client, number))) for number in range(1, RUNS + 1)]
        inside = [client.get(f"/api/v1/photos/{number + 1}/inspection").json()["seconds"] for number in range(1, RUNS + 1)]
        around_s = min(all_s - inside_s for all_s, inside_s in zip(whole, inside, strict=True))
        print(f"one photo of 12 megapixels, best of {RUNS}: alone {alone_s:.2f} s, upload to verdict {min(whole):.2f} s,")
        print(f"  of which {around_s:.2f} s outside the measuring: upload, opening, labels, the page's picture, record")
        own_mb, all_mb = memory.peak["service"], memory.peak["with workers"]
        print(f"  most memory while measuring one at a time: service {own_mb:.0f} MB, with its workers {all_mb:.0f} MB")
        for page in PAGES:
            print(f"page {page}: {_weight(client, page)}")


def _upload(client: httpx.Client, number: int) -> int:
    content = PHOTO.read_bytes() + number.to_bytes(4, "big")
    fields = {"piece": str(number + 1), "side": "A"}
    answer = client.post("/api/v1/photos", files={"file": ("photo.jpg", content)}, data=fields).raise_for_status()
    return int(answer.json()["id"])


def _wait(client: httpx.Client, photo: int) -> None:
    """Until the event stream has told the verdict."""
    with client.stream("GET", f"/api/v1/photos/{photo}/events") as events:
        last = [line for line in events.iter_lines() if line.startswith("data:")][-1]
    assert '"state":"measured"' in last, last


def _timed(run: object) -> float:
    began = time.perf_counter()
    run()  # type: ignore[operator]
    return time.perf_counter() - began


def _weight(client: httpx.Client, page: str) -> str:
    """Bytes over the wire of the page and all that it loads, but the photo."""
    first = client.get(page)
    loaded, todo, total = {page}, [first], 0
    began = time.perf_counter()
    while todo:
        answer = todo.pop()
        total += int(answer.headers.get("content-length", len(answer.content)))
        for found in re.findall(r"""(?:src|href)="(/static/[^"#]+)|from ?"(\./[^"]+)"|import ?"(\./[^"]+)\"""", answer.text):
            url = str(answer.url.join(next(filter(None, found))))
            if url not in loaded:
                loaded.add(url)
                todo.append(client.get(url))
    return f"{total / 1000:.1f} kB in {len(loaded)} files, all loaded one after the other in {time.perf_counter() - began:.2f} s"


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--uploads", type=int, default=200)
    parser.add_argument("--clients", type=int, default=8)
    asked = parser.parse_args()
    print(f"{platform.machine()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} before the start")
    many_uploads(asked.uploads, asked.clients)
    upload_to_verdict()


if __name__ == "__main__":
    main()
