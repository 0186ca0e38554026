"""The chart file: what it says, what it may leave out, and what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_log import ROTOR, vars_of

import adapt
from adapt.chart import Chart, write_chart
from adapt.problems import BadInput
from adapt.rotor import Rotor, Sensor

SOUND = """sensor,regime,adjuster,amplitude,clock,spread,height
lateral,hover,hub weight,0.002,4:20,,
lateral,hover,pitch link,0.05,1:00,0.002,
vertical,hover,hub weight,0.001,3:00,,
,hover,pitch link,,,,4.0
"""


def read(tmp_path: Path, text: str, rotor: Rotor = ROTOR) -> Chart:
    file = tmp_path / "chart.csv"
    file.write_text(text, encoding="utf-8")
    return adapt.read_chart(file, rotor)


def test_rows_are_effects_on_the_first_blade_with_their_spread(tmp_path: Path) -> None:
    chart = read(tmp_path, SOUND)
    assert chart.mean[0, 0] == pytest.approx(0.002 * np.exp(1j * np.deg2rad(130.0)))
    assert chart.sd[0, 0] == pytest.approx(0.25 * 0.002)
    assert chart.sd[0, 1] == pytest.approx(0.002)
    # the vertical instrument shows lead
    assert chart.mean[2, 0] == pytest.approx(-0.001j, abs=1e-15)


def test_a_spread_of_nothing_is_used_and_doubted(tmp_path: Path) -> None:
    assert read(tmp_path, SOUND).doubts == ()
    exact = SOUND.replace("1:00,0.002,", "1:00,0,").replace(
        "pitch link,,,,4.0", "pitch link,,,0,4.0"
    )
    chart = read(tmp_path, exact)
    assert [(d.row, d.column) for d in chart.doubts] == [(3, "spread"), (5, "spread")]
    assert chart.sd[0, 1] == 0.0


def test_a_missing_row_is_unknown_and_a_missing_track_row_no_effect(tmp_path: Path) -> None:
    chart = read(tmp_path, SOUND)
    assert np.isnan(chart.mean[1]).all()
    assert chart.track_mean[0].tolist() == [0.0, 4.0]
    assert chart.track_mean[1].tolist() == [0.0, 0.0]
    assert chart.track_sd[0, 1] == pytest.approx(1.0)
    assert chart.track_sd[0, 0] == 0.0


def test_an_effect_of_zero_is_small_and_not_certain(tmp_path: Path) -> None:
    """As doubtful as the adjuster's others at that sensor, or as the least of the others' there."""
    zero = """sensor,regime,adjuster,amplitude,clock,spread,height
lateral,hover,hub weight,0.002,4:20,,
lateral,120 kt,hub weight,0,,,
lateral,hover,pitch link,0,,,
vertical,hover,hub weight,0,,0.003,
"""
    chart = read(tmp_path, zero)
    step = [a.step for a in ROTOR.adjusters]
    assert chart.mean[1, 0] == 0.0
    assert chart.sd[1, 0] == pytest.approx(0.25 * 0.002)
    assert chart.sd[0, 1] == pytest.approx(0.25 * 0.002 * step[0] / step[1])
    assert chart.sd[2, 0] == pytest.approx(0.003)


def test_a_combination_without_rows_follows_from_its_parts(tmp_path: Path) -> None:
    roll = Sensor("roll", "ips", combination={"lateral": 0.5, "vertical": -0.5})
    rotor = Rotor(**{**vars_of(ROTOR), "sensors": (*ROTOR.sensors, roll)})
    chart = read(tmp_path, SOUND, rotor)
    at = rotor.channels.index(("roll", "hover"))
    assert chart.mean[at, 0] == pytest.approx(0.5 * chart.mean[0, 0] - 0.5 * chart.mean[2, 0])
    assert chart.sd[at, 0] == pytest.approx(0.5 * np.hypot(chart.sd[0, 0], chart.sd[2, 0]))


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("latteral,hover,hub weight,0.002,4:20,,", "latteral"),
        ("lateral,hover,hub wait,0.002,4:20,,", "hub wait"),
        ("lateral,hover,hub weight,0.003,4:20,,", "hub weight"),  # a second row of the same
        ("lateral,120 kt,hub weight,-1,4:20,,", "-1"),
        ("lateral,120 kt,hub weight,0.002,14:20,,", "14:20"),
        ("lateral,120 kt,hub weight,0.002,4:20,-1,", "-1"),
        (",120 kt,pitch link,,,,high", "high"),
        (",120 kt,pitch link,,,,", "height"),
    ],
)
def test_what_is_wrong_is_named_with_its_row(tmp_path: Path, row: str, said: str) -> None:
    with pytest.raises(BadInput, match=said) as wrong:
        read(tmp_path, SOUND + row + "\n")
    assert {p.row for p in wrong.value.problems} == {6}


def test_another_unit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="mm/s"):
        read(tmp_path, SOUND.replace("amplitude", "amplitude [mm/s]"))


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(1e-6, 10.0), st.floats(0.0, 359.999), st.floats(1e-6, 1.0)),
        min_size=8, max_size=8,
    ),
    st.lists(st.floats(-50.0, 50.0), min_size=4, max_size=4),
)  # fmt: skip
def test_writing_and_reading_gives_the_chart_again(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[float, float, float]],
    heights: list[float],
) -> None:
    mean = np.array([a * np.exp(1j * np.deg2rad(p)) for a, p, _ in rows]).reshape(4, 2)
    sd = np.array([s for _, _, s in rows]).reshape(4, 2)
    track = np.array(heights).reshape(2, 2)
    chart = Chart(mean, sd, track, np.where(track != 0, 0.1, 0.0))
    file = tmp_path_factory.mktemp("chart") / "chart.csv"
    write_chart(chart, ROTOR, file)
    again = adapt.read_chart(file, ROTOR)
    assert again.mean == pytest.approx(mean, rel=1e-12, abs=1e-15)
    assert again.sd == pytest.approx(sd, rel=1e-12)
    assert again.track_mean == pytest.approx(track, rel=1e-12)
