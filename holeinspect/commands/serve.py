"""`holeinspect serve`: the bench on this machine, or for the phones on the network."""

from __future__ import annotations

import os
import secrets
import socket
import sys
import webbrowser
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holeinspect.errors import ServiceError

if TYPE_CHECKING:
    import uvicorn

    from holeinspect.records.bench import Bench

THIS_MACHINE, EVERY_ADDRESS = "127.0.0.1", "0.0.0.0"
USUAL_PORT = 8531
"""Registered for nothing (IANA's list, from memory); the next free one is taken if it is in use."""
PORTS_TRIED = 20
KEY_FILE = "access_key"
KEY_BYTES = 18
"""144 bits: nobody guesses it."""
GRACE_S = 3
"""How long running requests may take to end when the service stops."""
DATABASE_VARIABLE = "HOLEINSPECT_DATABASE"

Data = Annotated[
    Path | None, typer.Option("--data", help="Folder of the records; the user's data folder if left out.", metavar="FOLDER")
]
DatabaseUrl = Annotated[
    str | None,
    typer.Option("--database", help=f"Database as SQLAlchemy URL; also by ${DATABASE_VARIABLE}.", metavar="URL"),
]
Lan = Annotated[bool, typer.Option("--lan", help="Let phones on the network in, by a key.")]
NewKey = Annotated[bool, typer.Option("--new-key", help="With --lan: a new key; phones have to sign in again.")]
Port = Annotated[int | None, typer.Option("--port", min=1, max=65535, help=f"Port; {USUAL_PORT} or the next free one.")]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Do not open the page.")]
Workers = Annotated[int | None, typer.Option("--workers", min=1, max=32, help="Photos measured at once.")]


@dataclass(frozen=True, slots=True)
class Address:
    """Where the service is reached. key: None on this machine only."""

    host: str
    port: int
    key: str | None = None

    def url(self, host: str | None = None) -> str:
        """The page's address; with a key it signs the browser in."""
        enter = f"/enter?key={self.key}" if self.key else "/"
        return f"http://{host or self.host}:{self.port}{enter}"


def serve(
    data: Data = None,
    database: DatabaseUrl = None,
    lan: Lan = False,
    new_key: NewKey = False,
    port: Port = None,
    no_browser: NoBrowser = False,
    workers: Workers = None,
) -> None:
    """Keep the kit's records and measure photos, on a page in the browser; on phones too with --lan."""
    from holeinspect.records.bench import BenchSettings, open_bench
    from holeinspect.scale.readings import DATA_VARIABLE, data_folder

    if data is not None:
        os.environ[DATA_VARIABLE] = str(data.absolute())  # the mat's check readings lie there too, and the workers read them
    settings = BenchSettings(data_folder(), database or os.environ.get(DATABASE_VARIABLE) or None)
    if workers is not None:
        settings = replace(settings, workers=workers)
    with _listening(EVERY_ADDRESS if lan else THIS_MACHINE, port) as listener, open_bench(settings) as bench:
        key = _key(settings.folder, new_key) if lan else None
        address = Address(THIS_MACHINE, listener.getsockname()[1], key)
        _tell(address, settings.folder, lan)
        server = _server(bench, address)
        if not no_browser:
            Thread(target=_open_page, args=(server, address.url()), daemon=True).start()
        server.run(sockets=[listener])
    typer.echo("Stopped. Everything that was acknowledged is kept.")


def _listening(host: str, port: int | None) -> socket.socket:
    """A listening socket. Raises ServiceError where the port is taken."""
    for candidate in range(USUAL_PORT, USUAL_PORT + PORTS_TRIED) if port is None else (port,):
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # a service that has just stopped leaves its port so
        try:
            listener.bind((host, candidate))
            listener.listen()
            return listener
        except OSError as error:
            listener.close()
            trouble = error
    which = f"Port {port}" if port is not None else f"Every port from {USUAL_PORT} to {USUAL_PORT + PORTS_TRIED - 1}"
    raise ServiceError(f"{which} cannot be used: {trouble.strerror}. Name a free one with --port.") from trouble


def _key(folder: Path, new: bool) -> str:
    """The folder's key, made once; readable by its owner only."""
    file = folder / KEY_FILE
    if not new and file.exists() and (kept := file.read_text(encoding="ascii").strip()):
        return kept
    fresh = file.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
        out.write(secrets.token_urlsafe(KEY_BYTES))
    fresh.replace(file)
    return file.read_text(encoding="ascii")


def _tell(address: Address, folder: Path, lan: bool) -> None:
    typer.echo(f"Records: {folder}")
    typer.echo(f"Page:    {address.url()}")
    if lan:
        outside = address.url(lan_host())
        typer.echo(f"Phones:  {outside}")
        _print_code(outside)
        typer.echo("Whoever has this address can read and change the records. A new key: --new-key.")
    typer.echo("Stop with Ctrl-C.")


def _print_code(url: str) -> None:
    import segno

    if sys.stdout.isatty():
        segno.make(url, error="L", micro=False).terminal(compact=True)


def lan_host() -> str:
    """This machine's address on the network, as a phone reaches it; nothing is sent to find it out."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): only the route is looked up
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def _server(bench: Bench, address: Address) -> uvicorn.Server:
    import uvicorn

    from api.access import Access
    from api.app import create_app

    class Server(uvicorn.Server):
        """Sends those away who watch a photo's progress, as they would keep the service from stopping."""

        def handle_exit(self, sig: int, frame: Any) -> None:
            Thread(target=bench.progress.close).start()  # not here: a signal may come while the same lock is held
            # Not uvicorn's own: it raises the signal again at the end, before the workers are told.
            self.force_exit = self.should_exit
            self.should_exit = True

    app = create_app(bench, Access(address.key, lan_url=address.url(lan_host()) if address.key else None))
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, timeout_graceful_shutdown=GRACE_S, server_header=False, lifespan="off"
    )
    return Server(config)


def _open_page(server: uvicorn.Server, url: str) -> None:
    """Open the page as soon as it is answered."""
    from time import sleep

    while not server.started:
        if server.should_exit:
            return
        sleep(0.05)
    webbrowser.open(url)
