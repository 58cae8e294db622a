"""What the compiler is asked for: code of loops, kept on disk, and when that is taken again.

Imported only where a loop is compiled: the compiler's own modules take long to import. A loop that Python
calls is made to machine code alone, as `halocline.compute.machine_code` runs it: what would let Python call
the compiler's own function costs as much as many a loop. One that other loops call is kept as the compiler
wants it, who builds those with it.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from llvmlite import binding as llvm
from llvmlite import ir
from numba import njit
from numba.core import types
from numba.core.caching import CompileResultCacheImpl, FunctionCache, _CacheLocator
from numba.core.codegen import CPUCodeLibrary
from numba.core.compiler import Flags, compile_extra
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target
from numba.core.runtime.nrt import rtsys
from numba.np.numpy_support import as_dtype, from_dtype

from halocline.compute import disk_cache, machine_code
from halocline.compute.machine_code import Kind, MadeCode, folder_of

# None of the compiler's own functions has types.
_compile: Any = compile_extra
_new_flags: Any = Flags
_from_types: Any = types.BaseTuple.from_types
# Code of sources that nobody has run for so long is of versions that are gone.
FORGOTTEN_SECONDS = 30.0 * 24.0 * 3600.0
# How the compiler counts who looks at an array, for arrays of one thread alone.
_COUNTING = """
declare void @NRT_MemInfo_call_dtor(ptr)
define void @NRT_incref(ptr %array) alwaysinline {
  %uncounted = icmp eq ptr %array, null
  br i1 %uncounted, label %done, label %counted
counted:
  %before = load i64, ptr %array
  %now = add i64 %before, 1
  store i64 %now, ptr %array
  br label %done
done:
  ret void
}
define void @NRT_decref(ptr %array) alwaysinline {
  %uncounted = icmp eq ptr %array, null
  br i1 %uncounted, label %done, label %counted
counted:
  %before = load i64, ptr %array
  %now = sub i64 %before, 1
  store i64 %now, ptr %array
  %last = icmp eq i64 %now, 0
  br i1 %last, label %free, label %done
free:
  call void @NRT_MemInfo_call_dtor(ptr %array)
  br label %done
done:
  ret void
}
"""


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


def function_of(loop: Callable[..., Any], *, inner: bool, on_disk: bool) -> Any:
    """Return the compiler's function of a loop, which compiles it when its types are known.

    Parameters
    ----------
    loop
        Plain Python.
    inner
        Whether only other loops call it.
    on_disk
        Whether its code is kept there, and taken from there.

    Returns
    -------
    Any
        The compiler's function.
    """
    # Stubs of the compiler do not know all options.
    options: dict[str, Any] = {"no_cpython_wrapper": inner, "no_cfunc_wrapper": True}
    made: Any = njit(loop, nogil=True, error_model="numpy", **options)
    if on_disk:
        _keep_made(made, loop, "inner-" if inner else "")
    return made


def code_of(loop: Callable[..., Any], kinds: tuple[Kind, ...]) -> MadeCode | None:
    """Compile a loop to machine code, for arguments of these kinds.

    Parameters
    ----------
    loop
        Plain Python.
    kinds
        Of its arguments.

    Returns
    -------
    MadeCode | None
        None where it returns what this package takes from no machine code.
    """
    function = function_of(loop, inner=True, on_disk=False)
    target, flags = function._compiler.targetdescr, _new_flags()
    target.options.parse_as_flags(flags, function.targetoptions)
    flags.no_compile = True
    typing, context = target.typing_context, target.target_context
    with global_compiler_lock, _no_rubbish_looked_for():
        rtsys.initialize(context)
        library = _new_library(context.codegen(), loop.__qualname__)
        arguments = tuple(map(_type_of, kinds))
        made = _compile(typing, context, loop, arguments, None, flags, {}, library=library)
        library.finalize()
        about = made.fndesc
        returned = "" if isinstance(about.restype, types.NoneType) else as_dtype(about.restype).str
        # The first two are for what it returns and raises.
        parameters = context.call_conv.get_function_type(about.restype, about.argtypes).args[2:]
        needs, code = library.alone(about.llvm_func_name)
    return MadeCode(about.llvm_func_name, tuple(map(_handed_over, parameters)), returned, tuple(needs), code)


@contextmanager
def _no_rubbish_looked_for() -> Iterator[None]:
    """Compiling makes many objects and hardly any rings of them: to look for those is a tenth of its time."""
    looking = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looking:
            gc.enable()


def get_ready() -> None:
    """Load all that the compiler loads before its first loop."""
    target: Any = cpu_target
    target.typing_context.refresh()
    target.target_context.refresh()
    rtsys.initialize(target.target_context)


class _Library(CPUCodeLibrary):
    """What a loop is compiled into: put into memory only where somebody runs it."""

    def _finalize_final_module(self) -> None:
        verify: Any = self._verify_declare_only_symbols
        verify()
        self._finalized = True

    def alone(self, name: str) -> tuple[list[str], bytes]:
        """Return the machine code of one function and what that calls, and the names of what is not in it."""
        module = self._final_module
        codegen: Any = self._codegen
        passes = llvm.create_new_module_pass_manager()
        if _count_without_locks(module):
            passes.add_always_inliner_pass()
            passes.add_simplify_cfg_pass()
            passes.add_instruction_combine_pass()
        for function in module.functions:
            if not function.is_declaration and function.name != name:
                function.linkage = "internal"
        passes.add_global_dead_code_eliminate_pass()
        passes.run(module, codegen._pass_builder())
        named = (*module.functions, *module.global_variables)
        needs = [each.name for each in named if each.is_declaration and not each.name.startswith("llvm.")]
        return needs, codegen._tm.emit_object(module)


def _count_without_locks(module: Any) -> bool:
    """Let a module count who looks at arrays in plain steps; tell whether it counts at all.

    Who hands a row of an array on to another loop counts it, with a lock of the memory bus: a third of the
    time of loops that do so often. What a loop makes for itself no other thread ever sees, and what it is
    handed over as `halocline.compute.machine_code` hands it over is not counted.
    """
    counting = llvm.parse_assembly(_COUNTING)
    found = False
    for function in module.functions:
        if not function.is_declaration and function.name in {"NRT_incref", "NRT_decref"}:
            # So it gives way to another of its name.
            function.linkage, found = "available_externally", True
    if found:
        module.link_in(counting)
    return found


_new_library: Any = _Library


def _keep_made(made: Any, loop: Callable[..., Any], prefix: str) -> None:
    """Let a compiled function load its code from disk, and keep it there, where there is a folder for it."""
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
            self._filename_base = prefix + base(function.__qualname__, getattr(sys, "abiflags", ""))

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

    cache: Any = Kept
    made._cache = cache(loop)


def _type_of(kind: Kind) -> Any:
    """Return the compiler's type of an argument of a kind."""
    if isinstance(kind, str):
        return from_dtype(np.dtype(kind))
    if kind[0] == machine_code.TUPLE:
        return _from_types(tuple(map(_type_of, kind[1:])))
    element, dimensions, layout, mutable = kind
    return types.Array(from_dtype(machine_code.dtype_of(element)), dimensions, layout, readonly=not mutable)


def _handed_over(kind: Any) -> str:
    if isinstance(kind, ir.PointerType):
        return "pointer"
    if isinstance(kind, ir.IntType):
        return f"i{kind.width}"
    return {ir.FloatType: "f4", ir.DoubleType: "f8"}.get(type(kind), str(kind))
