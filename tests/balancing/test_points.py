"""Reading a table of plotted points: every problem at once, and what people really type."""

from pathlib import Path

import pytest

import adapt
from adapt.balancing.paper.points import PlottedChart, read_points
from adapt.problems import BadInput
from adapt.rotor import Rotor

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
HEADER = "point,sensor,regime,amplitude,clock,blade,adjuster,amount\n"


@pytest.fixture(scope="module")
def rotor() -> Rotor:
    return adapt.read_rotor(DEMO / "tail-rotor.toml")


def read(tmp_path: Path, rotor: Rotor, rows: str, header: str = HEADER) -> tuple[PlottedChart, ...]:
    path = tmp_path / "points.csv"
    path.write_text(header + rows, "utf-8")
    return read_points(path, rotor)


def problems(tmp_path: Path, rotor: Rotor, rows: str, header: str = HEADER) -> list[str]:
    with pytest.raises(BadInput) as error:
        read(tmp_path, rotor, rows, header)
    return str(error.value).splitlines()


def test_the_demos_points_are_two_charts(rotor: Rotor) -> None:
    charts = read_points(DEMO / "tail-points.csv", rotor)
    assert [(c.sensor, c.regime, len(c.points)) for c in charts] == [
        ("gearbox radial", "ground run", 4),
        ("gearbox radial", "hover", 5),
    ]
    first = charts[0].points[0]
    assert abs(first.reading - 0.3 * (3**0.5 / 2 + 0.5j)) < 1e-12
    assert first.amounts == {("1", "span weight"): -14.5, ("1", "chord weight"): 12.0}
    assert first.row == 2


def test_the_reading_may_be_repeated_in_each_row(tmp_path: Path, rotor: Rotor) -> None:
    rows = (
        "1,gearbox radial,hover,0.3,12:15,1,span weight,-11\n"
        "1,gearbox radial,hover,0.3,12:15,1,chord weight,12\n"
    )
    (chart,) = read(tmp_path, rotor, rows)
    assert len(chart.points) == 1
    assert len(chart.points[0].amounts) == 2


def test_a_point_of_the_same_name_on_another_chart_is_another(tmp_path: Path, rotor: Rotor) -> None:
    rows = (
        "1,gearbox radial,hover,0.3,12:15,1,span weight,-11\n"
        "1,gearbox axial,hover,0.2,3:00,1,span weight,4\n"
        "1,,,,,1,chord weight,2\n"
    )
    radial, axial = read(tmp_path, rotor, rows)
    assert len(radial.points[0].amounts) == 1
    assert len(axial.points[0].amounts) == 2


def test_degrees_may_stand_in_place_of_the_clock(tmp_path: Path, rotor: Rotor) -> None:
    header = HEADER.replace("clock", "phase_deg")
    (chart,) = read(tmp_path, rotor, "1,gearbox radial,hover,0.5,90,1,span weight,1\n", header)
    assert chart.points[0].reading == 0.5j


def test_every_problem_is_told_at_once(tmp_path: Path, rotor: Rotor) -> None:
    rows = (
        "1,gearbox radal,hover,0.3,12:15,1,span weight,-11\n"
        "2,gearbox radial,hoover,-0.3,13:15,3,span weight,x\n"
        "3,gearbox radial,hover,,4:00,1,span,\n"
        "4,gearbox radial,hover,0.2,,1,span weight,1\n"
        ",gearbox radial,hover,0.2,1:00,1,span weight,1\n"
    )
    said = problems(tmp_path, rotor, rows)
    for row, column in [
        (2, "sensor"), (3, "regime"), (3, "amplitude"), (3, "clock"), (3, "blade"), (3, "amount"),
        (4, "amplitude"), (4, "adjuster"), (4, "amount"), (5, "clock"), (6, "point"),
    ]:  # fmt: skip
        assert any(f"row {row}, column {column}:" in line for line in said), (row, column)
    assert "did you mean 'gearbox radial'?" in said[0]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("1,gearbox radial,hover,0.3,1:00,1,span weight,1\n1,,,,,1,span weight,2\n", "one row for"),
        ("1,gearbox radial,hover,0.3,1:00,1,span weight,1\n1,,,0.4,,1,chord weight,2\n", "row 2"),
        ("1,gearbox radial,hover,0.3,1:00,1,span weight,1\n1,,,,2:00,1,chord weight,2\n", "row 2"),
        ("", "a row for each amount"),
    ],
)
def test_rows_that_contradict_each_other_are_refused(
    tmp_path: Path, rotor: Rotor, rows: str, said: str
) -> None:
    assert said in "\n".join(problems(tmp_path, rotor, rows))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("amplitude", "amplitude [mm/s]", "expected ips"),
        ("amount", "amount [kg]", "expected g, the unit of this adjuster"),
        ("clock", "when", "no such column"),
        ("blade", "hole", "no such column"),
    ],
)
def test_other_units_and_missing_columns_are_refused(
    tmp_path: Path, rotor: Rotor, old: str, new: str, said: str
) -> None:
    rows = "1,gearbox radial,hover,0.3,1:00,1,span weight,1\n"
    assert said in "\n".join(problems(tmp_path, rotor, rows, HEADER.replace(old, new)))


def test_a_unit_that_is_that_of_the_adjuster_is_read(tmp_path: Path, rotor: Rotor) -> None:
    header = HEADER.replace("amount", "amount [g]")
    (chart,) = read(tmp_path, rotor, "1,gearbox radial,hover,0.3,1:00,1,span weight,1\n", header)
    assert chart.points[0].amounts == {("1", "span weight"): 1.0}
