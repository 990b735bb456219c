"""A service that is killed at any moment loses no photo that it has acknowledged, and leaves every record whole."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import threading
import time
from pathlib import Path

import httpx
import pytest

from holeinspect.inspection import Inspection
from holeinspect.records.models import InspectionRecord, Photo
from holeinspect.records.setups import setup_from_json
from holeinspect.records.shapes import StandingShown
from tests.bench_stubs import GUSSET, PATIENCE_S, jpeg, stub_bench, wait_for
from tests.service_nursery import nursery

KILLS = 32
LIFE_S = 0.6
"""Each life ends after a random part of this, every other one counted from its first acknowledged photo."""
CLIENTS = 2
PHOTO = jpeg()
pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="services are started by fork")


class Uploads:
    """Clients that upload one photo after the other, and remember what was acknowledged: id of the photo by its hash."""

    def __init__(self, seed: int) -> None:
        self.acknowledged: dict[str, int] = {}
        self.asked = 0
        self._random = random.Random(seed)
        self._lock = threading.Lock()

    def wait_for_one(self) -> None:
        """Until one more photo is acknowledged."""
        before, until = len(self.acknowledged), time.monotonic() + PATIENCE_S
        while len(self.acknowledged) == before:
            assert time.monotonic() < until, "no photo is acknowledged"
            time.sleep(0.005)

    def keep_on(self, client: httpx.Client, stop: threading.Event) -> None:
        while not stop.is_set():
            with self._lock:
                self.asked += 1
                number, piece = self.asked, self._random.randint(1, 8)
            content = PHOTO + number.to_bytes(4, "big")  # another file each time
            name = ("good", "rework", "by hand", "no mat")[number % 4]
            try:
                fields = {"piece": str(piece), "side": "AB"[number % 2]}
                answer = client.post("/api/v1/photos", files={"file": (f"{name} {number}.jpg", content)}, data=fields)
            except httpx.TransportError:
                return  # killed: nobody has promised anything
            assert answer.status_code == 201, answer.text
            with self._lock:
                self.acknowledged[hashlib.sha256(content).hexdigest()] = answer.json()["id"]
            stop.wait(0.02)


def test_whatever_was_acknowledged_outlives_kills_at_random_moments(tmp_path: Path) -> None:
    seed = random.randrange(2**32)
    print(f"seed {seed}")  # shown if the test fails
    chance, uploads = random.Random(seed), Uploads(seed)
    with nursery(tmp_path) as services:
        for kill in range(KILLS):
            process, client = services.start()
            if kill == 0:
                client.post("/api/v1/parts", json=GUSSET.model_copy(update={"quantity": 8}).model_dump()).raise_for_status()
            stop = threading.Event()
            threads = [threading.Thread(target=uploads.keep_on, args=(client, stop)) for _ in range(CLIENTS)]
            for thread in threads:
                thread.start()
            if kill % 2:
                uploads.wait_for_one()
            time.sleep(chance.uniform(0.0, LIFE_S))
            os.kill(process, signal.SIGKILL)
            stop.set()
            for thread in threads:
                thread.join()
            client.close()
    assert len(uploads.acknowledged) >= KILLS // 2, "photos were uploaded between the kills"
    _check_records(tmp_path, uploads.acknowledged)


def _check_records(folder: Path, acknowledged: dict[str, int]) -> None:
    with stub_bench(folder, workers=2) as bench:
        for photo_id in acknowledged.values():
            wait_for(bench, photo_id)
        while bench.queue().photos:  # also those that were kept, but not acknowledged any more
            time.sleep(0.02)
        with bench.database.read() as session:
            photos = {photo.uploaded_sha256: photo for photo in session.query(Photo)}
            runs = session.query(InspectionRecord).all()
            states = {photo.state for photo in photos.values()}
            for sha256, photo_id in acknowledged.items():
                photo = photos[sha256]
                assert photo.id == photo_id
                content = bench.originals.path(photo.sha256, photo.ending).read_bytes()
                assert hashlib.sha256(content).hexdigest() == photo.sha256 == sha256
            for run in runs:
                Inspection.model_validate_json(run.inspection)
                StandingShown.model_validate(run.standing)
                setup_from_json(run.setup)
                assert hashlib.sha256(run.inspection.encode()).hexdigest() == run.inspection_sha256
            measured = [photo.id for photo in photos.values() if photo.state == "measured"]
        assert states <= {"measured", "failed"}
        assert {run.photo_id for run in runs} == set(measured)
        failed = [photo for photo in photos.values() if photo.state == "failed"]
        assert all(photo.error is not None and photo.error.startswith("No mat is in") for photo in failed)
        assert list((folder / "incoming").iterdir()) == []
        assert len(bench.pieces.all()) == 8
