"""Clock angles as the trade uses them: common practice, no source.

An hour of clock is 30 deg and a minute of clock half a degree, counted with the direction of
rotation from the phase reference, 12:00 being no lag at all.
"""

from __future__ import annotations

import pytest

from adapt.phasor import clock_text, clock_to_deg


@pytest.mark.parametrize(
    ("clock", "degrees"),
    [
        ("12:00", 0),
        ("1:00", 30),
        ("3:00", 90),
        ("6:00", 180),
        ("9:00", 270),
        ("11:00", 330),
        ("12:01", 0.5),
        ("12:30", 15),
        ("0:30", 15),
        ("4:20", 130),
        ("10:15", 307.5),
        ("11:59", 359.5),
    ],
)
def test_clock_angles_of_common_practice(clock, degrees):
    assert clock_to_deg(clock) == degrees
    shown = clock if not clock.startswith("0:") else "12" + clock[1:]
    assert clock_text(degrees) == shown
