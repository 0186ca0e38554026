"""The report of shared weights says what to take out and put in, what is left, and how sure."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from adapt.balancing.shares import Hole, Holes, Piece, share
from adapt.cli import main
from adapt.reports.balancing.shares import share_document, share_report
from adapt.reports.documents import as_json
from adapt.reports.show import as_text
from adapt.rotor import Rotor

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
HOLES = Holes(
    tuple(
        Hole(name, 90.0 * k, 100.0, 40.0, 3, {"5 g [a]": 2} if k == 0 else {})
        for k, name in enumerate(["fore", "right", "aft", "left"])
    ),
    (Piece("5 g [a]", 5.0, 4), Piece("10 g", 10.0, 1)),
)


def text_of(*words: object, rotor: Rotor, **keys: object) -> str:
    return as_text(share_report(share(HOLES, *words, **keys), HOLES, rotor))  # type: ignore[arg-type]


def flat(text: str) -> str:
    return " ".join(text.split())


def test_each_hole_has_what_comes_out_what_goes_in_and_what_is_then_fitted(rotor: Rotor) -> None:
    text = text_of(0.0, "combine", rotor=rotor)
    row = next(line for line in text.splitlines() if line.startswith("fore"))
    assert row.split("  ")[0] == "fore"
    for cell in ("2 x 5 g [a]", "1 x 10 g", "0.0", "100.0"):
        assert cell in row
    assert "Pieces fitted in all holes: 2 now, 1 then." in flat(text)
    assert "Proven: no answer has fewer pieces fitted" in flat(text)


def test_what_is_left_stands_with_its_angle_and_share(rotor: Rotor) -> None:
    text = flat(text_of(510.0j, rotor=rotor, tolerance_g_mm=20.0))
    assert "a change of 510.0 g mm at 90.0 deg" in text
    assert "what is left is 10.0 g mm at 90.0 deg (2 % of it); 20 g mm is allowed." in text
    assert "Angles count from blade A" in text


def test_what_stops_it_and_what_is_proven_is_said(rotor: Rotor) -> None:
    beyond = flat(text_of(9000.0j, rotor=rotor))
    assert "Nothing found leaves as little as 450 g mm." in beyond
    assert "Proven: with these holes, pieces and limits nothing comes nearer." in beyond
    assert "Stop and inspect before correcting" in beyond
    scarce = flat(text_of(2500.0j, rotor=rotor, tolerance_g_mm=1.0))
    ways = "the stock of pieces and the number of pieces in a hole"
    assert f"What stops it: {ways}; any one of these, given way, would open a way." in scarce
    assert "Stop and inspect" not in scarce
    unproven = replace(share(HOLES, 510.0j), proven=False, least=0)
    text = flat(as_text(share_report(unproven, HOLES, rotor)))
    assert "Not proven to be the best; proven: it takes at least 0 pieces." in text


def test_cautions_and_checks_stand_under_it_and_holes_over_limits_first(rotor: Rotor) -> None:
    over = Holes((replace(HOLES.holes[0], most_pieces=1), *HOLES.holes[1:]), HOLES.pieces)
    text = flat(as_text(share_report(share(over, 500.0j), over, rotor)))
    assert "fore carries 2 pieces; 1 are allowed." in text
    assert text.index("Look at this first") < text.index("What to do")
    for words in ("Rotating blades kill", "maintenance manual", "Weigh the pieces", "Ground run"):
        assert words in text


def test_the_document_adds_up_to_the_residual(rotor: Rotor) -> None:
    target = 700.0 * complex(math.cos(2.0), math.sin(2.0))
    document = json.loads(as_json(share_document(share(HOLES, target), HOLES, rotor)))
    x, y = target.real, target.imag
    for hole in HOLES.holes:
        then = document["fitted"][hole.name]
        for piece in HOLES.pieces:
            gained = (then.get(piece.name, 0) - hole.fitted.get(piece.name, 0)) * piece.mass_g
            x -= gained * hole.radius_mm * math.cos(math.radians(hole.angle_deg))
            y -= gained * hole.radius_mm * math.sin(math.radians(hole.angle_deg))
    left = document["residual"]
    assert left["amount_g_mm"] == pytest.approx(math.hypot(x, y), abs=1e-6)
    assert left["angle_deg"] == pytest.approx(math.degrees(math.atan2(y, x)) % 360.0, abs=1e-6)
    assert document["moves"] is None
    assert document["beside_plan"] is None


def test_no_residual_has_no_angle(rotor: Rotor) -> None:
    document = json.loads(as_json(share_document(share(HOLES, 500.0j), HOLES, rotor)))
    assert document["residual"] == {"amount_g_mm": 0.0, "angle_deg": None}


FILE = """
[[holes]]
name = "1 tip"
blade = "1"
adjuster = "span weight"
radius_mm = 620.0
most_g = 24.0
[[holes]]
name = "2 tip"
blade = "2"
adjuster = "span weight"
radius_mm = 620.0
most_g = 24.0
[[pieces]]
name = "1 g"
mass_g = 1.0
[[pieces]]
name = "5 g"
mass_g = 5.0
[[adjusters]]
name = "span weight"
radius_mm = 620.0
"""


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    path = tmp_path / "holes.toml"
    path.write_text(FILE, encoding="utf-8")
    return [str(DEMO / "tail-rotor.toml"), str(path)]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(["share", *words])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


def test_a_move_a_target_and_grams_at_a_radius_are_the_same_request(
    files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    answers = []
    for words in (
        ["--move", "2", "span weight", "6"],
        ["--target", "3720", "180"],
        ["--target", "6", "-180", "--radius", "620"],
    ):
        status, out, _ = run(capsys, *files, *words, "--json")
        assert status == 0
        answers.append(json.loads(out))
    for answer in answers:
        assert answer["changes"] == answers[0]["changes"]
        assert answer["fitted"] == {"1 tip": {}, "2 tip": {"1 g": 1, "5 g": 1}}
        assert answer["target"]["angle_deg"] == 180.0


def test_what_cannot_be_met_ends_with_1_and_still_gives_the_nearest(
    files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = run(capsys, *files, "--target", "99999", "0", "--json")
    assert status == 1
    document = json.loads(out)
    assert document["feasible"] is False
    assert document["proven"] is True
    assert document["residual"]["amount_g_mm"] == pytest.approx(99999.0 - 24.0 * 620.0)


def test_a_tolerance_in_per_cent_is_of_the_target(
    files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, *files, "--target", "3100", "0", "--tolerance", "2%", "--json")
    assert json.loads(out)["tolerance_g_mm"] == pytest.approx(62.0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give --target or --move"),
        (["--target", "1", "x"], "expected a number"),
        (["--target", "1", "2", "--log", "log"], "--log and --job go together"),
        (["--target", "1", "2", "--aim", "nearest"], "nearest needs the most pieces"),
        (["--aim", "combine", "--tolerance", "5%"], "a tolerance in % is of a target"),
        (["--move", "9", "span weight", "1"], "a blade of the rotor file"),
        (["--move", "1", "span weight", "much"], "expected a number"),
        (["--radius", "5", "--aim", "combine"], "--radius goes with --target"),
    ],
)
def test_a_wrong_request_is_bad_input(
    files: list[str], capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    status, out, err = run(capsys, *files, *words)
    assert status == 2
    assert said in err
    assert out == ""


def test_a_bad_rotor_file_and_bad_holes_are_told_together(
    files: list[str], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rotor = tmp_path / "rotor.toml"
    rotor.write_text(Path(files[0]).read_text(encoding="utf-8").replace("1980.0", "-5"), "utf-8")
    Path(files[1]).write_text(FILE.replace("mass_g = 5.0", "mass_g = 0"), "utf-8")
    status, _, err = run(capsys, str(rotor), files[1], "--target", "1", "2")
    assert status == 2
    assert "key rpm: found -5" in err
    assert "key mass_g: found 0" in err


def test_beside_a_job_its_predicted_readings_stand_in_the_answer(
    files: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    beside = ["--log", str(DEMO / "log"), "--job", "J-057", "--chart", str(DEMO / "tail-chart.csv")]
    status, out, _ = run(capsys, *files, "--move", "1", "span weight", "6", *beside, "--json")
    assert status == 0
    document = json.loads(out)
    assert document["moves"] == [{"blade": "1", "adjuster": "span weight", "amount": 6.0}]
    assert {r["sensor"] for r in document["beside_plan"]["readings"]} == {
        "gearbox radial",
        "gearbox axial",
    }
    assert 0.0 <= document["beside_plan"]["chance"] <= 1.0


def test_all_of_a_target_is_100_per_cent(rotor: Rotor) -> None:
    holes = Holes((Hole("a", 0.0, 100.0, 20.0),), (Piece("5 g", 5.0),))
    told = as_text(share_report(share(holes, 700.0j), holes, rotor))
    assert "(100 % of it)" in told
