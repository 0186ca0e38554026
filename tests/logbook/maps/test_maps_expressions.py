"""Expressions of a map end in bounded time, whatever they are looked for in."""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapt.logbook.maps.expressions import expression
from adapt.problems import BadInput

SLOW = [(r"(a|aa)+$", "a" * 45 + "b"), (r"(.*?,){15}P", ",".join("1" * 300))]


@pytest.mark.parametrize(("pattern", "text"), SLOW)
def test_an_expression_that_takes_too_long_is_refused_with_its_text(
    pattern: str, text: str
) -> None:
    begun = time.process_time()
    with pytest.raises(BadInput) as refused:
        expression(pattern, "recorder.toml").found_in(text)
    assert time.process_time() - begun < 5
    assert pattern in str(refused.value)
    assert "recorder.toml" in str(refused.value)
    assert text[:20] in str(refused.value)


def test_one_that_takes_long_to_be_read_is_refused() -> None:
    with pytest.raises(ValueError, match="10,000,000 times"):
        expression("((a{9999}){9999})", "recorder.toml")


@given(
    st.sampled_from(
        [r"run(\d+)", r"(J-\d+)", r"Order ([^\s,]+)", r"(\w+)$", r"(?i)ab(c)?", "(é+)"]
    ),
    st.text(alphabet="JOrunabcé-12 ,\n", max_size=30),
)
def test_what_is_found_is_what_python_finds(pattern: str, text: str) -> None:
    found = re.search(pattern, text)
    expected = None if found is None else (found[0], found[1] or "")
    assert expression(pattern, "recorder.toml").found_in(text) == expected
