"""Pages from templates: escaped throughout, with the numbers written as the report writes them."""

from functools import cache
from pathlib import Path
from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from analyze.report.words import angle, length, number, spread
from analyze.web.desk import id_of

FOLDER = Path(__file__).parent
# What the page is made of, in the order of the work.
VIEWS = (
    ("setup", "/setup", "Set up"),
    ("calibrate", "/calibrate", "Camera"),
    ("shots", "/", "Shots"),
    ("results", "/results", "Results"),
    ("phone", "/phone-help", "Phone"),
)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(views=VIEWS)
    environment.filters.update(angle=angle, length=length, number=number, spread=spread, id_of=id_of)
    return environment


def fragment(template: str, **values: Any) -> str:  # noqa: ANN401 - whatever the template shows
    """Return a template filled in, as text."""
    return _environment().get_template(template).render(**values)


def page(template: str, *, status: int = 200, **values: Any) -> HTMLResponse:  # noqa: ANN401 - as `fragment`
    """Return a template filled in, as an answer."""
    return HTMLResponse(fragment(template, status=status, **values), status)
