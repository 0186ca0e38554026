"""From a plan's moves to an unbalance, and from shared weights to moves that do the same."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import adapt
from adapt.balancing.shares import Hole, Holes, Piece, Place, moves_of, share, unbalance_of
from adapt.cli import main
from adapt.planning.plan import Move
from adapt.problems import BadInput, CannotBeMet
from adapt.rotor import Rotor

DEMO = Path(__file__).parents[3] / "datasets" / "demo"
PIECES = (Piece("3 g", 3.0), Piece("40 g", 40.0))


@pytest.fixture
def main_rotor() -> Rotor:
    return adapt.read_rotor(DEMO / "main-rotor.toml")


@pytest.fixture
def tail_rotor() -> Rotor:
    return adapt.read_rotor(DEMO / "tail-rotor.toml")


def ring(places: tuple[Place, ...], **of_hole: str) -> Holes:
    holes = tuple(
        Hole(
            f"h{k}", 45.0 * k, 150.0, 400.0, None, {}, of_hole.get("blade"), of_hole.get("adjuster")
        )
        for k in range(8)
    )
    return Holes(holes, PIECES, places)


def test_moves_are_mass_times_radius_at_the_adjusters_angle(tail_rotor: Rotor) -> None:
    holes = ring((Place("span weight", 600.0), Place("chord weight", 100.0, 90.0)))
    found = unbalance_of(
        [Move("1", "span weight", 2.0), Move("2", "chord weight", 3.0)], tail_rotor, holes
    )
    assert found == pytest.approx(1200.0 - 300.0j)


def test_every_move_that_cannot_be_shared_is_told(tail_rotor: Rotor) -> None:
    moves = [
        Move("3", "span weight", 1.0),
        Move("1", "pitch link", 1.0),
        Move("1", "span wieght", 1.0),
        Move("1", "chord weight", 1.0),
        Move("1", "span weight", float("inf")),
    ]
    with pytest.raises(BadInput) as caught:
        unbalance_of(moves, tail_rotor, ring((Place("span weight", 600.0),)))
    for words in (
        "move 1: found blade '3'",
        "pitch link is in half turns",
        "did you mean 'span weight'?",
        "radius of 'chord weight'",
        "amount inf",
    ):
        assert words in str(caught.value)


@pytest.mark.parametrize("angle_deg", [0.0, 20.0, 72.0, 100.0, 250.0, 359.0])
def test_weights_between_blades_are_told_as_moves_with_the_same_unbalance(
    main_rotor: Rotor, angle_deg: float
) -> None:
    holes = ring((Place("hub weight", 200.0, 10.0),))
    shared = share(holes, 9000.0 * np.exp(1j * np.deg2rad(angle_deg)))
    moves = moves_of(shared, main_rotor, holes)
    assert 1 <= len(moves) <= 2
    assert all(move.amount > 0 for move in moves)
    total = sum(
        move.amount
        * 200.0
        * np.exp(1j * np.deg2rad(72.0 * main_rotor.blades.index(move.blade) + 10.0))
        for move in moves
    )
    assert total == pytest.approx(shared.achieved, abs=1e-6)


def test_a_hole_that_names_blade_and_adjuster_is_that_move(main_rotor: Rotor) -> None:
    hole = Hole("white arm", 288.0, 180.0, 400.0, None, {"40 g": 2}, "white", "hub weight")
    shared = share(Holes((hole,), PIECES), -180.0 * 80.0 * np.exp(1j * np.deg2rad(288.0)))
    assert moves_of(shared, main_rotor, Holes((hole,), PIECES)) == (
        Move("white", "hub weight", -80.0),
    )


def test_a_gram_nearer_the_middle_is_told_as_what_it_does_at_the_adjusters_radius(
    main_rotor: Rotor,
) -> None:
    inner = Hole("white root", 288.0, 120.0, 400.0, None, {"40 g": 2}, "white", "hub weight")
    holes = Holes((inner,), PIECES, (Place("hub weight", 160.0),))
    shared = share(holes, -120.0 * 80.0 * inner.arm / 120.0)
    (move,) = moves_of(shared, main_rotor, holes)
    assert (move.blade, move.adjuster) == ("white", "hub weight")
    assert move.amount == pytest.approx(-80.0 * 120.0 / 160.0)
    # A quarter of the way to the next blade it is split over both, the unbalance kept.
    holes = Holes((replace(inner, angle_deg=306.0),), PIECES, (Place("hub weight", 160.0),))
    shared = share(holes, -80.0 * holes.holes[0].arm)
    moves = moves_of(shared, main_rotor, holes)
    assert len(moves) > 1
    assert unbalance_of(moves, main_rotor, holes) == pytest.approx(shared.achieved, abs=1e-6)


def test_what_the_planner_cannot_be_told_is_said(main_rotor: Rotor, tail_rotor: Rotor) -> None:
    shared = share(ring(()), 4000.0j)
    with pytest.raises(CannotBeMet, match="radius of an adjuster"):
        moves_of(shared, main_rotor, ring(()))
    spanwise = ring((Place("span weight", 600.0),))
    with pytest.raises(CannotBeMet, match="stand on one line"):
        moves_of(shared, tail_rotor, spanwise)
    along = share(spanwise, -4000.0)
    (move,) = moves_of(along, tail_rotor, spanwise)
    assert (move.blade, move.adjuster) == ("2", "span weight")
    assert move.amount * 600.0 == pytest.approx(abs(along.achieved))
    second = replace(main_rotor, sensors=(replace(main_rotor.sensors[0], order=2),))
    with pytest.raises(CannotBeMet, match="not of order 1"):
        moves_of(shared, second, ring((Place("hub weight", 200.0),)))


def test_the_planner_holds_what_was_shared_beside_its_plan(tail_rotor: Rotor) -> None:
    log = adapt.check(tail_rotor, adapt.read_log(DEMO / "log"))
    chart = adapt.read_chart(DEMO / "tail-chart.csv", tail_rotor)
    learned = adapt.learn(tail_rotor, log, chart=chart)
    plan = adapt.plan(tail_rotor, learned, log, "J-057", explain=False)
    places = (Place("span weight", 620.0), Place("chord weight", 120.0, 90.0))
    holes = Holes(
        tuple(
            Hole(f"{blade} {name}", 180.0 * b + angle, radius, 60.0, None, {}, blade, name)
            for b, blade in enumerate(tail_rotor.blades)
            for name, radius, angle in (("span weight", 620.0, 0.0), ("chord weight", 120.0, 90.0))
        ),
        (Piece("1 g", 1.0), Piece("2 g", 2.0), Piece("5 g", 5.0)),
        places,
    )
    weights = [m for m in plan.moves if tail_rotor.adjuster(m.adjuster).unit == "g"]
    others = [m for m in plan.moves if m not in weights]
    assert weights
    shared = share(holes, unbalance_of(weights, tail_rotor, holes), tolerance_g_mm=1e-3)
    by_hand = [*moves_of(shared, tail_rotor, holes), *others]
    beside = adapt.plan(tail_rotor, learned, log, "J-057", by_hand=by_hand, explain=False).by_hand
    assert beside is not None
    assert beside.worst_ratio == pytest.approx(plan.worst_ratio, rel=1e-6)
    assert beside.chance == pytest.approx(plan.chance, rel=1e-6)


def test_a_holes_file_that_does_not_agree_with_the_log_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    demo = DEMO
    text = (demo / "tail-holes.toml").read_text("utf-8")
    words = ["share", str(demo / "tail-rotor.toml")]
    more = ["--move", "1", "span weight", "-5", "--log", str(demo / "log"), "--job", "J-057",
            "--chart", str(demo / "tail-chart.csv"), "--json"]  # fmt: skip
    assert main([*words, str(demo / "tail-holes.toml"), *more]) == 0
    assert json.loads(capsys.readouterr().out)["differs_from_log"] == []
    (tmp_path / "holes.toml").write_text(
        text.replace('{ "5 g washer" = 2 }', '{ "5 g washer" = 1 }')
    )
    assert main([*words, str(tmp_path / "holes.toml"), *more]) == 0
    assert json.loads(capsys.readouterr().out)["differs_from_log"] == [
        {"blade": "1", "adjuster": "span weight", "in_holes_g": 5.0, "in_log_g": 10.0}
    ]
    assert main([*words, str(tmp_path / "holes.toml"), *more[:-1]]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "span weight on blade 1: 5 g by the holes file, 10 g by the log." in said


def test_a_cap_on_pieces_is_no_reason_to_inspect(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["share", str(DEMO / "tail-rotor.toml"), str(DEMO / "tail-holes.toml"), "--target"]
    assert main([*words, "3000", "95", "--most-pieces", "0"]) == 1
    capped = capsys.readouterr().out
    assert "the number of pieces asked for" in " ".join(capped.split())
    assert "Unusually much" not in capped
    assert main([*words, "300000", "35"]) == 1
    assert "Unusually much" in capsys.readouterr().out
