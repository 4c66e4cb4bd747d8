"""Compile a kernel once, and keep it on disk until any kernel changes.

Goal
----
The first run after an install compiles the inner loops; every later run loads
them in milliseconds. A kept kernel must never outlive a change in another
kernel that was compiled into it.

Conventions
-----------
Numba looks only at a function's own file to tell whether its kept form is
stale, but that form contains the kernels it calls as well. So the kept forms
stand in a folder named after a digest of every file of this room, and of the
kernel's own where that is another, below
``$XDG_CACHE_HOME`` (XDG Base Directory Specification 0.8), or below the
system's folder for temporary files where that can't be written.

Numba numbers the kept forms of a kernel without looking whether another process
is at it: two that compile at once may leave one's form under the other's name.
So one process at a time reads or writes them.
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numba
from numba import _dynfunc
from numba.core.caching import FunctionCache
from numba.core.compiler import CompilerBase, DefaultPassBuilder
from numba.core.compiler_machinery import register_pass
from numba.core.typed_passes import NativeLowering

try:
    import fcntl
except ImportError:  # not a POSIX system
    fcntl = None  # type: ignore[assignment]

F = TypeVar("F", bound=Callable[..., Any])

_ROOM = Path(__file__).parent
_log = logging.getLogger(__name__)

# Old sets of kept kernels are dropped, but not what another checkout or Python may be using.
_SETS_KEPT = 3
_UNUSED_S = 24 * 3600.0


def kernel(function: F) -> F:
    """Compile `function`, called from Python, at its first call, or load its kept form.

    Other threads go on while it runs.
    """
    before = numba.config.CACHE_DIR
    folder = _folder(Path(function.__code__.co_filename).parent)
    numba.config.CACHE_DIR = str(folder)
    try:
        compiled: Any = numba.njit(
            error_model="numpy", nogil=True, pipeline_class=_CompilerOfWholes
        )(function)
        compiled._cache = _LockedCache(function)
        compiled._cache.folder = folder
    finally:
        numba.config.CACHE_DIR = before
    kept: F = compiled
    return kept


def inner(function: F) -> F:
    """Compile `function` for other kernels alone: it can't be called from Python.

    Without the wrapper for Python, which unpacks every array of the state, it
    compiles several times faster; and it is optimised and made machine code as a
    part of the kernel that calls it, not once more by itself.
    """
    return _for_kernels(function, counts=True)


def noalloc(function: F) -> F:
    """As `inner`, for what makes no arrays of its own: compiled without reference counts.

    At every array passed on or sliced, the count goes up and down by locked
    instructions, which took longer than what a kernel did with a frame.
    """
    return _for_kernels(function, counts=False)


def _for_kernels(function: F, counts: bool) -> F:
    # A kernel inherits from its caller whether it counts references, unless it is told.
    compiled: F = numba.njit(
        no_cpython_wrapper=True,
        no_cfunc_wrapper=True,
        error_model="numpy",
        _nrt=counts,
        pipeline_class=_CompilerForKernels,
    )(function)
    return compiled


@register_pass(mutates_CFG=True, analysis_only=False)
class _LoweringToLink(NativeLowering):  # type: ignore[misc]
    """To LLVM's own form and no further: what calls it links that in.

    Numba would optimise each function with all that it calls, so that what stands ten calls
    deep is optimised ten times: that was a quarter of the time to compile the listener.
    """

    _name = "lowering_to_link"

    def run_pass(self, state: Any) -> bool:
        target = state.targetctx
        library = target.codegen().create_library(state.func_id.func_qualname)
        library.enable_object_caching()
        library._optimize_final_module = lambda: None
        library._finalize_final_module = lambda: setattr(library, "_finalized", True)
        state.library, state.flags.no_compile = library, True
        super().run_pass(state)
        told = state.cr.fndesc
        # Numba knows a function's compiled forms by their entry points: this one leads nowhere.
        entry = _dynfunc.make_function(
            told.lookup_module(), told.qualname, "", 0, state.cr.env, (library,)
        )
        target.insert_user_function(entry, told, [library])
        state.reload_init.extend(library._reload_init)
        state.cr = state.cr._replace(cfunc=entry)
        return True


@register_pass(mutates_CFG=True, analysis_only=False)
class _LoweringWhole(NativeLowering):  # type: ignore[misc]
    """To machine code, with all that was linked in kept to itself.

    LLVM inlines a function that is called once only if nobody outside can call it. Left a call,
    it is handed some fifty numbers for the arrays of `layout.SpectralState` alone, each time.
    """

    _name = "lowering_whole"

    def run_pass(self, state: Any) -> bool:
        library = state.targetctx.codegen().create_library(state.func_id.func_qualname)
        library.enable_object_caching()
        optimise = library._optimize_final_module

        def optimise_as_whole() -> None:
            # Numba makes what it links in "linkonce_odr", as if another module might call it.
            for each in library._final_module.functions:
                if not each.is_declaration and each.linkage.name == "linkonce_odr":
                    each.linkage = "internal"
            optimise()

        library._optimize_final_module = optimise_as_whole
        state.library = library
        return bool(super().run_pass(state))


class _CompilerForKernels(CompilerBase):  # type: ignore[misc]
    lowering = _LoweringToLink

    def define_pipelines(self) -> list[Any]:
        passes = DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes.passes = [
            (self.lowering if step is NativeLowering else step, told)
            for step, told in passes.passes
        ]
        passes.finalize()
        return [passes]


class _CompilerOfWholes(_CompilerForKernels):
    lowering = _LoweringWhole


def digest(room: Path = _ROOM) -> str:
    """Changes whenever any file of this room does, or of the folder `room`."""
    mark = hashlib.sha256()
    for folder in dict.fromkeys((_ROOM, room)):
        for path in sorted(folder.glob("*.py")):
            mark.update(path.name.encode() + b"\0" + path.read_bytes())
    return mark.hexdigest()[:16]


class _LockedCache(FunctionCache):  # type: ignore[misc]
    """Kept forms that one process at a time reads or writes."""

    folder: Path

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        with _lock(self.folder):
            kept = super().load_overload(sig, target_context)
        if kept is None:
            _tell_of_compiling()
        return kept

    def save_overload(self, sig: Any, data: Any) -> None:
        # What was linked in was never loaded by itself, so its constants are told here.
        for env in data._find_referenced_environments():
            data.codegen.set_env(env.env_name, env)
        with _lock(self.folder):
            super().save_overload(sig, data)


@cache
def _tell_of_compiling() -> None:
    """Once a process, however many kernels have no kept form."""
    _log.info("compiling inner loops, once after an install or update: up to a minute")


@contextmanager
def _lock(folder: Path) -> Iterator[None]:
    """Keep other processes from the kept forms meanwhile, where the system can."""
    if fcntl is None:
        yield
        return
    # Whoever tidies the cache of a program that runs must not stop it.
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


@cache
def _folder(room: Path = _ROOM) -> Path:
    home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    name = f"kernels-{digest(room)}"
    for root in (Path(home) / "callresp", Path(tempfile.gettempdir()) / "callresp"):
        try:
            folder = root / name
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                os.utime(folder)
                _forget_old(root)
                return folder
        except OSError:
            continue
    return Path(tempfile.mkdtemp(prefix="callresp-"))


def _forget_old(root: Path) -> None:
    """Drop all but the newest few sets of kept kernels, if no program began with them today."""
    sets = sorted((path.stat().st_mtime, path) for path in root.glob("kernels-*"))
    for used_s, old in sets[:-_SETS_KEPT]:
        if used_s < time.time() - _UNUSED_S:
            shutil.rmtree(old, ignore_errors=True)
