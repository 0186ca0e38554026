"""How inner loops are compiled, where what was compiled is kept, and saying that it takes a while.

By numba on first use, kept in a folder named after all sources of the package that the loop is in:
a cached function holds what it calls from other files too, so that none may be older than any of
them. The folder is the user's, so that the same program installed again, or elsewhere, finds it.
Where no folder can be written, loops are compiled anew in each process.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Callable
from functools import cache
from hashlib import sha256
from pathlib import Path
from shutil import rmtree
from typing import Any, TypeVar

__all__ = ["bare", "bare_reordered", "cache_folder", "compiled", "reordered", "tell"]

F = TypeVar("F", bound=Callable[..., Any])

PREFIX = "loops-"
_UNUSED_S = 90 * 86_400.0
_DATE_S = 1_000_000_000  # numba asks for the date of a source
_ALWAYS: dict[str, Any] = {"error_model": "numpy", "no_cfunc_wrapper": True}
_REORDERED = {"reassoc", "contract", "nsz", "arcp"}

# What LLVM is asked to do: more takes longer and does not make these loops faster.
_EFFORT = {"OPT": 1, "LOOP_VECTORIZE": 0, "SLP_VECTORIZE": 0}

_say: list[Callable[[str], None]] = []
_said: list[bool] = []
_ours: set[Callable[..., Any]] = set()


def tell(say: Callable[[str], None]) -> None:
    """Have `say` called with a line before loops are compiled; once in a process."""
    _say[:] = [say]


def compiled(function: F) -> F:
    """Compile a function when it is first called; division by zero does as in numpy."""
    return _compiled(function, {})


def bare(function: F) -> F:
    """Compile a function that makes no arrays, without counting who holds them: sooner done."""
    return _compiled(function, {"_nrt": False})


def bare_reordered(function: F) -> F:
    """Compile a function that makes no arrays and the sums of which may be reordered."""
    return _compiled(function, {"_nrt": False, "fastmath": _REORDERED})


def reordered(function: F) -> F:
    """Compile a function the sums of which may be reordered; NaN stays NaN."""
    return _compiled(function, {"fastmath": _REORDERED})


def _compiled(function: F, options: dict[str, Any]) -> F:
    import numba
    import numba.core.config

    _listen()
    _ours.add(function)
    source = Path(function.__code__.co_filename)
    folder = cache_folder(source.parent, function.__module__.rpartition(".")[0])
    if folder is not None:
        # numba files what it compiled under the path of the source: here that of a copy beside it.
        copied = str(folder / source.name)
        function.__code__ = function.__code__.replace(co_filename=copied)
    config: Any = numba.core.config
    before = config.CACHE_DIR
    config.CACHE_DIR = "" if folder is None else str(folder)
    try:
        made: F = numba.njit(cache=folder is not None, **_ALWAYS, **options)(function)
    finally:
        config.CACHE_DIR = before
    return made


@cache
def cache_folder(package: Path, name: str) -> Path | None:
    """Return the folder that a package's compiled loops are kept in, made if need be.

    name: of the package, as it is imported. In numba's own NUMBA_CACHE_DIR where that is set, or
    else in the user's cache, or beside the sources. It holds copies of the sources. None when none
    can be written.
    """
    import numba
    import numba.core.config

    config: Any = numba.core.config
    contents = {path.name: path.read_bytes() for path in sorted(package.glob("*.py"))}
    sources = sha256(f"{numba.__version__} {name} ".encode() + Path(__file__).read_bytes())
    for file, content in contents.items():
        sources.update(f"{file} {len(content)} ".encode() + content)
    home = os.environ.get("XDG_CACHE_HOME") or str(Path("~").expanduser() / ".cache")
    places = [Path(home) / "adapt", package / "__pycache__"]
    for place in [Path(config.CACHE_DIR)] if config.CACHE_DIR else places:
        folder = place / f"{PREFIX}{sources.hexdigest()[:16]}"
        try:
            if not folder.is_dir():
                folder.mkdir(parents=True, exist_ok=True)
                _clear_old(place)
            for file, content in contents.items():
                _copy(folder / file, content)
            os.utime(folder)  # in use
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    return None


def _copy(path: Path, content: bytes) -> None:
    """Put a file in place whole, unless it is there; its date is always the same."""
    if path.exists():
        return
    handle, part = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
    os.utime(part, (_DATE_S, _DATE_S))
    Path(part).replace(path)


def _clear_old(place: Path) -> None:
    """Remove folders of sources that nobody has used for long."""
    for other in place.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):  # somebody else may be removing it
            if time.time() - other.stat().st_mtime > _UNUSED_S:
                rmtree(other, ignore_errors=True)


@cache
def _listen() -> None:
    import numba.core.config
    from numba.core import event

    config: Any = numba.core.config
    before: list[tuple[Any, ...]] = []

    class Compiling(event.Listener):
        """Says so when loops are about to be compiled, and has it done with `_EFFORT`."""

        def on_start(self, event: Any) -> None:
            ours = event.data["dispatcher"].py_func in _ours
            if ours and not _said and _say:
                _said.append(True)
                _say[0](
                    "preparing the inner loops; this is done once after installing and takes up "
                    "to a minute"
                )
            # What one function calls is compiled in the middle of it: each gives back what it met.
            before.append(tuple(getattr(config, name) for name in _EFFORT))
            if ours:
                for name, value in _EFFORT.items():
                    setattr(config, name, value)

        def on_end(self, event: Any) -> None:
            for name, value in zip(_EFFORT, before.pop(), strict=True):
                setattr(config, name, value)

    event.register("numba:compile", Compiling())  # type: ignore[no-untyped-call]
