"""Dataclasses whose methods are written when the first object is made, not when their module is imported.

The standard decorator writes a class's methods as text and compiles them, half a millisecond a class. A
command imports three hundred classes and makes objects of half of them. Here that waits for the first object,
or for whoever asks for the class's fields. What is written is the standard decorator's own, so all that is
told of dataclasses holds, but for two things: a mistake in a class is told when it is written, and only from
then on does the class itself hold what `dataclasses.field` states as a default.
"""

from __future__ import annotations

import dataclasses
from threading import RLock
from typing import TYPE_CHECKING, Any, TypeVar

__all__ = ["dataclass"]

T = TypeVar("T")

_FIELDS, _NEW, _SHOWN = "__dataclass_fields__", "__new__", "__signature__"
# One for all classes: to write one is to write those it derives from.
_WRITING = RLock()


class _Unwritten:
    """Stands for the fields of a class whose methods are not written yet."""

    def __init__(self, kind: type, options: dict[str, Any]) -> None:
        self._kind = kind
        self._options = options
        self._waits = True

    def __get__(self, instance: object, owner: type) -> Any:
        self.write()
        return vars(self._kind)[_FIELDS]

    def write(self) -> None:
        """Write them, once; who comes meanwhile waits."""
        with _WRITING:
            if self._waits:
                documented = self._kind.__doc__
                # One without would be given the class's signature, which takes as long as all the rest.
                self._kind.__doc__ = documented or self._kind.__name__
                dataclasses.dataclass(**self._options)(self._kind)
                self._kind.__doc__ = documented
                # Python would not take up its own again where this one is taken away.
                setattr(self._kind, _NEW, _new)
                self._waits = False


class _Signature:
    """Stands for a class's signature, which would be taken from its ``__new__``."""

    def __get__(self, instance: object, owner: type) -> Any:
        # Only who asks for signatures, people and their tools, waits for this.
        from inspect import Signature, signature  # noqa: PLC0415

        if instance is not None:
            raise AttributeError(_SHOWN)
        # Has it written.
        dataclasses.fields(owner)
        whole = signature(getattr(owner, "__init__"))  # noqa: B009 - of the class, not of an object
        return whole.replace(parameters=[*whole.parameters.values()][1:], return_annotation=Signature.empty)


_SIGNATURE = _Signature()


def _late(kind: type[T] | None = None, /, **options: Any) -> Any:
    """Make a class a dataclass when its first object is made; the options are the standard decorator's."""
    if kind is None:
        return lambda kind: _late(kind, **options)
    # Slots make another class of it; what another ``__new__`` than ours does is not known.
    if "slots" in options or not all(map(_is_made_plainly, kind.__mro__)):
        return dataclasses.dataclass(**options)(kind)
    unwritten = _Unwritten(kind, options)

    def new(cls: type[T], *_: Any, **__: Any) -> T:
        unwritten.write()
        return object.__new__(cls)

    for name, value in ((_FIELDS, unwritten), (_NEW, new), (_SHOWN, _SIGNATURE)):
        setattr(kind, name, value)
    return kind


def _new(cls: type[T], *_: Any, **__: Any) -> T:
    return object.__new__(cls)


def _is_made_plainly(kind: type) -> bool:
    return kind is object or _NEW not in vars(kind) or vars(kind).get(_SHOWN) is _SIGNATURE


if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    dataclass = _late
