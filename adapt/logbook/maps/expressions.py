"""Regular expressions of a map, each looked for in bounded time.

Some expressions take longer than anybody waits on a text that does not fit them; which ones cannot
be told from how they look. How a map says them stands in `entries`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import regex

from adapt.problems import BadInput, Problem, shown

__all__ = ["LONGEST_S", "Expression", "expression"]

LONGEST_S = 1.0  # [s] of the processor, for one text; usual ones take microseconds
MOST_REPEATED = 10_000_000  # of counts in braces, multiplied: more take long even to be read
_COUNTS = re.compile(r"\{(\d*)(?:,(\d*))?\}", re.ASCII)


@dataclass(frozen=True)
class Expression:
    """An expression of a map. file: the map's, for messages; groups: how many it has."""

    text: str
    file: str
    groups: int

    def found_in(self, text: str) -> tuple[str, ...] | None:
        r"""Return what is found of it in a text, then each of its groups; None where nothing is.

        A group that took no part is "". Raises BadInput when looking takes longer than `LONGEST_S`.

        >>> expression(r"(J-\d+)", "a.toml").found_in("order J-014, fan")
        ('J-014', 'J-014')
        """
        try:
            match = regex.search(self.text, text, flags=regex.VERSION0, timeout=LONGEST_S)
        except TimeoutError:
            found = f"the expression {shown(self.text)}, still being looked for in {shown(text)} "
            expected = (
                "an expression that is soon done: without a repetition of what can itself be "
                "repeated or read in two ways, as in (a|aa)+ or (.*,)+"
            )
            problem = Problem(
                "fault", self.file, None, None, f"{found}after {LONGEST_S:g} s", expected
            )
            raise BadInput([problem]) from None
        return None if match is None else tuple(g or "" for g in (match[0], *match.groups()))


def expression(text: str, file: str) -> Expression:
    """Return an expression as Python's `re` writes them. Raises ValueError, with why, for others.

    >>> expression("(", "a.toml")
    Traceback (most recent call last):
    ValueError: missing ), unterminated subpattern at position 0
    """
    counts = [int(most or least or 1) for least, most in _COUNTS.findall(text)]
    if math.prod(max(n, 1) for n in counts) > MOST_REPEATED:
        raise ValueError(f"repeated more than {MOST_REPEATED:,} times in all")
    try:
        groups = re.compile(text).groups
        if regex.compile(text, regex.VERSION0).groups != groups:
            raise ValueError("not read alike by all readers of such expressions")
    except (re.error, regex.error, TypeError, RecursionError, OverflowError) as error:
        raise ValueError(str(error)) from None
    return Expression(text, file, groups)
