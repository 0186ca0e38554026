"""Tables and charts turned between set-ups: round trips, what is left alone, refusals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from set_ups import rotor, setup, written

from adapt.balancing.setup import Mount, Turn, chart_here, table_on_chart, turns_between
from adapt.balancing.setup.converting import write_turned
from adapt.chart import Chart, read_chart, write_chart
from adapt.phasor import to_complex
from adapt.problems import BadInput, CannotBeMet
from adapt.tables import read_table

LATERAL = Mount("cabin lateral", "floor", "left")
RADIAL = Mount("mast radial", "collar", "outwards", 90.0)
HERE = setup(lateral=LATERAL, radial=RADIAL)
CHART = setup("chart", angle=270.0, lateral=replace(LATERAL, phase="lead", lag_deg=7.0),
              radial=RADIAL)  # fmt: skip
TURNS = turns_between(rotor(), HERE, CHART)

TABLE = """job,run,regime,sensor,Amplitude [ips],clock,excluded,note
J-1,1,hover,cabin lateral,0.30,4:20,,"a, b"
J-1,1,90 kt,mast radial,0.20,12:00,,
J-1,1,hover,mast radial,,,,not read
J-1,1,90 kt,cabin lateral,0.1,??,cable came off,
J-2,1,hover,cabin lateral,0.30,4:20,,
"""


def cells(path: Path) -> dict[str, list[str]]:
    table = read_table(path)
    return {name: list(table.text(name)) for name in table.columns}


def test_phases_are_turned_and_every_other_cell_is_left(tmp_path: Path) -> None:
    source = written(tmp_path, "readings.csv", TABLE)
    turned = table_on_chart(source, rotor(), TURNS, ["J-1"])
    write_turned(turned, tmp_path / "out.csv")
    before, after = cells(source), cells(tmp_path / "out.csv")
    assert after.pop("clock") == ["10:26", "9:00", "", "??", "4:20"]
    assert after.pop("phase_deg") == ["313.0", "270.0", "", "", ""]
    before.pop("clock")
    assert after == before
    assert turned.turned == 2
    assert turned.mirrored == ("cabin lateral",)
    assert "amplitude [ips]" in turned.header


def test_without_jobs_all_rows_are_turned(tmp_path: Path) -> None:
    turned = table_on_chart(written(tmp_path, "readings.csv", TABLE), rotor(), TURNS)
    assert turned.turned == 3


def test_a_decimal_comma_is_written_as_a_point(tmp_path: Path) -> None:
    text = "regime;sensor;amplitude;phase_deg\nhover;mast radial;1,234;30,5\n"
    turned = table_on_chart(written(tmp_path, "readings.csv", text), rotor(), TURNS)
    write_turned(turned, tmp_path / "out.csv")
    assert cells(tmp_path / "out.csv")["amplitude"] == ["1.234"]
    assert cells(tmp_path / "out.csv")["phase_deg"] == ["300.5"]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(st.lists(st.floats(0.0, 359.99), min_size=1, max_size=5), st.floats(-180.0, 180.0),
       st.booleans())  # fmt: skip
def test_a_table_there_and_back_is_the_same_table(
    tmp_path: Path, phases: list[float], turn: float, mirrors: bool
) -> None:
    there = Turn("cabin lateral", 1, turn, phase_to="lead" if mirrors else "lag")
    rows = "".join(f"hover,cabin lateral,0.2,{p!r}\n" for p in phases)
    source = written(tmp_path, "one.csv", "regime,sensor,amplitude,phase_deg\n" + rows)
    names = ("cabin lateral", "mast radial", "both")
    write_turned(table_on_chart(source, rotor(), dict.fromkeys(names, there)), tmp_path / "two.csv")
    write_turned(
        table_on_chart(tmp_path / "two.csv", rotor(), dict.fromkeys(names, there.back())),
        tmp_path / "three.csv",
    )
    back = [float(x) for x in cells(tmp_path / "three.csv")["phase_deg"]]
    apart = (np.array(back) - np.array(phases) + 180.0) % 360.0 - 180.0
    assert np.abs(apart).max() < 1e-9


def test_a_wrong_table_is_refused_with_every_problem(tmp_path: Path) -> None:
    text = "job,regime,sensor,amplitude,clock\nJ-1,hover,cabin latral,-1,25:00\nJ-1,hover,both,1,\n"
    with pytest.raises(BadInput) as caught:
        table_on_chart(written(tmp_path, "readings.csv", text), rotor(), TURNS, ["J-1", "J-9"])
    columns = [p.column for p in caught.value.problems]
    assert sorted(map(str, columns)) == ["amplitude", "clock", "clock", "job", "sensor"]
    with pytest.raises(BadInput, match="no such column"):
        table_on_chart(written(tmp_path, "r.csv", "sensor,amplitude\nboth,1\n"), rotor(), TURNS)


def test_a_table_with_a_reading_that_cannot_be_turned_is_not_turned(tmp_path: Path) -> None:
    source = written(tmp_path, "readings.csv", "sensor,amplitude,clock\nboth,1,3:00\n")
    with pytest.raises(CannotBeMet, match="both: the sensors that it is made of"):
        table_on_chart(source, rotor(), TURNS)


def chart_of(values: dict[tuple[str, str], complex]) -> Chart:
    r = rotor()
    mean = np.array([[values.get(c, np.nan)] for c in r.channels], dtype=complex)
    nothing = np.zeros((2, 1))
    return Chart(mean, np.abs(mean) / 4, nothing, nothing, "chart.csv")


def test_a_chart_for_here_predicts_here_what_the_chart_predicts_there() -> None:
    own = {("cabin lateral", "hover"): 0.002 + 0.001j, ("mast radial", "hover"): -0.001j}
    here = chart_here(chart_of(own), rotor(), TURNS)
    # On paper the chart shows cabin lateral as lead; the rotor file read it as lag.
    for (name, regime), value in own.items():
        row = rotor().channels.index((name, regime))
        assert TURNS[name](here.mean[row, 0]) == pytest.approx(value)
    assert np.isnan(here.mean[rotor().channels.index(("mast radial", "90 kt")), 0])
    np.testing.assert_array_equal(here.sd, chart_of(own).sd)


def test_a_chart_row_made_of_others_is_made_anew_and_one_of_its_own_is_refused() -> None:
    own = {("cabin lateral", "hover"): 0.002 + 0j, ("mast radial", "hover"): -0.001j}
    own["both", "hover"] = 0.5 * own["cabin lateral", "hover"] - 0.5 * own["mast radial", "hover"]
    here = chart_here(chart_of(own), rotor(), TURNS)
    rows = [rotor().channels.index((name, "hover")) for name in ("cabin lateral", "mast radial")]
    made = 0.5 * here.mean[rows[0], 0] - 0.5 * here.mean[rows[1], 0]
    assert here.mean[rotor().channels.index(("both", "hover")), 0] == pytest.approx(made)
    own["both", "hover"] += 0.001
    with pytest.raises(CannotBeMet, match="both"):
        chart_here(chart_of(own), rotor(), TURNS)


def test_a_chart_file_turned_is_read_as_it_was_turned(tmp_path: Path) -> None:
    text = "sensor,regime,adjuster,amplitude,clock\ncabin lateral,hover,hub weight,0.002,4:20\n"
    chart = read_chart(written(tmp_path, "chart.csv", text), rotor())
    write_chart(chart_here(chart, rotor(), TURNS), rotor(), tmp_path / "here.csv")
    again = read_chart(tmp_path / "here.csv", rotor())
    # Lead 130 on paper is lag -130; the chart lags 270 (-90) and 7 more than here: here -47.
    assert again.mean[0, 0] == pytest.approx(complex(to_complex(0.002, -130.0 + 90.0 - 7.0)))
