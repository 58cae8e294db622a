"""Compiled loops on disk: where the compiler keeps what it made, and when that is taken again.

Imported only where a loop is compiled: the compiler's own modules take long to import. What a loop was
compiled to is kept twice: as the compiler wants it, who builds other loops with it, and as
`halocline.compute.machine_code` runs it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from llvmlite import binding as llvm
from llvmlite import ir
from numba.core import types
from numba.core.caching import CompileResultCacheImpl, FunctionCache, _CacheLocator
from numba.core.runtime.nrt import rtsys
from numba.np.numpy_support import as_dtype

from halocline.compute import disk_cache, machine_code
from halocline.compute.machine_code import Kind, folder_of

# Code of sources that nobody has run for so long is of versions that are gone.
FORGOTTEN_SECONDS = 30.0 * 24.0 * 3600.0


class _Place(_CacheLocator):
    """A folder for one module's loops, by the digest of their sources."""

    def __init__(self, folder: str, line: int) -> None:
        self._folder, self._line = folder, line

    def get_cache_path(self) -> str:
        return self._folder

    def ensure_cache_path(self) -> None:
        """The folder is there, and only this user can write to it."""

    def get_source_stamp(self) -> str:
        """The folder is that of the sources."""
        return ""

    def get_disambiguator(self) -> str:
        return str(self._line)


def keep_made(made: Any, loop: Callable[..., Any]) -> None:
    """Let a compiled function load its code from disk, and keep it there, where there is a folder for it.

    Parameters
    ----------
    made
        The compiler's function.
    loop
        What it was made from.
    """
    folder = folder_of(loop.__module__)
    if folder is None:
        return
    if not any(folder.iterdir()):
        # Something was changed: what it replaces is of no use to anybody, but perhaps to another checkout.
        disk_cache.forget(machine_code.KIND, FORGOTTEN_SECONDS)
    place = _Place(str(folder), loop.__code__.co_firstlineno)

    class Placed(CompileResultCacheImpl):
        """Files of this loop alone, in its place."""

        def __init__(self, function: Callable[..., Any]) -> None:
            # Not the base's own: it would look for a place beside the module.
            self._lineno = function.__code__.co_firstlineno
            self._locator = place
            base: Any = self.get_filename_base
            self._filename_base = base(function.__qualname__, getattr(sys, "abiflags", ""))

    class Kept(FunctionCache):
        _impl_class = Placed

        def load_overload(self, sig: Any, target_context: Any) -> Any:
            """Load compiled code without all that compiling would need.

            The base's own first imports every module that tells how Python is compiled: twice the time of
            everything else. Code that is compiled needs only what takes arrays in and out; where none is
            kept, the compiler imports the rest itself.
            """
            rtsys.initialize(target_context)
            guard: Any = self._guard_against_spurious_io_errors
            load: Any = self._load_overload
            with guard():
                return load(sig, target_context)

        def save_overload(self, sig: Any, data: Any) -> None:
            """Keep compiled code, and beside it the machine code alone."""
            save: Any = super().save_overload
            save(sig, data)
            impl: Any = self._impl
            # Inside another version of the compiler may look otherwise: what it keeps itself will do.
            with suppress(AttributeError):
                if impl.check_cachable(data):
                    _keep_code(loop, sig, data)

    cache: Any = Kept
    made._cache = cache(loop)


def _keep_code(loop: Callable[..., Any], signature: Any, made: Any) -> None:
    """Keep a loop's machine code with what it is called by."""
    kinds = tuple(map(_kind_of, signature))
    about, library = made.fndesc, made.library
    returned = "" if isinstance(about.restype, types.NoneType) else _kind_of(about.restype)
    if None in kinds or not isinstance(returned, str):
        return
    convention = made.target_context.call_conv
    # The first two are for what it returns and raises.
    parameters = convention.get_function_type(about.restype, about.argtypes).args[2:]
    needs, code = _alone(library, about.llvm_func_name)
    machine_code.keep(
        loop,
        kinds,
        map(_handed_over, parameters),
        returned=returned,
        name=about.llvm_func_name,
        needs=needs,
        code=code,
    )


def _alone(library: Any, name: str) -> tuple[list[str], bytes]:
    """Return a function's machine code without what takes Python's objects apart for it, and what it needs.

    The instructions are those that the compiler runs: all that changes is what else is there.
    """
    module = llvm.parse_bitcode(library._final_module.as_bitcode())
    for function in module.functions:
        if not function.is_declaration and function.name != name:
            function.linkage = "internal"
    unused = llvm.create_new_module_pass_manager()
    unused.add_global_dead_code_eliminate_pass()
    unused.run(module, library.codegen._pass_builder())
    named = (*module.functions, *module.global_variables)
    needs = [each.name for each in named if each.is_declaration and not each.name.startswith("llvm.")]
    return needs, library.codegen._tm.emit_object(module)


def _kind_of(kind: Any) -> Kind | None:
    """Return a type of the compiler's as `halocline.compute.machine_code` tells it."""
    if isinstance(kind, types.Array):
        return (as_dtype(kind.dtype).str, kind.ndim, kind.layout, kind.mutable) if kind.aligned else None
    if isinstance(kind, types.Integer | types.Float | types.Boolean):
        return as_dtype(kind).str
    if isinstance(kind, types.Tuple | types.UniTuple):
        parts = tuple(map(_kind_of, kind.types))
        return None if None in parts else ("tuple", *parts)
    return None


def _handed_over(kind: Any) -> str:
    if isinstance(kind, ir.PointerType):
        return "pointer"
    if isinstance(kind, ir.IntType):
        return f"i{kind.width}"
    return {ir.FloatType: "f4", ir.DoubleType: "f8"}.get(type(kind), str(kind))
