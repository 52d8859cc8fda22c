"""Runs the command line in this process, as a user would type it."""

from __future__ import annotations

import contextlib
import io
import sys
from dataclasses import dataclass
from unittest import mock

from geofence import cli


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    code: int
    out: str
    err: str


def geofence(*words: object) -> Ran:
    """Run ``geofence`` with some words; never raises, whatever the exit code."""
    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    with (
        mock.patch.object(sys, "argv", ["geofence", *map(str, words)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            cli.main()
        except SystemExit as leaving:
            code = leaving.code
    assert code is None or isinstance(code, int)
    return Ran(code=code or 0, out=out.getvalue(), err=err.getvalue())
