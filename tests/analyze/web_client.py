"""A browser's requests to the page of a session, for tests: Host, Origin and token as a real one sends them."""

import asyncio
from importlib.resources import files
from pathlib import Path
from typing import Any

import httpx

from analyze.web.app import page_app
from analyze.web.desk import Desk
from analyze.web.guard import Keys, local_hosts
from calibrate.marks import read_marks

SAMPLE = Path(str(files("sample_clips") / "session"))
PLACES = {
    click.name: (click.u_px, click.v_px) for click in read_marks(SAMPLE / "clicks.csv")
}  # as a hand clicks them
PORT = 8123
ADDRESS = f"http://127.0.0.1:{PORT}"


class PageClient:
    """Requests to an application in this process; each is complete before the next."""

    def __init__(self, app: Any, *, origin: str | None = ADDRESS, machine: str = "127.0.0.1") -> None:
        self.app = app
        self.machine = machine
        self.headers = {} if origin is None else {"Origin": origin}
        self.cookies: dict[str, str] = {}

    def request(self, method: str, path: str, **more: Any) -> httpx.Response:
        headers = {**self.headers, **more.pop("headers", {})}
        quietly = more.pop("quietly", False)
        cookie = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        if cookie:
            headers.setdefault("Cookie", cookie)
        answer = asyncio.run(self._send(method, path, quietly=quietly, headers=headers, **more))
        for name, value in answer.cookies.items():
            self.cookies[name] = value
        return answer

    async def _send(self, method: str, path: str, *, quietly: bool, **more: Any) -> httpx.Response:
        """Send one request; a mistake of the page is raised, or with `quietly` answered as a browser sees it."""
        transport = httpx.ASGITransport(
            app=self.app, client=(self.machine, 40000), raise_app_exceptions=not quietly
        )
        async with httpx.AsyncClient(transport=transport, base_url=ADDRESS) as client:
            return await client.request(method, path, **more)

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self.request("GET", path, **more)

    def post(self, path: str, **more: Any) -> httpx.Response:
        return self.request("POST", path, **more)

    def put(self, path: str, **more: Any) -> httpx.Response:
        return self.request("PUT", path, **more)


def page_keys() -> Keys:
    return Keys(port=PORT, hosts=local_hosts(PORT))


def page_client(
    folder: Path,
    *,
    keys: Keys | None = None,
    entered: bool = True,
    origin: str | None = ADDRESS,
    machine: str = "127.0.0.1",
) -> PageClient:
    """Return a client of the page of `folder`, with the token unless `entered` is False."""
    keys = keys or page_keys()
    client = PageClient(page_app(Desk(folder=folder, keys=keys)), origin=origin, machine=machine)
    if entered:
        client.cookies[keys.desk_cookie] = keys.token
    return client
