"""Serves the page until it is told to stop."""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import waitress  # type: ignore[import-untyped]

from service.bay.addresses import THIS_MACHINE
from service.bay.page.app import create_app
from service.bay.page.doors import SHORTEST_PIN, Door
from service.bay.page.station import Station

THREADS = 4
"""One tablet, and one who looks on (our choice)."""


EVERY_ADDRESS = ("0.0.0.0", "::")  # noqa: S104 # nosec B104 - named, not bound


class NotServed(Exception):
    """The page cannot be served so; the words say why and the way out."""


def door_for(host: str, pin_file: Path | None) -> Door:
    """Only this machine, or others with a PIN. Raises NotServed."""
    if host in THIS_MACHINE and pin_file is None:
        return Door()
    if pin_file is None:
        raise NotServed(
            f"--host {host} lets other machines in: give --pin-file too, a file with a PIN of {SHORTEST_PIN} or more "
            "characters. It goes over the workshop's network unencrypted: keep guests off that network"
        )
    try:
        pin = pin_file.read_text(encoding="utf-8-sig").strip()
    except OSError as error:
        raise NotServed(f"--pin-file {pin_file} cannot be read: {error.strerror}") from error
    if len(pin) < SHORTEST_PIN:
        raise NotServed(
            f"--pin-file {pin_file}: the PIN has {len(pin)} characters; write at least {SHORTEST_PIN}"
        )
    return Door(pin, host)


def serve(station: Station, host: str, port: int, door: Door, say: Callable[[str], None]) -> None:
    """Serve until SIGTERM or Ctrl-C. Raises OSError where the address is taken."""
    app = create_app(station, door)
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        server = waitress.create_server(
            app, sockets=[listening], threads=THREADS, clear_untrusted_proxy_headers=True
        )
        signal.signal(signal.SIGTERM, end)
        stop = threading.Event()
        rounds = station.run(stop)
        say(where(host, listening.getsockname()[1]))
        try:
            server.run()
        finally:
            stop.set()
            station.stop_sending()
            server.close()
            for one in rounds:
                one.join(timeout=1.0)


def where(host: str, port: int) -> str:
    """Under which address the page is found."""
    if host in EVERY_ADDRESS:
        return f"The bay's page: http://127.0.0.1:{port}/, from a tablet port {port} of this computer's IP address"
    return f"The bay's page: http://{f'[{host}]' if ':' in host else host}:{port}/"


def end(_number: int, _frame: FrameType | None) -> None:
    """SIGTERM ends as Ctrl-C does; what is being sent then is safe in the spool."""
    raise KeyboardInterrupt
