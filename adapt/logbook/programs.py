"""The versions of all that makes numbers here: this program, its libraries, Python, the machine."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version

import adapt

__all__ = ["changed_programs", "programs_now"]

LIBRARIES = ("numpy", "scipy", "numba", "pandas")


def programs_now() -> dict[str, str]:
    """Return the versions of this program, of the libraries that it computes with, and so on.

    >>> sorted(programs_now())
    ['adapt', 'machine', 'numba', 'numpy', 'pandas', 'python', 'scipy', 'system']
    """
    found = {"adapt": adapt.__version__}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not known"
    found["python"] = platform.python_version()
    found["system"] = platform.platform()
    found["machine"] = platform.machine()
    return found


def changed_programs(then: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Return what has another version than it had: its name, the version then, and now.

    >>> changed_programs({**programs_now(), "numpy": "1.0"})[0][:2]
    ('numpy', '1.0')
    """
    now = programs_now()
    return [
        (name, then.get(name, "not known"), now.get(name, "not known"))
        for name in dict.fromkeys((*now, *then))
        if then.get(name) != now.get(name)
    ]
