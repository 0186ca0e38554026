"""How long the commands take to answer before they do any work.

    python studies/startup.py

Times `adapt --help` against an interpreter that does nothing, best of several starts of each.
"""

from __future__ import annotations

import subprocess
import sys
import time

from asking import ended

STARTS = 7


def best_seconds(*arguments: str) -> float:
    """Return the shortest of several starts of this interpreter [s]."""

    def once() -> float:
        started = time.perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
        return time.perf_counter() - started

    return min(once() for _ in range(STARTS))


def main() -> None:
    """Print both times and their ratio."""
    nothing = best_seconds("-c", "pass")
    answer = best_seconds("-m", "adapt", "--help")
    print(f"python -c pass   {nothing:.3f} s")
    print(f"adapt --help     {answer:.3f} s   ({answer / nothing:.1f} times)")


if __name__ == "__main__":
    ended(main)
