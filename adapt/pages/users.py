"""Who may log in to pages: a file of names with what their passwords are checked against."""

from __future__ import annotations

import json
import stat
import time
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

from werkzeug.security import check_password_hash, generate_password_hash

from adapt.files import write_whole
from adapt.problems import BadInput, shown

__all__ = ["SHORTEST_PASSWORD", "Users", "add_user", "read_users"]

SHORTEST_PASSWORD = 10
TRIES, WAIT_S = 5, 60.0  # wrong passwords for a name in so many seconds, before it must wait
_MOST_NAMES = 10_000
# Checked where a name is not known, so that the time an answer takes does not tell names.
_NOBODY = generate_password_hash("nobody")


@dataclass(frozen=True)
class Users:
    """Names with the hashes of their passwords. wrong: when wrong passwords came, by name."""

    hashes: dict[str, str]
    wrong: dict[str, list[float]] = field(default_factory=dict, compare=False)

    def waits(self, name: str) -> bool:
        """Return whether so many wrong passwords came for a name that it must wait."""
        since = time.monotonic() - WAIT_S
        recent = [t for t in self.wrong.get(name, []) if t > since]
        self.wrong[name] = recent
        if len(self.wrong) > _MOST_NAMES:
            self.wrong.clear()
        return len(recent) >= TRIES

    def has(self, name: str) -> bool:
        """Return whether somebody of this name may log in."""
        return name in self.hashes

    def right(self, name: str, password: str) -> bool:
        """Return whether a password is that of a name."""
        right = check_password_hash(self.hashes.get(name, _NOBODY), password) and self.has(name)
        if not right:
            self.wrong.setdefault(name, []).append(time.monotonic())
        return right


def read_users(path: str | PathLike[str]) -> Users:
    """Read the file of users. Raises BadInput where it cannot be read, or others may write it."""
    try:
        text = Path(path).read_text(encoding="utf-8")
        mode = Path(path).stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            f"{shown(str(path))} cannot be read ({reason}); 'adapt pages BOOK --users FILE "
            "--add-user NAME' makes it"
        ) from None
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise BadInput(
            f"{shown(str(path))}: found that others of this machine may read or write it; expected "
            "a file of your own alone (chmod 600)"
        )
    try:
        hashes = json.loads(text)["users"]
        if not isinstance(hashes, dict) or not all(
            isinstance(k, str) and isinstance(v, str) for k, v in hashes.items()
        ):
            raise ValueError
    except (ValueError, KeyError, TypeError):
        raise BadInput(f"{shown(str(path))}: found something else than a file of users") from None
    return Users(hashes)


def add_user(path: str | PathLike[str], name: str, password: str) -> bool:
    """Add a user to a file, or give a new password; return whether the name is new.

    Raises BadInput for a name or password that will not do, AdaptError where it cannot be written.
    """
    wrong = []
    if not name.strip() or name != name.strip() or not name.isprintable() or len(name) > 100:
        wrong.append(f"name: found {shown(name)}; expected the name of a person")
    if len(password) < SHORTEST_PASSWORD:
        wrong.append(
            f"password: found {len(password)} characters; expected at least {SHORTEST_PASSWORD}"
        )
    if wrong:
        raise BadInput("\n".join(wrong))
    place = Path(path)
    hashes = dict(read_users(place).hashes) if place.exists() else {}
    new = name not in hashes
    hashes[name] = generate_password_hash(password)
    if not place.exists():
        place.touch(mode=0o600)
    write_whole(place, json.dumps({"users": hashes}, indent=2, ensure_ascii=False) + "\n")
    return new
