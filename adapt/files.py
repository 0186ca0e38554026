"""Writing a file whole or not at all. What stands in a file is the business of its writer."""

from __future__ import annotations

import contextlib
import os
import tempfile
from os import PathLike
from pathlib import Path

from adapt.problems import AdaptError

__all__ = ["kept_back", "write_whole"]


def write_whole(path: str | PathLike[str], content: str | bytes) -> None:
    """Write a file so that a reader sees the old content or the new, never a part of it.

    content: text (written as UTF-8, line ends as they are) or bytes. The new content goes into a
    file beside it, reaches the disk, and then takes the name in one step. A link is followed, the
    permissions of a file that was there are kept. Raises AdaptError when it cannot be written; the
    old file then stands as it was.
    """
    target = Path(path)
    try:
        target = Path(os.path.realpath(target))
        if target.exists() and not (target.is_file() or target.is_dir()):
            # A device or a pipe would be taken away, and a file put in its place.
            raise ValueError("it is no ordinary file")
        data = content.encode("utf-8") if isinstance(content, str) else content
        handle, name = tempfile.mkstemp(
            prefix=f".{target.name[:100]}.", suffix=".part", dir=target.parent
        )
    except (OSError, ValueError) as error:
        raise _cannot(path, error) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(_mode(target))
        temporary.replace(target)
    except OSError as error:
        raise _cannot(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
    _sync_folder(target.parent)


def kept_back() -> int:
    """Return the permissions that new files and folders are not given (the user's umask)."""
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot(path: str | PathLike[str], error: Exception) -> AdaptError:
    reason = getattr(error, "strerror", None) or str(error)
    return AdaptError(f"{os.fspath(path)!r} cannot be written ({reason}); nothing was changed")


def _mode(target: Path) -> int:
    """Return the permissions that the file has, or that a new file would get."""
    with contextlib.suppress(OSError):
        return target.stat().st_mode & 0o7777
    return 0o666 & ~kept_back()


def _sync_folder(folder: Path) -> None:
    """Let the new name reach the disk too, where the system can do that for a folder."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
