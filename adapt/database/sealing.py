"""What seals a change: digests of its rows, told as every database stores them.

Damage is told by them (`verifying`). They must not depend on the version of anything.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from hashlib import blake2b
from numbers import Integral
from typing import Any

__all__ = ["Seal", "as_stored", "digest_of", "digest_of_content", "sealed", "storable"]


class Seal:
    """The digest of a change: of its own line, and of the rows it added, table by table.

    Rows are told as they are stored, in the order of their numbers.
    """

    def __init__(self) -> None:
        self._of: dict[str, Any] = {}
        self.counts: dict[str, int] = {}

    def take(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Take in rows of a table: their values in the order of its columns."""
        found = self._of.setdefault(table, blake2b(digest_size=16))
        # Not `repr`: which letters it writes as they are depends on the version of Python.
        found.update("".join(map(ascii, rows)).encode("ascii"))
        self.counts[table] = self.counts.get(table, 0) + len(rows)

    def digests(self) -> dict[str, str]:
        """Return the digest of each table's rows."""
        return {table: found.hexdigest() for table, found in sorted(self._of.items())}

    def close(self, line: Sequence[object], before: str) -> tuple[str, str, str]:
        """Return what is stored: the counts and digests of the tables as JSON, and the digest.

        line: the change's own values; before: the digest of the change above.
        """
        counts = json.dumps(self.counts, sort_keys=True)
        digests = json.dumps(self.digests())
        return counts, digests, sealed(line, before, counts, digests)


def sealed(line: Sequence[object], before: str, counts: str, digests: str) -> str:
    """Return the digest of a change, which holds all of it and all changes above together."""
    told = ascii((before, *line, counts, digests)).encode("ascii")
    return blake2b(told, digest_size=32).hexdigest()


def digest_of(name: str) -> bytes:
    """Return the digest by which a name is found, 16 bytes."""
    return blake2b(name.encode("utf-8", "surrogatepass"), digest_size=16).digest()


def digest_of_content(content: bytes) -> str:
    """Return the digest of what is kept byte for byte: BLAKE2b, 32 bytes, in hexadecimal."""
    return blake2b(content, digest_size=32).hexdigest()


def storable(text: str) -> str:
    r"""Return a text as every database can keep it: what is no letter is written as its number.

    >>> storable("MR-9\x00"), storable("file \udcff")
    ('MR-9\\x00', 'file \\udcff')
    """
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")


def as_stored(value: object) -> object:
    """Return a value as it comes back from a database, so that the seal is of what is stored."""
    if value is None or type(value) in (int, bytes):
        return value
    if isinstance(value, str):
        return storable(value)
    return int(value) if isinstance(value, Integral) else str(value)
