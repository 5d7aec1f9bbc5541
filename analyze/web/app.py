"""The page as an application: its parts put together, and every error turned into words."""

from html import escape

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from analyze.web import calibrate_page, phone_page, results_page, setup_page, shot_page, shots_page, work_page
from analyze.web.desk import Desk, TheDesk
from analyze.web.guard import HEADERS, Guard
from analyze.web.pages import FOLDER, page
from calibrate.errors import DecisionOvertakenError, RailreadError

PARTS = (shots_page, shot_page, calibrate_page, work_page, results_page, setup_page, phone_page)


def page_app(desk: Desk) -> FastAPI:
    """Return the page of a session.

    Parameters
    ----------
    desk : Desk
        The session, and who may see it.
    """
    app = FastAPI(title="railread", docs_url=None, redoc_url=None, redirect_slashes=False)
    app.state.desk = desk
    for part in PARTS:
        app.include_router(part.router)
    app.add_api_route("/enter", _enter, include_in_schema=False)
    app.add_api_route("/favicon.ico", _icon, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=FOLDER / "static"), name="static")
    app.add_exception_handler(DecisionOvertakenError, _overtaken)
    app.add_exception_handler(RailreadError, _wrong_input)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _http_error)
    app.add_exception_handler(Exception, _broken)
    app.add_middleware(Guard, keys=desk.keys)
    return app


def _enter(desk: TheDesk, token: str = "", to: str = "") -> Response:
    """Take the token out of the address that was printed, into a cookie that no script can read."""
    if not desk.keys.enters(token):
        return PlainTextResponse(
            "This address does not open the page: copy the whole of the one that was printed, token included.", 401
        )
    # Pages of this site alone: what the address may name is a view.
    answer = RedirectResponse(f"/{to}" if to in ("calibrate", "setup", "results") else "/", 303)
    answer.set_cookie(desk.keys.desk_cookie, desk.keys.token, httponly=True, samesite="strict", path="/")
    return answer


def _icon() -> FileResponse:
    """Return the icon to a browser that asks for it by habit, as for the report."""
    return FileResponse(FOLDER / "static" / "ball.svg", media_type="image/svg+xml")


def _said(request: Request, status: int, sentence: str) -> Response:
    """Say what is wrong: to a script as JSON, to a person as a page."""
    if request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
        return JSONResponse({"error": sentence}, status)
    try:
        return page("error.html.j2", status=status, here="", title="railread", sentence=sentence)
    except RailreadError:
        return HTMLResponse(f"<p>{escape(sentence)}</p>", status)


def _overtaken(request: Request, error: Exception) -> Response:
    return _said(request, 409, str(error))


def _wrong_input(request: Request, error: Exception) -> Response:
    return _said(request, 422, str(error))


def _unreadable(request: Request, error: Exception) -> Response:
    wrong = error.errors() if isinstance(error, RequestValidationError) else []
    places = [".".join(str(part) for part in one["loc"][1:]) + f" ({one['msg']})" for one in wrong[:3]]
    return _said(request, 422, f"the request cannot be understood: {', '.join(places) or 'no JSON'}")


def _broken(request: Request, error: Exception) -> Response:
    """Say that railread itself is at fault; what happened stands in the terminal, for whoever mends it."""
    answer = _said(
        request,
        500,
        f"railread itself made a mistake here ({type(error).__name__}); nothing that was kept is lost. Go back and "
        "try again; the terminal in which railread runs says more.",
    )
    answer.headers.update(HEADERS)  # it is sent from outside the guard
    return answer


def _http_error(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    sentence = {404: "There is no such page here.", 405: "That cannot be done with this address."}.get(status)
    return _said(request, status, sentence or str(getattr(error, "detail", error)))
