"""JSON of anybody's making, read so that what comes out can be reckoned with."""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn


def read_json(content: bytes | str) -> Any:
    """Return what a JSON document holds; every number in it is finite and fits a float.

    Parameters
    ----------
    content : bytes or str
        Bytes are UTF-8, UTF-16 or UTF-32, as RFC 4627 tells them apart.

    Raises
    ------
    ValueError
        If it is no JSON, or nested too deeply; or holds a number beyond 1.8e308, for which
        arithmetic would fail much later, or NaN or Infinity, which are no JSON (RFC 8259, 6).

    Examples
    --------
    >>> read_json('{"d_max": 2.5, "pixels": 12}')
    {'d_max': 2.5, 'pixels': 12}
    >>> read_json("1" + 400 * "0")
    Traceback (most recent call last):
    ValueError: a number of 401 figures is too large
    """
    try:
        return json.loads(content, parse_int=_whole, parse_float=_real, parse_constant=_refuse)
    except RecursionError as error:
        raise ValueError("lists or tables are nested too deeply") from error


def _whole(text: str) -> int:
    _real(text)
    return int(text)


def _real(text: str) -> float:
    number = float(text)
    if math.isinf(number):
        raise ValueError(f"a number of {len(text)} figures is too large")
    return number


def _refuse(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")
