"""A few large things kept in memory, the least used put away first."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, Protocol, TypeVar


class Sized(Protocol):
    """Knows how much memory it takes."""

    @property
    def nbytes(self) -> int:
        """Bytes."""


T = TypeVar("T", bound=Sized)


class Shelf(Generic[T]):
    """Things by key, bounded by the memory they take; each is made once, however many ask.

    They are made one at a time, and room for one is made before it is.

    Parameters
    ----------
    limit_bytes : int
        Beyond which the least recently used are put away. One thing is always kept.
    """

    def __init__(self, limit_bytes: int) -> None:
        self._limit = limit_bytes
        self._things: OrderedDict[Hashable, T] = OrderedDict()
        self._locks: dict[Hashable, Lock] = {}
        self._lock = Lock()
        self._making = Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return the thing under ``key``, made now if it is not there.

        Whatever ``make`` raises passes through, and nothing is kept.
        """
        with self._lock:
            own = self._locks.setdefault(key, Lock())
        try:
            with own:
                thing = self.held(key)
                if thing is None:
                    with self._making:  # one at a time: making takes more memory than keeping
                        self._make_room()
                        thing = make()
                        self._keep(key, thing)
        finally:
            with self._lock:
                self._locks.pop(key, None)
        return thing

    def held(self, key: Hashable) -> T | None:
        """Return the thing under ``key`` if it is there."""
        with self._lock:
            thing = self._things.get(key)
            if thing is not None:
                self._things.move_to_end(key)
            return thing

    def held_keys(self) -> list[Hashable]:
        """Return what is there, the least recently used first."""
        with self._lock:
            return list(self._things)

    def drop(self, key: Hashable) -> None:
        """Put a thing away; nothing happens if it is not there."""
        with self._lock:
            self._things.pop(key, None)

    @property
    def nbytes(self) -> int:
        """Memory taken by all of it."""
        with self._lock:
            return sum(thing.nbytes for thing in self._things.values())

    def _keep(self, key: Hashable, thing: T) -> None:
        with self._lock:
            self._things[key] = thing
            while len(self._things) > 1 and self._taken() > self._limit:
                self._things.popitem(last=False)

    def _make_room(self) -> None:
        """Put away what would be too much together with one more of the largest."""
        with self._lock:
            while self._things:
                largest = max(thing.nbytes for thing in self._things.values())
                if self._taken() + largest <= self._limit:
                    return
                self._things.popitem(last=False)

    def _taken(self) -> int:
        return sum(thing.nbytes for thing in self._things.values())
