"""Values that threads make on demand, each once.

Which thread makes a value, and when, never changes it: it depends on its key alone. A thread that needs a
value which another is making does not wait idly: it makes one that will be needed next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from threading import Lock
from types import MethodType
from typing import Generic, TypeVar
from weakref import WeakMethod

T = TypeVar("T")


class MadeOnce(Generic[T]):
    """Values by whole-number key.

    Parameters
    ----------
    make
        Makes the value of a key; must depend on the key alone. The object of a method is not kept alive:
        an object that holds the values of its own method would be freed, with all of them, only when the
        interpreter next looks for rings of objects, many frames later.
    """

    def __init__(self, make: Callable[[int], T]) -> None:
        self._make: Callable[[], Callable[[int], T] | None]
        self._make = WeakMethod(make) if isinstance(make, MethodType) else lambda: make
        self._values: dict[int, T] = {}
        self._locks: dict[int, Lock] = {}
        self._lock = Lock()

    def get(self, key: int, *, ahead: Iterable[int] = ()) -> T:
        """Return the value of a key.

        Parameters
        ----------
        key
            Which.
        ahead
            Keys that will be asked for next, to be made while another thread makes this one.
        """
        if key not in self._values:
            lock = self._lock_of(key)
            if not lock.acquire(blocking=False):
                self._make_meanwhile(key, ahead)
                lock.acquire()
            try:
                self._once(key)
            finally:
                lock.release()
        return self._values[key]

    def _make_meanwhile(self, key: int, ahead: Iterable[int]) -> None:
        for other in ahead:
            if key in self._values:
                return
            lock = self._lock_of(other)
            if other not in self._values and lock.acquire(blocking=False):
                try:
                    self._once(other)
                finally:
                    lock.release()

    def _once(self, key: int) -> None:
        if key not in self._values:
            make = self._make()
            assert make is not None, "whoever asks holds the object"
            self._values[key] = make(key)

    def _lock_of(self, key: int) -> Lock:
        with self._lock:
            return self._locks.setdefault(key, Lock())
