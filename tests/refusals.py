"""Refusals in tests: which error, about what, and its figures; never how a sentence goes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar

import pytest

from platebench.core.errors import PlateError

Refusal = TypeVar("Refusal", bound=PlateError)


@contextmanager
def refused(
    kind: type[Refusal],
    /,
    *shown: object,
    cause: type[BaseException] | int | None = None,
    **data: object,
) -> Iterator[pytest.ExceptionInfo[Refusal]]:
    """Expect a refusal of just this class, in one line.

    Parameters
    ----------
    kind : type
        The class of the error, not one it inherits from.
    shown : object
        Names and figures that people need, and that stand in the line.
    cause : type or int, optional
        The exception behind it, or the system's errno, where something else refused first.
    data : object
        Attributes of the error and what they hold, such as ``path`` and ``remedy``.
    """
    with pytest.raises(kind) as caught:
        yield caught
    error = caught.value
    assert type(error) is kind
    assert {name: getattr(error, name) for name in data} == data
    behind = error.__cause__ or error.__context__
    if isinstance(cause, int):
        assert isinstance(behind, OSError) and behind.errno == cause
    elif cause is not None:
        assert isinstance(behind, cause)
    line = str(error)
    assert "\n" not in line
    assert [str(one) for one in shown if str(one) not in line] == []
