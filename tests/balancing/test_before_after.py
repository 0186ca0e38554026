"""Tables of readings before and after: pairs, scatter, moves between, and what is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from set_ups import rotor, written

from adapt.balancing.setup.before_after import read_before_after
from adapt.chart import read_chart
from adapt.phasor import to_complex
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor

BEFORE = """sensor,regime,amplitude,clock
cabin lateral,hover,0.30,4:20
mast radial,hover,0.20,12:00
mast radial,90 kt,0.20,12:00
both,hover,0.1,3:00
"""
AFTER = """sensor,regime,amplitude [ips],phase_deg
mast radial,hover,0.21,91
cabin lateral,hover,0.29,220
both,hover,0.1,180
cabin lateral,90 kt,0.29,220
"""


def both(tmp_path: Path, before: str = BEFORE, after: str = AFTER) -> tuple[Path, Path]:
    return written(tmp_path, "before.csv", before), written(tmp_path, "after.csv", after)


def test_readings_are_paired_by_sensor_and_regime(tmp_path: Path) -> None:
    read = read_before_after(*both(tmp_path), rotor())
    # The reading made of others is said by its parts already.
    assert read.pairs.sensors == ("cabin lateral", "mast radial")
    assert read.pairs.regimes == ("hover", "hover")
    np.testing.assert_allclose(read.before, to_complex([0.3, 0.2], [130.0, 0.0]))
    np.testing.assert_allclose(read.pairs.after, to_complex([0.29, 0.21], [220.0, 91.0]))
    np.testing.assert_array_equal(read.pairs.expected, read.before)
    assert read.alone == (("cabin lateral", "90 kt"), ("mast radial", "90 kt"))


def test_the_scatter_of_a_difference_is_two_readings_and_one_run_to_run_change(
    tmp_path: Path,
) -> None:
    read = read_before_after(*both(tmp_path), rotor())
    np.testing.assert_allclose(read.pairs.sd, np.sqrt(2 * 0.01**2 + 0.01**2))
    given = read_before_after(*both(tmp_path), rotor(), scatter=0.03)
    np.testing.assert_allclose(given.pairs.sd, 0.03 * np.sqrt(2.0))


def test_lead_is_taken_as_lag(tmp_path: Path) -> None:
    read = read_before_after(*both(tmp_path), rotor(phase="lead"))
    np.testing.assert_allclose(read.before, to_complex([0.3, 0.2], [-130.0, 0.0]))


def test_moves_between_are_expected_by_the_chart(tmp_path: Path) -> None:
    chart = read_chart(written(tmp_path, "chart.csv", (
        "sensor,regime,adjuster,amplitude,clock,spread\n"
        "cabin lateral,hover,hub weight,0.002,3:00,0.0003\n"
        "mast radial,hover,hub weight,0.001,6:00,0.0001\n"
    )), rotor())  # fmt: skip
    amounts = np.array([[0.0], [40.0], [0.0], [0.0]])  # on B, a quarter turn later
    read = read_before_after(*both(tmp_path), rotor(), None, amounts, chart)
    moved = to_complex([0.08, 0.04], [180.0, 270.0])
    np.testing.assert_allclose(read.pairs.expected, read.before + moved, atol=1e-15)
    wanted = np.sqrt(3e-4 + np.array([0.012, 0.004]) ** 2)
    np.testing.assert_allclose(read.pairs.sd, wanted)


def test_a_move_that_the_chart_does_not_know_is_refused(tmp_path: Path) -> None:
    chart = read_chart(written(tmp_path, "chart.csv", (
        "sensor,regime,adjuster,amplitude,clock\ncabin lateral,hover,hub weight,0.002,3:00\n"
    )), rotor())  # fmt: skip
    with pytest.raises(CannotBeMet, match="hub weight at mast radial in hover"):
        read_before_after(*both(tmp_path), rotor(), None, np.array([[1.0], [0], [0], [0]]), chart)


def test_problems_of_both_tables_are_told_at_once(tmp_path: Path) -> None:
    before = BEFORE.replace("4:20", "4:99").replace("both,hover,0.1", "both,hover,x")
    after = AFTER.replace("mast radial,hover", "mast radal,hover").replace("90 kt", "hover")
    with pytest.raises(BadInput) as caught:
        read_before_after(*both(tmp_path, before, after), rotor())
    told = [(Path(p.file).name, p.row, p.column) for p in caught.value.problems]
    assert sorted(told) == [("after.csv", 2, "sensor"), ("after.csv", 5, "sensor"),
                            ("before.csv", 2, "clock"), ("before.csv", 5, "amplitude")]  # fmt: skip


def test_nothing_in_both_tables_is_said(tmp_path: Path) -> None:
    after = "sensor,regime,amplitude,clock\ncabin lateral,90 kt,0.3,4:20\n"
    with pytest.raises(CannotBeMet, match="nothing can be compared"):
        read_before_after(*both(tmp_path, after=after), rotor())


def test_a_scatter_that_nobody_gave_is_asked_for(tmp_path: Path) -> None:
    plain = rotor()
    sensors = (replace(plain.sensors[0], run_to_run_sd=None), *plain.sensors[1:])
    without: Rotor = replace(plain, sensors=sensors)
    with pytest.raises(BadInput, match="gives no run_to_run_sd"):
        read_before_after(*both(tmp_path), without)
    assert read_before_after(*both(tmp_path), without, scatter=0.01).pairs.sd.shape == (2,)
