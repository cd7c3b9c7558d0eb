"""Names of process profiles as they are written on the command line."""

from __future__ import annotations

import re
from typing import Any

import click

_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9_-]{0,59}$")


class ProfileName(click.ParamType[str]):
    """A name that can be a file's on any system."""

    name = "name"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name."""
        if not _NAME.match(str(value)):
            self.fail(f"{value!r} is no name; use letters, digits, - and _", param, ctx)
        return str(value)
