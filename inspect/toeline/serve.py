"""Starting the pages: on this machine only, or for one phone on the home network behind a one-time code."""

from __future__ import annotations

import io
import os
import secrets
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path

import qrcode

from toeline.errors import BadUsage
from toeline.logbook.store import PLACE

#: Environment variable that carries the one-time code to the pages; without it there is no gate.
CODE_VARIABLE = "TOELINE_GATE_CODE"
HERE = "127.0.0.1"
LAST_PORT = 65_535


def serve_app(*, phone: bool = False, port: int = 8501, logbook: Path | None = None, tell: Callable[[str], None] = print) -> int:
    """Serve the pages until they are stopped; returns the server's exit status.

    Parameters
    ----------
    phone : bool
        Listen on this machine's address in the home network instead of on 127.0.0.1, and ask for a one-time code.
    port : int
    logbook : path, optional
        Another logbook than the one in the home folder.
    tell : callable
        Takes each line for the person at the terminal.

    Raises
    ------
    BadUsage
        There is no such port, it is taken, or this machine is on no network.
    """
    address = lan_address() if phone else HERE
    _check_port(address, port)
    environment = dict(os.environ)
    environment.pop(CODE_VARIABLE, None)
    if logbook is not None:
        environment[PLACE] = str(logbook.resolve())
    if phone:
        code = one_time_code()
        environment[CODE_VARIABLE] = code
        for line in phone_lines(address, port, code):
            tell(line)
    else:
        tell(f"The pages are at http://{address}:{port} (only from this machine). Stop with Ctrl+C.")
    sys.stdout.flush()
    before = signal.signal(signal.SIGTERM, _stop)
    try:
        server = subprocess.Popen(command(address, port), env=environment)
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.terminate()
            server.wait()
            return 0
    finally:
        signal.signal(signal.SIGTERM, before)


def _stop(*_: object) -> None:
    """Ended from outside is stopped like by Ctrl+C: pages that nobody sees must not go on being served."""
    raise KeyboardInterrupt


def command(address: str, port: int) -> list[str]:
    """The line that starts Streamlit: our look, no telemetry, no browser opened, nobody else's page let in."""
    pages = files("toeline").joinpath("pages")
    options: Mapping[str, object] = {
        "server.address": address,
        "server.port": port,
        "server.headless": "true",
        "server.maxUploadSize": 400,
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "browser.serverAddress": address,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": "false",
        "theme.base": pages.joinpath("theme.toml"),
        "logger.level": "warning",
    }
    told = [f"--{name}={value}" for name, value in options.items()]
    return [sys.executable, "-m", "streamlit", "run", str(pages.joinpath("entry.py")), *told]


def one_time_code() -> str:
    """Eight digits in two groups: 27 bits, against eight tries."""
    digits = f"{secrets.randbelow(10**8):08}"
    return f"{digits[:4]} {digits[4:]}"


def phone_lines(address: str, port: int, code: str) -> list[str]:
    """What a person needs to get in with a phone: address, QR code, one-time code, and who else could see."""
    link = f"http://{address}:{port}"
    picture = io.StringIO()
    drawn = qrcode.QRCode(border=2)
    drawn.add_data(link)
    drawn.print_ascii(out=picture, invert=True)
    return [
        picture.getvalue().rstrip("\n"),
        f"With the phone in the same network, open {link}",
        f"One-time code: {code}   (lets one phone in; start again for another)",
        "The home network carries the photos unencrypted: use it only in a network that you trust. Stop with Ctrl+C.",
    ]


def lan_address() -> str:
    """This machine's address in the home network.

    A datagram socket is pointed at an address reserved for documentation (RFC 5737); nothing is sent, but the system names the
    interface that it would use.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            address = str(probe.getsockname()[0])
        except OSError:
            address = HERE
    if address.startswith(("127.", "0.")):
        raise BadUsage(
            "This machine is on no network that a phone could reach it by.", advice="Join the home network, then start again."
        )
    return address


def _check_port(address: str, port: int) -> None:
    """One sentence instead of a server that ends at once."""
    if not 1 <= port <= LAST_PORT:
        raise BadUsage(f"There is no port {port}.", advice=f"Give a --port from 1024 to {LAST_PORT}.")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            why = error.strerror or str(error)
            raise BadUsage(
                f"Port {port} on {address} can't be used ({why}).", advice="Stop what runs there, or give another --port."
            ) from None
