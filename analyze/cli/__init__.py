"""The command line `railread`."""

from analyze.cli.verbs import app

__all__ = ["app"]
