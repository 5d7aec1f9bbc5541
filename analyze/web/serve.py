"""Serve the page of a session on this machine, and open it in the browser."""

import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from analyze.web.app import page_app
from analyze.web.desk import Desk
from analyze.web.guard import Keys, local_hosts
from analyze.web.pairing import network_address
from calibrate.errors import SessionError

LOOPBACK = "127.0.0.1"
EVERYWHERE = "0.0.0.0"


def serve_page(
    folder: Path,
    *,
    port: int,
    browser: bool,
    view: str = "",
    lan: bool = False,
    place: str | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve the page until the person ends it with Ctrl-C.

    Parameters
    ----------
    folder : Path
        The session folder; one that is not there yet can be made on the page.
    port : int
        Where to listen; 0 for any that is free.
    browser : bool
        Whether to open it in the browser.
    view : str
        The view to begin with: ``calibrate``, or empty for the shots.
    lan : bool
        Whether phones in the local network may be paired and send recordings.
    place : str or None
        The camera place whose marks are clicked on the page; None for the first.
    tell : callable
        Told the address, token included.

    Raises
    ------
    SessionError
        If the folder is a file, or the port is taken.
    """
    if folder.is_file():
        raise SessionError(f"{folder}: this is a file; a session is a folder")
    network = network_address() if lan else ""
    if lan and not network:
        raise SessionError("this machine is in no local network; connect it to the one of the phone first")
    with listen(port, network=network) as listening:
        desk = desk_at(folder, int(listening.getsockname()[1]), network=network, place=place)
        server = uvicorn.Server(uvicorn.Config(page_app(desk), log_level="warning", timeout_graceful_shutdown=1))
        address = address_of(desk.keys, view)
        tell(address)
        if browser:
            webbrowser.open(address_of(desk.keys, view, once=True))
        server.run(sockets=[listening])


def desk_at(folder: Path, port: int, *, network: str = "", place: str | None = None) -> Desk:
    """Return the desk of a session whose page answers at a port.

    Parameters
    ----------
    folder : Path
        The session folder.
    port : int
        Where it listens.
    network : str
        This machine's address on the local network, where paired phones may use it; empty for this machine alone.
    place : str or None
        As for `Desk`.
    """
    phones = frozenset({f"{network}:{port}"}) if network else frozenset()
    keys = Keys(port=port, hosts=local_hosts(port) | phones)
    return Desk(folder=folder, keys=keys, address=f"http://{network}:{port}" if network else "", place=place)


def address_of(keys: Keys, view: str = "", *, once: bool = False) -> str:
    """Return the address that opens the page, token included; `once`, one that opens it a single time."""
    to = f"&to={view}" if view else ""
    return f"http://{LOOPBACK}:{keys.port}/enter?token={keys.ticket() if once else keys.token}{to}"


def listen(port: int, *, network: str = "") -> socket.socket:
    """Return a socket that listens at a port (0: any that is free), to the network only where there is one given.

    Raises
    ------
    SessionError
        If the port is taken.
    """
    host = EVERYWHERE if network else LOOPBACK
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise SessionError(
            f"port {port} cannot be used ({error.strerror}); give another one with --port, or 0"
        ) from error
    return listening
