"""The coefficients file keeps every number; what cannot be trusted is refused in words."""

import json
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from invented_fleet import fleet, invented_rotor

import adapt
from adapt.coefficients import (
    Coefficients,
    Posterior,
    learned_document,
    read_coefficients,
    write_coefficients,
)
from adapt.learning import learn
from adapt.rotor import Rotor


@pytest.fixture(scope="module")
def rotor() -> Rotor:
    """A rotor with a lead sensor."""
    made = invented_rotor(sensors=2, regimes=2)
    return replace(made, sensors=(made.sensors[0], replace(made.sensors[1], phase="lead")))


@pytest.fixture(scope="module")
def learned(rotor: Rotor) -> Coefficients:
    """Coefficients of a small fleet."""
    f = fleet(np.random.default_rng(1), rotor, rotors=3, missing=0.2)
    return learn(f.rotor, f.history, f.chart)


def same(a: object, b: object) -> None:
    """Compare two sets of values field by field, numbers to the bit."""
    for field in fields(a):  # type: ignore[arg-type]
        one, other = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            assert one.dtype == other.dtype
            np.testing.assert_array_equal(one, other)
        elif isinstance(one, dict) and any(isinstance(x, Posterior) for x in one.values()):
            assert list(one) == list(other)
            for key in one:
                same(one[key], other[key])
        elif hasattr(one, "__dataclass_fields__"):
            same(one, other)
        else:
            assert one == other, field.name


def test_what_is_written_is_read_back_to_the_bit(learned: Coefficients, tmp_path: Path) -> None:
    write_coefficients(learned, tmp_path / "c.json")
    same(learned, read_coefficients(tmp_path / "c.json"))


@settings(max_examples=20, deadline=None)
@given(
    values=arrays(
        np.complex128,
        (4, 3),
        elements=st.complex_numbers(allow_nan=False, allow_infinity=False),
    )
)
def test_any_finite_number_survives_the_file(
    values: np.ndarray, learned: Coefficients, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("any") / "c.json"
    changed = replace(learned, type_=replace(learned.type_, mean=values))
    write_coefficients(changed, path)
    np.testing.assert_array_equal(read_coefficients(path).type_.mean, values)


def test_names_that_look_like_numbers_stay_text(learned: Coefficients, tmp_path: Path) -> None:
    renamed = replace(
        learned, rotors={"007": learned.rotors["R000"]}, taught=frozenset({("1e3", "01")})
    )
    write_coefficients(renamed, tmp_path / "c.json")
    again = read_coefficients(tmp_path / "c.json")
    assert list(again.rotors) == ["007"]
    assert again.taught == {("1e3", "01")}


def test_what_nothing_informs_is_null_for_scripts_and_nan_here(
    rotor: Rotor, tmp_path: Path
) -> None:
    f = fleet(np.random.default_rng(1), rotor, rotors=2)
    moves = f.history.moves[f.history.moves.adjuster != "trim tab"]
    learned = learn(rotor, replace(f.history, moves=moves))
    write_coefficients(learned, tmp_path / "c.json")
    assert np.isnan(read_coefficients(tmp_path / "c.json").rotors["R000"].mean[:, 2]).all()
    document = json.loads((tmp_path / "c.json").read_text())
    tab = [row for row in document["vibration"] if row["adjuster"] == "trim tab"]
    assert {(row["real"], row["imag"], row["sd"], row["pairs"]) for row in tab} == {
        (None, None, None, 0)
    }
    height = [row for row in document["track"] if row["adjuster"] == "trim tab"]
    assert {(row["height"], row["sd"]) for row in height} == {(None, None)}


def test_document_holds_the_type_and_every_rotor(learned: Coefficients) -> None:
    document = learned_document(learned)
    json.dumps(document, allow_nan=False)
    vibration = document["vibration"]
    assert len(vibration) == 4 * len(learned.channels) * len(learned.adjusters)
    assert {row["rotor"] for row in vibration} == {None, "R000", "R001", "R002"}
    row = next(
        r
        for r in vibration
        if (r["rotor"], r["sensor"], r["regime"], r["adjuster"])
        == ("R001", "sensor 2", "regime 1", "pitch link")
    )
    known = learned.rotors["R001"]
    assert row["real"] + 1j * row["imag"] == known.mean[2, 1]
    assert row["sd"] == pytest.approx(np.sqrt(known.cov[2, 1, 1].real / 2))
    noise = {(n["sensor"], n["regime"]): n for n in document["noise"]}
    assert noise["sensor 1", "regime 2"]["reading_sd"] == pytest.approx(
        np.sqrt(learned.noise.reading_var[1] / 2)
    )
    assert noise[None, "regime 2"]["run_to_run_sd"] == pytest.approx(
        np.sqrt(learned.noise.track_run_var[1])
    )


def test_a_newer_format_is_refused_by_name(learned: Coefficients, tmp_path: Path) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    document = json.loads(path.read_text())
    path.write_text(json.dumps({**document, "format": 99}))
    with pytest.raises(adapt.BadInput, match="found 99"):
        read_coefficients(path)


def test_a_chart_of_no_effect_comes_back_bit_for_bit(rotor: Rotor, tmp_path: Path) -> None:
    """Zeros keep their signs: a file read and written again is the same file."""
    f = fleet(np.random.default_rng(2), rotor, rotors=2, jobs=1, runs=3)
    chart = replace(f.chart, mean=-0.0 * f.chart.mean, sd=0.0 * f.chart.sd)
    write_coefficients(adapt.learn(f.rotor, f.history, chart=chart), tmp_path / "one.json")
    write_coefficients(read_coefficients(tmp_path / "one.json"), tmp_path / "two.json")
    assert (tmp_path / "one.json").read_bytes() == (tmp_path / "two.json").read_bytes()


def test_an_older_format_is_no_damage_but_calls_for_learning_again(
    learned: Coefficients, tmp_path: Path
) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    document = json.loads(path.read_text())
    document["state"]["type"]["cov"] = document["state"]["type"].pop("joint")
    for older in ({**document, "format": 1}, document):
        path.write_text(json.dumps(older))
        with pytest.raises(adapt.BadInput, match=r"earlier version.*learn again"):
            read_coefficients(path)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("origin",), []),
        (("origin", "frames"), 3),
        (("origin", "frames", "R000"), None),
        (("origin", "frames", "R000", "sensor 1"), "x"),
        (("origin", "hardware"), {"R000": -1.0}),
        (("origin", "reviewed"), True),
        (("origin", "reviewed"), [["J000-0", "0"]]),
        (("suspects",), "x"),
        (("health",), [1]),
        (("state", "type", "mean", "parts"), []),
        (("state", "unseen", "joint", "parts", 0, 0), -1.0),
        (("state", "noise", "run_var", "parts", 0, 0), -1.0),
        (("state", "noise", "run_var", "parts", 0, 0), float("inf")),
    ],
)
def test_one_damaged_value_is_bad_input(
    place: tuple[str | int, ...], value: object, learned: Coefficients, tmp_path: Path
) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    document = json.loads(path.read_text())
    part = document
    for name in place[:-1]:
        part = part[name]
    part[place[-1]] = value
    path.write_text(json.dumps(document))
    with pytest.raises(adapt.BadInput):
        read_coefficients(path)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.9999])
def test_a_truncated_file_is_bad_input(share: float, learned: Coefficients, tmp_path: Path) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    text = path.read_text()
    path.write_text(text[: int(share * len(text)) - 2 if share else 0])
    with pytest.raises(adapt.BadInput):
        read_coefficients(path)


@pytest.mark.parametrize(
    "content", ["[]", "{}", "null", '{"format": 1}', "\x00", "[" * 100_000, '{"format": "1"}',
                '{"format": 1, "state": 3}', '{"format": 1, "state": {"chart": null}}']
)  # fmt: skip
def test_strange_content_is_bad_input(content: str, tmp_path: Path) -> None:
    path = tmp_path / "c.json"
    path.write_text(content)
    with pytest.raises(adapt.BadInput):
        read_coefficients(path)


def test_numbers_of_another_shape_are_noticed(learned: Coefficients, tmp_path: Path) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    for name, part in (("type", "mean"), ("unseen", "joint"), ("noise", "run_var")):
        document = json.loads(path.read_text())
        document["state"][name][part]["parts"][0].pop()
        (tmp_path / "other.json").write_text(json.dumps(document))
        with pytest.raises(adapt.BadInput, match="damaged"):
            read_coefficients(tmp_path / "other.json")


def test_a_missing_file_and_a_folder_are_bad_input(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(adapt.BadInput):
            read_coefficients(path)


def test_another_rotor_file_is_refused_and_says_what_differs(
    learned: Coefficients, rotor: Rotor, tmp_path: Path
) -> None:
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    assert read_coefficients(path, rotor).design == "main rotor"
    others = {
        "design": replace(rotor, name="tail rotor"),
        "channels": replace(rotor, sensors=rotor.sensors[:1]),
        "adjusters": replace(rotor, adjusters=rotor.adjusters[:2]),
        "regimes": replace(rotor, regimes=rotor.regimes[:1]),
    }
    for key, other in others.items():
        with pytest.raises(adapt.BadInput, match=key):
            read_coefficients(path, other)


def test_what_a_coefficient_means_is_part_of_the_design(
    learned: Coefficients, rotor: Rotor, tmp_path: Path
) -> None:
    """Same names, other meaning: passing order, unit, phase convention, order of the sensor."""
    path = tmp_path / "c.json"
    write_coefficients(learned, path)
    first, *rest = rotor.sensors
    others = {
        "blades": replace(rotor, blades=("2", "1", "3", "4")),
        "azimuth_deg": replace(rotor, azimuth_deg=(0.0, 80.0, 180.0, 260.0)),
        "mm/s": replace(rotor, sensors=(replace(first, unit="mm/s"), *rest)),
        "lead": replace(rotor, sensors=(replace(first, phase="lead"), *rest)),
        "order": replace(rotor, sensors=(replace(first, order=2), *rest)),
        "oz": replace(
            rotor, adjusters=(replace(rotor.adjusters[0], unit="oz"), *rotor.adjusters[1:])
        ),
        "track_unit": replace(rotor, track_unit="in"),
    }  # fmt: skip
    for key, other in others.items():
        with pytest.raises(adapt.BadInput, match=key):
            read_coefficients(path, other)
    with pytest.raises(adapt.BadInput, match="blades"):
        adapt.update(learned, others["blades"], fleet(np.random.default_rng(1), rotor).history)


def test_a_chart_with_doubts_can_be_kept(learned: Coefficients, tmp_path: Path) -> None:
    doubt = adapt.Problem("doubt", "chart.csv", 3, "amplitude", "9", "less")
    doubtful = replace(learned, chart=replace(learned.chart, doubts=(doubt,)))
    write_coefficients(doubtful, tmp_path / "c.json")
    again = read_coefficients(tmp_path / "c.json")
    np.testing.assert_array_equal(again.chart.mean, learned.chart.mean)


def test_summary_shows_phases_in_the_sensors_own_convention(
    learned: Coefficients, rotor: Rotor
) -> None:
    table = learned.summary(rotor)
    row = table[
        (table.rotor == "R001")
        & (table.sensor == "sensor 2")
        & (table.regime == "regime 1")
        & (table.adjuster == "pitch link")
    ].iloc[0]
    known = learned.rotors["R001"].mean[2, 1]
    assert row.phase_deg == pytest.approx(np.rad2deg(-np.angle(known)) % 360)
    assert row.amplitude == pytest.approx(abs(known))
    assert row.low < row.amplitude < row.high
    assert row.chart_amplitude == pytest.approx(abs(learned.chart.mean[2, 1]))
    assert len(table) == 4 * 12
