"""Machine code of compiled loops, run without the compiler that made it.

Importing the compiler takes longer than a small frame. Code that is on disk needs none of it, only what puts
it into memory (LLVM, by way of llvmlite), and the compiler's own allocator where a loop asks for memory.

How such code is called is the compiler's own convention: numbers one by one, an array as the eight or more
numbers that describe it. It is kept only where the compiler itself says that it hands over just these, and
taken only on the processor and by the version that it was made for and by. All else is left to the compiler.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import sys
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from importlib.machinery import ExtensionFileLoader
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any, Self

import numpy as np

from halocline.compute import disk_cache
from halocline.compute.sources import source_digest
from halocline.errors import WriteError
from halocline.files.whole import write_whole
from halocline.late_dataclass import dataclass

KIND = "compiled-loops"
# What tells a type of a loop's argument: a name of numpy's, what tells arrays apart, or those of a tuple.
Kind = Any

# How a kind of tuple begins, and one of records.
TUPLE, RECORD = "tuple", "record"

_SUFFIX = ".code"
_DIGEST_BYTES = 32
# Where numbers are handed over in registers and on the stack as they are.
_SYSTEMS, _PROCESSORS = ("linux", "darwin"), ("x86_64", "aarch64", "arm64")
_OF_WHOLE = {1: "i8", 2: "i16", 4: "i32", 8: "i64"}
_NUMBERS = (
    *(np.dtype(f"{sign}{size}").type for sign in "iu" for size in (1, 2, 4, 8)),
    np.float32,
    np.float64,
)
# The kind of a number by its type; what turns one of numpy's into Python's.
_OF_NUMBER = {int: "<i8", float: "<f8", bool: "|b1", **{each: np.dtype(each).str for each in _NUMBERS}}
_TO_PYTHON: Mapping[type, Any] = {
    **{each: float if issubclass(each, np.floating) else int for each in _NUMBERS},
    float: float,
    bool: bool,
    np.bool_: bool,
}
# Numpy's flags of an array that runs through memory in order and may be written to, and all that its kind is
# told by: whether it runs so, or does the other way about, is aligned, may be written to.
_PLAIN, _TELLING = 0x1 | 0x400, 0x1 | 0x2 | 0x100 | 0x400
_LEAST_WHOLE, _MOST_WHOLE = -(2**63), 2**63 - 1
_IN_C: Mapping[str, Any] = {
    "i8": ctypes.c_int8,
    "i16": ctypes.c_int16,
    "i32": ctypes.c_int32,
    "i64": ctypes.c_int64,
    "f4": ctypes.c_float,
    "f8": ctypes.c_double,
    "pointer": ctypes.c_void_p,
}
# What a loop returns, by numpy's name of it; nothing, by an empty one.
_RETURNED: Mapping[str, Any] = {
    "": ctypes.c_int64,
    "|b1": ctypes.c_bool,
    "<f4": ctypes.c_float,
    "<f8": ctypes.c_double,
    "<i4": ctypes.c_int32,
    "<i8": ctypes.c_int64,
}
# The compiler's codes of a loop that ended well, with a value or with none.
_ENDED_WELL = (0, -2)
_ALLOCATOR = "numba.core.runtime._nrt_python"


def kind_of(value: object) -> Kind | None:
    """Return what tells the type of an argument, None where this module hands over no such thing."""
    if type(value) is np.ndarray:
        flags = value.flags
        layout = "C" if flags.c_contiguous else "F" if flags.f_contiguous else "A"
        return (_element(value.dtype), value.ndim, layout, flags.writeable) if flags.aligned else None
    if type(value) is tuple:
        kinds = tuple(map(kind_of, value))
        return None if None in kinds else (TUPLE, *kinds)
    if type(value) is int and not _LEAST_WHOLE <= value <= _MOST_WHOLE:
        return None
    found = _OF_NUMBER.get(type(value))
    return value.dtype.str if found is None and isinstance(value, np.generic) else found


@lru_cache(maxsize=64)
def _element(dtype: np.dtype[Any]) -> Kind:
    """Return what tells elements of arrays apart; of records size, and name, type and place of each field."""
    if dtype.names is None:
        return dtype.str
    fields: Mapping[str, Any] = dtype.fields or {}
    own = ((name, fields[name][0].str, fields[name][1]) for name in dtype.names or ())
    return (RECORD, dtype.itemsize, dtype.isalignedstruct, *own)


def dtype_of(element: Kind) -> np.dtype[Any]:
    """Return numpy's type of an array's elements.

    Parameters
    ----------
    element
        The first part of an array's kind.

    Returns
    -------
    np.dtype
        The type.
    """
    if isinstance(element, str):
        return np.dtype(element)
    _, size, aligned, *fields = element
    names, formats, offsets = zip(*fields, strict=True)
    about: Any = {"names": names, "formats": formats, "offsets": offsets, "itemsize": size}
    made: np.dtype[Any] = np.dtype(about, align=aligned)
    return made


def parameters_of(kind: Kind) -> list[str]:
    """Return what an argument of a kind is handed over as.

    Examples
    --------
    >>> parameters_of("<f4")
    ['f4']
    >>> parameters_of(("<f4", 1, "C", True))
    ['pointer', 'pointer', 'i64', 'i64', 'pointer', 'i64', 'i64']
    """
    if isinstance(kind, str):
        return [kind[1:] if kind[1] == "f" else _OF_WHOLE.get(int(kind[2:]), kind)]
    if kind[0] == TUPLE:
        return [each for part in kind[1:] for each in parameters_of(part)]
    return ["pointer", "pointer", "i64", "i64", "pointer", *(2 * kind[1] * ["i64"])]


def _told(values: Sequence[Any], types: list[Any], out: list[Any]) -> bool:
    """Add what tells arguments' types apart at once, and the numbers that stand for them.

    Where two have the same types told, `kind_of` has the same to say of them. Tell whether this could be done
    for all of them.
    """
    for value in values:
        what = type(value)
        if what is np.ndarray:
            flags = value.flags.num
            types += (value.dtype, value.ndim, flags & _TELLING)
            # It belongs to the caller, who holds it: nobody counts who else does.
            address = _address(value, flags)
            out += (None, None, value.size, value.itemsize, address, *value.shape, *value.strides)
        elif what is tuple:
            types += (TUPLE, len(value))
            if not _told(value, types, out):
                return False
        elif what is int:
            if not _LEAST_WHOLE <= value <= _MOST_WHOLE:
                return False
            types.append(int)
            out.append(value)
        else:
            to_python = _TO_PYTHON.get(what)
            if to_python is None:
                return False
            types.append(what)
            out.append(to_python(value))
    return True


def _address(array: Any, flags: int) -> int:
    """Return where an array's elements lie, by numpy's flags of it."""
    if flags & _PLAIN == _PLAIN and array.size:
        # Numpy's own way, which serves for all, takes five times as long: it describes the array in words.
        return ctypes.addressof(ctypes.c_char.from_buffer(array))
    return int(array.__array_interface__["data"][0])


@lru_cache(maxsize=1)
def compiler_mark() -> str | None:
    """Return what changes with the compiler's version, and with what it is told by the environment.

    Returns
    -------
    str | None
        None where there is no compiler, or one whose version is not to be found without importing it.
    """
    parts = [f"{name}={value}" for name, value in sorted(os.environ.items()) if name.startswith("NUMBA_")]
    for name in ("numba", "llvmlite"):
        spec = find_spec(name)
        if spec is None or spec.origin is None:
            return None
        with suppress(OSError):
            parts.append((Path(spec.origin).parent / "_version.py").read_text(encoding="utf-8"))
    return hashlib.blake2b("\0".join(parts).encode(), digest_size=16).hexdigest()


def processor_mark() -> str | None:
    """Return what tells processors apart for which other code is made.

    Returns
    -------
    str | None
        None where this module runs no code.
    """
    machine = _machine()
    return None if machine is None else machine.mark


def folder_of(module: str) -> Path | None:
    """Return the folder for the machine code of a module's loops, None where there can be none.

    Parameters
    ----------
    module
        Its dotted name.

    Returns
    -------
    Path | None
        A folder that nobody else can write to, by what the loops are made of.
    """
    digest, mark = source_digest(module), compiler_mark()
    if digest is None or mark is None:
        return None
    return disk_cache.folder(KIND, f"{module}\0{mark}\0{digest}")


@dataclass(frozen=True)
class MadeCode:
    """Machine code of a loop, for arguments of one kind.

    Attributes
    ----------
    name
        Of its function in the code.
    parameters
        What the code is handed over, by the compiler's own word.
    returned
        Numpy's name of what it returns; empty for nothing.
    needs
        Names of the functions that are not in it.
    code
        The object file.
    """

    name: str
    parameters: tuple[str, ...]
    returned: str
    needs: tuple[str, ...]
    code: bytes

    def to_bytes(self) -> bytes:
        """Return it as it is kept on disk."""
        head = {key: value for key, value in vars(self).items() if key != "code"}
        data = json.dumps(head).encode() + b"\n" + self.code
        return _digest(data) + data

    @classmethod
    def from_bytes(cls, kept: bytes) -> Self | None:
        """Return what was kept, None where it is not whole."""
        digest, data = kept[:_DIGEST_BYTES], kept[_DIGEST_BYTES:]
        if digest != _digest(data):
            return None
        head, _, code = data.partition(b"\n")
        about = json.loads(head)
        return cls(about["name"], tuple(about["parameters"]), about["returned"], tuple(about["needs"]), code)


class KeptCode:
    """The machine code of one loop, for as many kinds of arguments as are on disk or can be made.

    Parameters
    ----------
    loop
        Plain Python.
    make
        Compiles it for arguments of these kinds; None where that cannot be.
    others
        Waits where another process is at it; tells whether it was.
    """

    def __init__(
        self,
        loop: Callable[..., Any],
        make: Callable[[tuple[Kind, ...]], MadeCode | None] = lambda _: None,
        others: Callable[[tuple[Kind, ...]], bool] = lambda _: False,
    ) -> None:
        self._loop = loop
        self._make, self._others = make, others
        self._lock = threading.Lock()
        self._ready: dict[tuple[Kind | None, ...], Callable[..., Any] | None] = {}
        # The same by what is told of types at once: a kind takes longer to name than a small loop to run.
        self._at_once: dict[tuple[Any, ...], Callable[[list[Any]], Any] | None] = {}

    def ready(self, args: Sequence[Any]) -> tuple[Callable[[list[Any]], Any], list[Any]] | None:
        """Return what runs the loop, and what it takes for such arguments; None where the compiler has to."""
        types: list[Any] = []
        numbers: list[Any] = []
        if not _told(args, types, numbers):
            return None
        told = tuple(types)
        try:
            run = self._at_once[told]
        except KeyError:
            run = self._at_once[told] = self._ready_of(tuple(map(kind_of, args)))
        return None if run is None else (run, numbers)

    def _ready_of(self, kinds: tuple[Kind | None, ...]) -> Callable[[list[Any]], Any] | None:
        with self._lock:
            if kinds not in self._ready:
                self._ready[kinds] = None if None in kinds else self._taken(kinds)
            return self._ready[kinds]

    def keep(self, kinds: tuple[Kind, ...]) -> bool:
        """Have code on disk for arguments of these kinds; False where it was made but not kept."""
        machine = _machine()
        place = self._loop.__module__, self._loop.__qualname__, kinds
        if machine is None or is_kept(*place):
            return True
        return self._made(kinds, machine) is None or is_kept(*place) is True

    @property
    def kinds(self) -> list[tuple[Kind, ...]]:
        """What the loop was called with so far, where machine code ran."""
        return [kinds for kinds, run in self._ready.items() if run is not None]

    def _taken(self, kinds: tuple[Kind, ...]) -> Callable[..., Any] | None:
        machine = _machine()
        if machine is None:
            return None
        run = self._on_disk(kinds, machine)
        if run is None and self._others(kinds):
            run = self._on_disk(kinds, machine)
        if run is None:
            made = self._made(kinds, machine)
            run = None if made is None else machine.run(made)
        return run

    def _on_disk(self, kinds: tuple[Kind, ...], machine: _Machine) -> Callable[..., Any] | None:
        path = _path(self._loop.__module__, self._loop.__qualname__, kinds, machine)
        if path is None:
            return None
        try:
            made = MadeCode.from_bytes(path.read_bytes())
        except OSError:
            return None
        return None if made is None else machine.run(made)

    def _made(self, kinds: tuple[Kind, ...], machine: _Machine) -> MadeCode | None:
        """Return code that is made now, and keep it, where it is called as this module would call it."""
        made = self._make(kinds)
        expected = tuple(each for kind in kinds for each in parameters_of(kind))
        if made is None or made.parameters != expected or made.returned not in _RETURNED:
            return None
        path = _path(self._loop.__module__, self._loop.__qualname__, kinds, machine)
        if path is not None:
            with suppress(OSError, WriteError):
                write_whole(path, made.to_bytes(), overwrite=True, durable=False)
        return made


def is_kept(module: str, name: str, kinds: tuple[Kind, ...]) -> bool | None:
    """Tell whether there is machine code on disk for a loop.

    Parameters
    ----------
    module, name
        Where the loop is.
    kinds
        Of its arguments.

    Returns
    -------
    bool | None
        None where there can be none.
    """
    machine = _machine()
    path = None if machine is None else _path(module, name, kinds, machine)
    return None if path is None else path.is_file()


def _path(module: str, name: str, kinds: tuple[Kind, ...], machine: _Machine) -> Path | None:
    folder = folder_of(module)
    digest = hashlib.blake2b(f"{name} {kinds!r} {machine.mark}".encode(), digest_size=16).hexdigest()
    return None if folder is None else folder / f"{name.rpartition('.')[2]}-{digest}{_SUFFIX}"


def _digest(data: bytes) -> bytes:
    return hashlib.blake2b(data, digest_size=_DIGEST_BYTES).digest()


class _Machine:
    """What puts machine code into memory."""

    def __init__(self, llvm: Any) -> None:
        self._llvm = llvm
        self._lock = threading.Lock()
        self._has_allocator = False
        llvm.initialize_native_target()
        llvm.initialize_native_asmprinter()
        triple = llvm.get_process_triple()
        self.mark = f"{triple} {llvm.get_host_cpu_name()} {llvm.get_host_cpu_features().flatten()}"
        machine = llvm.Target.from_triple(triple).create_target_machine(codemodel="jitdefault", jit=True)
        self._engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)

    def run(self, made: MadeCode) -> Callable[..., Any] | None:
        """Return what runs code, None where it cannot be run here."""
        with self._lock:
            if not self._finds(made.needs):
                return None
            self._engine.add_object_file(self._llvm.ObjectFileRef.from_data(made.code))
            self._engine.finalize_object()
            address = self._engine.get_function_address(made.name)
        types = (_IN_C[each] for each in made.parameters)
        function = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, *types)
        return _callable(function(address), made.returned)

    def _finds(self, needs: Iterable[str]) -> bool:
        """Tell whether all functions are there that code needs: one that is not would end the process."""
        if any(name.startswith("NRT_") for name in needs) and not self._has_allocator:
            for name, where in _allocator().items():
                self._llvm.add_symbol(name if name.startswith("_") else f"NRT_{name}", where)
            self._has_allocator = True
        return all(self._llvm.address_of_symbol(name) is not None for name in needs)


@lru_cache(maxsize=1)
def _machine() -> _Machine | None:
    if sys.platform not in _SYSTEMS or os.uname().machine not in _PROCESSORS:
        return None
    try:
        # Commands that run no loop need none of it.
        from llvmlite import binding  # noqa: PLC0415
    except ImportError:
        return None
    return _Machine(binding)


def _allocator() -> dict[str, int]:
    """Return the addresses of the compiler's functions for memory, by name."""
    module: Any = sys.modules.get(_ALLOCATOR)
    if module is None:
        # Under its own name, so that the compiler, if it comes later, goes on with the same.
        home = Path(str(getattr(find_spec("numba"), "origin", ""))).parent
        for path in (home / "core" / "runtime").glob("_nrt_python.*.so"):
            spec = spec_from_file_location(
                _ALLOCATOR, path, loader=ExtensionFileLoader(_ALLOCATOR, str(path))
            )
            if spec is not None:
                module = sys.modules[_ALLOCATOR] = module_from_spec(spec)
                module.memsys_use_cpython_allocator()
    found: dict[str, int] = getattr(module, "c_helpers", {})
    return found


def _callable(function: Any, returned: str) -> Callable[..., Any]:
    result_type = _RETURNED[returned]

    def run(numbers: list[Any]) -> Any:
        result, error = result_type(), ctypes.c_void_p()
        status = function(ctypes.addressof(result), ctypes.addressof(error), *numbers)
        if status not in _ENDED_WELL:
            raise EndedBadlyError(status)
        return result.value if returned else None

    return run


class EndedBadlyError(RuntimeError):
    """A loop raised an error, which only the compiler can name."""
