"""Letting a phone in: a code that works once and not for long, and a token of the phone's own."""

import secrets
import socket
import time
from threading import Lock

from analyze.web.guard import Keys

# Letters and digits that cannot be taken for each other when they are read off a screen.
ALPHABET = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
LENGTH = 8  # 40 bits, and ten tries
LIFE_S = 600.0
MOST_TRIES = 10


class Pairing:
    """The code of the moment.

    Parameters
    ----------
    keys : Keys
        Gets the tokens of phones that were let in.
    address : str
        Of the page on the local network, as ``http://192.0.2.7:8000``; empty where it is not served there.
    """

    def __init__(self, keys: Keys, address: str = "") -> None:
        self._keys = keys
        self.address = address
        self._lock = Lock()
        self._code = ""
        self._until_s = 0.0
        self._tries = 0

    def code(self) -> str:
        """Return the code to show: a new one when the last was used, is too old, or was guessed at."""
        with self._lock:
            if not self._code or time.monotonic() > self._until_s:
                self._code = "".join(secrets.choice(ALPHABET) for _ in range(LENGTH))
                self._until_s = time.monotonic() + LIFE_S
                self._tries = 0
            return self._code

    def let_in(self, said: str) -> str | None:
        """Return a token for a phone that says the code, which is used up by that; None for a wrong one."""
        with self._lock:
            if not self._code or time.monotonic() > self._until_s:
                return None
            if not secrets.compare_digest(said.strip().upper().encode(), self._code.encode()):
                self._tries += 1
                if self._tries >= MOST_TRIES:
                    self._code = ""
                return None
            self._code = ""
            token = secrets.token_urlsafe(24)
            self._keys.phones.add(token)
            return token


def network_address() -> str:
    """Return this machine's own address on the local network; empty where it is on none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): nothing is sent
            found = str(probe.getsockname()[0])
        except OSError:
            return ""
    return "" if found.startswith("127.") or found == "0.0.0.0" else found
