"""How a verb ends: errors become one line on stderr, and each end an exit status."""

import sys
from typing import Any, cast

import typer
from typer.core import TyperGroup

from analyze.bare_system import what_is_lacking
from calibrate.errors import RailreadError

DONE, NEEDS_A_PERSON, WRONG_INPUT = 0, 1, 2
BROKEN_OFF = 130  # as a shell says of a program that Ctrl-C ended

# typer carries its own copy of click in newer versions, so the base class of wrong usage is found through it.
_UsageError = cast("type[typer.BadParameter]", typer.BadParameter.__mro__[2])


class BrokenOffError(Exception):
    """The tester pressed Ctrl-C; the message says what is kept."""


class OneLineErrors(TyperGroup):
    """The one place where an error becomes a line on stderr and an exit status."""

    def main(self, *args: Any, **extra: Any) -> Any:  # noqa: ANN401 - as the base class has it
        """Run a verb; wrong input and wrong usage end in one line and exit status 2."""
        extra["standalone_mode"] = False
        try:
            sys.exit(super().main(*args, **extra) or DONE)
        except RailreadError as error:
            _fail(str(error))
        except _UsageError as error:
            _fail(f"{error.format_message()} (`railread --help` shows the verbs)")
        except BrokenOffError as error:
            _fail(str(error), BROKEN_OFF)
        except typer.Abort:
            _fail("broken off", BROKEN_OFF)
        except ImportError as error:
            lacking = what_is_lacking(error)
            if lacking is None:
                raise
            _fail(lacking)
        except OSError as error:
            _fail(f"{error.filename or ''}: {error.strerror or error}".removeprefix(": "))


def _fail(message: str, status: int = WRONG_INPUT) -> None:
    print(f"railread: {' '.join(message.split())}", file=sys.stderr)
    sys.exit(status)
