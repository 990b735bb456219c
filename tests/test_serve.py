"""`holeinspect serve` as a person starts it."""

from __future__ import annotations

import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from holeinspect.commands.serve import KEY_FILE, lan_host
from tests.service_nursery import PATIENCE_S, ROOT


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@contextmanager
def served(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], httpx.Client, list[str]]]:
    """The command running: its process, a client, and what it printed."""
    port = free_port()
    command = [sys.executable, "-m", "holeinspect", "serve", "--data", str(folder), "--no-browser", "--port", str(port), *options]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT, env=environment)
    assert process.stdout is not None
    printed: list[str] = []
    while not printed or "Ctrl-C" not in printed[-1]:
        line = process.stdout.readline()
        assert line, f"the service ended: {printed}"
        printed.append(line.rstrip())
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE_S) as client:
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                client.get("/api/v1/health")
                break
            except httpx.TransportError:
                assert time.monotonic() < until, "the service does not answer"
                time.sleep(0.05)
        try:
            yield process, client, printed
        finally:
            if process.poll() is None:
                process.kill()
            process.communicate()


def test_the_first_start_makes_the_records_and_ctrl_c_ends_it(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "kit"
    with served(folder) as (process, client, printed):
        assert printed[0] == f"Records: {folder}"
        assert client.get("/api/v1/parts").json()["items"] == []
        with client.stream("GET", "/api/v1/queue") as answer:
            assert answer.status_code == 200
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert rest.splitlines()[-1] == "Stopped. Everything that was acknowledged is kept."
    assert (folder / "records.sqlite").is_file()


def test_the_network_is_let_in_by_the_printed_address_only(tmp_path: Path) -> None:
    with served(tmp_path, "--lan") as (_, client, printed):
        addresses = [found[0] for line in printed if (found := re.search(r"http://\S+", line))]
        assert len(addresses) == 2
        key = addresses[0].partition("key=")[2]
        assert len(key) >= 20
        assert client.get("/api/v1/parts").status_code == 401
        assert client.get("/").status_code == 401
        entered = client.get(f"/enter?key={key}")
        assert (entered.status_code, client.get("/api/v1/parts").status_code) == (303, 200)
        assert client.get("/").status_code == 200
        file = tmp_path / KEY_FILE
        assert file.read_text() == key
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_the_key_is_kept_until_a_new_one_is_asked_for(tmp_path: Path) -> None:
    keys = []
    for options in (("--lan",), ("--lan",), ("--lan", "--new-key")):
        with served(tmp_path, *options):
            keys.append((tmp_path / KEY_FILE).read_text())
    assert keys[0] == keys[1] != keys[2]


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        command = [sys.executable, "-m", "holeinspect", "serve", "--data", str(tmp_path), "--no-browser", "--port", str(port)]
        ended = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=PATIENCE_S)
    assert ended.returncode == 2
    assert ended.stderr.startswith(f"holeinspect: Port {port} cannot be used: ")
    assert "Name a free one with --port." in ended.stderr


def test_the_records_are_copied_by_the_command(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    with served(here) as (_, client, _printed):
        part = {"number": "HM-101", "thickness": "3.2mm"}
        client.post("/api/v1/parts", json=part).raise_for_status()
        command = [sys.executable, "-m", "holeinspect", "records", "copy", str(there), "--data", str(here)]
        ended = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=PATIENCE_S)
    assert (ended.returncode, ended.stderr) == (0, "")
    with served(there) as (_, client, _printed):
        assert client.get("/api/v1/parts/HM-101").status_code == 200


def test_the_address_for_phones_is_this_machines_own() -> None:
    assert re.fullmatch(r"[0-9.]+|[\w.-]+", lan_host())


def test_a_data_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    command = [sys.executable, "-m", "holeinspect", "serve", "--data", str(tmp_path / "file" / "kit"), "--no-browser"]
    ended = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=PATIENCE_S)
    assert ended.returncode == 2
    assert "cannot be made" in ended.stderr
