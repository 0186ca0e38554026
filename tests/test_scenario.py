"""The demo: real-looking work whose truth is known, written whole or not at all."""

import csv
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest
from demo_folder import demo_in

import adapt
from adapt.problems import BadInput
from adapt.rotor import Rotor
from adapt.scenario import Demo, Truth, technician, truth, write_demo
from adapt.scenario import demo as writing
from adapt.scenario.fleet import Fleet
from adapt.simulate import Machine, State

COMMITTED = Path(__file__).parents[1] / "datasets" / "demo"


@pytest.fixture(scope="module")
def true() -> Truth:
    return truth()


@pytest.fixture(scope="module", autouse=True)
def drawn_once(true: Truth) -> Iterator[None]:
    """Every writing below writes the truth as drawn once; a process of its own draws it anew."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(writing, "truth", lambda: true)
        yield


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory, drawn_once: None) -> Demo:
    return write_demo(tmp_path_factory.mktemp("somewhere") / "demo")


def table(demo: Demo, name: str) -> list[dict[str, str]]:
    with (demo.log / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*") if not f.is_dir()}


class TestWriting:
    def test_the_folder_holds_what_is_committed_for_people_to_read(self, demo: Demo) -> None:
        assert files_in(demo.folder) == files_in(COMMITTED)
        assert demo_in(demo.folder) == demo, "what the tests copy has the names that are written"

    def test_an_unchanged_demo_is_left_alone_with_what_was_added_to_it(
        self, tmp_path: Path
    ) -> None:
        demo = write_demo(tmp_path / "demo")
        (demo.folder / "learned.json").write_text("{}")
        before = {f: f.stat().st_mtime_ns for f in demo.folder.rglob("*")}
        assert write_demo(demo.folder) == demo
        assert {f: f.stat().st_mtime_ns for f in demo.folder.rglob("*")} == before

    def test_an_empty_folder_is_filled(self, tmp_path: Path) -> None:
        (tmp_path / "empty").mkdir()
        assert write_demo(tmp_path / "empty").log.is_dir()

    def test_folders_above_are_made(self, tmp_path: Path) -> None:
        assert write_demo(tmp_path / "new" / "demo").main_rotor.is_file()

    def test_a_folder_with_files_of_others_is_refused_untouched(self, tmp_path: Path) -> None:
        (tmp_path / "mine").mkdir()
        (tmp_path / "mine" / "notes.txt").write_text("do not lose")
        with pytest.raises(BadInput, match="holds other files"):
            write_demo(tmp_path / "mine")
        assert files_in(tmp_path) == {"mine/notes.txt": b"do not lose"}

    def test_a_demo_that_somebody_worked_in_is_refused_untouched(self, tmp_path: Path) -> None:
        demo = write_demo(tmp_path / "demo")
        with (demo.log / "moves.csv").open("a") as file:
            file.write(f"{demo.main_job},1,red,hub weight,40,\n")
        worked_in = files_in(tmp_path)
        with pytest.raises(BadInput, match="was changed"):
            write_demo(demo.folder)
        assert files_in(tmp_path) == worked_in

    def test_a_file_of_that_name_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / "demo").write_text("a file")
        with pytest.raises(BadInput, match="is a file"):
            write_demo(tmp_path / "demo")

    def test_the_folder_in_use_is_refused(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        with pytest.raises(BadInput, match="folder in use"):
            write_demo(".")

    @pytest.mark.parametrize("error", [OSError(28, "No space left"), KeyboardInterrupt()])
    def test_nothing_is_left_when_writing_stops_in_the_middle(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
    ) -> None:
        monkeypatch.setattr(Path, "write_bytes", stops_at(3, error))
        with pytest.raises((BadInput, KeyboardInterrupt)):
            write_demo(tmp_path / "demo")
        assert list(tmp_path.iterdir()) == []

    def test_a_kill_in_the_middle_leaves_no_half_demo(self, tmp_path: Path) -> None:
        target = tmp_path / "demo"
        child = os.fork()
        if child == 0:
            try:
                Path.write_bytes = stops_at(3, None)  # type: ignore[assignment, method-assign]
                write_demo(target)
            finally:
                os._exit(0)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
        assert not target.exists()
        assert files_in(write_demo(target).folder) == files_in(COMMITTED)

    def test_the_truth_stays_out_of_the_folder(self, demo: Demo, true: Truth) -> None:
        names = set(files_in(demo.folder))
        assert names == {
            "README.txt", "main-rotor.toml", "tail-rotor.toml", "chart.csv", "tail-chart.csv",
            "tail-points.csv", "tail-holes.toml", "tail-loan-kit.toml", "tail-as-charted.toml",
            *(f"log/{t}.csv" for t in ("runs", "readings", "track", "moves", "fitted", "events")),
        }  # fmt: skip

    def test_the_guide_names_tonights_jobs(self, demo: Demo) -> None:
        guide = (demo.folder / "README.txt").read_text("utf-8")
        for command in ("check", "learn", "plan", "compare"):
            assert f"adapt {command} main-rotor.toml log" in guide
        assert f"--job {demo.main_job} " in guide
        assert f"--job {demo.tail_job} " in guide
        assert "{" not in guide


class TestTheLog:
    def test_check_finds_exactly_what_was_put_in(self, demo: Demo) -> None:
        rotor = adapt.read_rotor(demo.main_rotor)
        history = adapt.check(rotor, adapt.read_log(demo.log))
        assert [(p.file, p.column, p.found) for p in history.faults] == [
            ("readings.csv", "clock", "'13:75'")
        ]
        assert list(history.set_aside.values()) == [1]
        assert sorted((p.file, p.column) for p in history.doubts) == [
            ("fitted.csv", "amount"),  # weights that were counted again
            ("track.csv", "height"),  # a blade that the tracker missed
        ]
        assert set(history.excluded["table"]) == {"readings", "track"}
        assert history.runs["job"].nunique() == 40
        assert not history.set_aside.keys() & {demo.main_job}

    def test_the_tail_rotors_log_is_clean(self, demo: Demo) -> None:
        history = adapt.check(adapt.read_rotor(demo.tail_rotor), adapt.read_log(demo.log))
        assert history.faults == history.doubts == ()
        assert history.runs["job"].nunique() == 17
        assert demo.tail_job in set(history.runs["job"])

    def test_clock_angles_of_a_spreadsheet_are_read_as_meant(self, demo: Demo) -> None:
        (row,) = [r for r in table(demo, "readings") if r["clock"].count(":") == 2]
        hours, minutes, _ = row["clock"].split(":")
        history = adapt.check(adapt.read_rotor(demo.main_rotor), adapt.read_log(demo.log))
        keys = ["job", "run", "regime", "sensor"]
        (value,) = history.readings.set_index(keys).loc[[tuple(row[k] for k in keys)], "value"]
        assert row["sensor"] == "cabin lateral"  # a sensor that shows lag
        meant = 30.0 * int(hours) + 0.5 * int(minutes)
        assert np.rad2deg(np.angle(value)) % 360.0 == pytest.approx(meant % 360.0)

    def test_readings_of_a_lead_sensor_are_written_as_it_shows_them(
        self, demo: Demo, true: Truth
    ) -> None:
        flown = true.jobs[demo.main_job].runs[0].flown
        (row,) = [
            r for r in table(demo, "readings")
            if (r["job"], r["sensor"], r["regime"]) == (demo.main_job, "cabin vertical", "120 kt")
        ]  # fmt: skip
        hours, minutes = map(int, row["clock"].split(":"))
        shown = 30.0 * hours + 0.5 * minutes
        lag = np.rad2deg(np.angle(flown.readings[1, 4]))
        assert (shown + lag + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)

    def test_it_holds_what_real_logs_hold(self, demo: Demo) -> None:
        runs, readings = table(demo, "runs"), table(demo, "readings")
        moves, events = table(demo, "moves"), table(demo, "events")
        assert {r["design"] for r in runs} == {"main rotor", "tail rotor"}
        assert {e["kind"] for e in events} == {"hardware changed", "reference moved"}
        regimes = {}
        for r in readings:
            regimes.setdefault((r["job"], r["run"]), set()).add(r["regime"])
        assert {"flat pitch"} in regimes.values()  # a ground run only
        assert sum(len(x) in (4, 5) for x in regimes.values()) > 20  # regimes not flown
        moved = {(m["job"], m["after_run"]) for m in moves}
        last = {r["job"]: r["run"] for r in runs}
        unmoved = [
            r for r in runs if (r["job"], r["run"]) not in moved and r["run"] != last[r["job"]]
        ]
        assert len(unmoved) >= 2  # flown again with nothing changed
        assert {r["started"][:4] for r in runs} == {"2024", "2025", "2026"}
        assert all(2 <= int(last[j]) <= 6 for j in last if j not in (demo.main_job, demo.tail_job))

    @pytest.mark.parametrize(("kind", "made"), [("neighbour", -1), ("sign", 0)])
    def test_two_entries_are_wrong(self, true: Truth, kind: str, made: int) -> None:
        """What was read after such an entry fits the moves really made, not those written down."""
        (job,) = [j for j in true.jobs.values() if getattr(j.mishap, kind)]
        machine = true.main.machines[job.serial]
        before, after = job.runs[0].flown, job.runs[1].flown
        written = job.runs[0].moves
        really = -written if kind == "sign" else np.roll(written, made, axis=0)
        as_written, as_made = (
            np.abs(machine.vibration(machine.move(before.state, moves)) - after.readings).max()
            for moves in (written, really)
        )
        assert as_made < 0.1
        assert as_written > 2.5 * as_made


class TestTheChart:
    @pytest.mark.parametrize("design", ["main", "tail"])
    def test_it_is_off_as_charts_are(self, true: Truth, design: str) -> None:
        """Against the average rotor: gain 0.65 to 1.4, rotation up to 36 deg, mostly above 10 %."""
        fleet: Fleet = getattr(true, design)
        average = np.mean([m.coefficients() for m in fleet.machines.values()], axis=0)
        apart = fleet.chart.mean.reshape(average.shape) / average
        gain, rotation = np.abs(apart), np.abs(np.rad2deg(np.angle(apart)))
        assert 0.65 < gain.min() < 0.9 < 1.1 < gain.max() < 1.4
        assert rotation.max() < 36.0
        assert np.median(rotation) > 8.0
        assert np.median(np.abs(gain - 1.0)) > 0.1

    def test_its_file_reads_back_as_it_was_drawn(self, demo: Demo, true: Truth) -> None:
        chart = adapt.read_chart(demo.main_chart, adapt.read_rotor(demo.main_rotor))
        assert np.allclose(chart.mean, true.main.chart.mean, rtol=1e-6)
        assert np.allclose(chart.track_mean, true.main.chart.track_mean)

    @pytest.mark.parametrize("design", ["main", "tail"])
    def test_learning_from_the_log_comes_nearer_to_the_truth(
        self, demo: Demo, true: Truth, design: str
    ) -> None:
        fleet: Fleet = getattr(true, design)
        rotor = adapt.read_rotor(getattr(demo, f"{design}_rotor"))
        chart = adapt.read_chart(getattr(demo, f"{design}_chart"), rotor)
        learned = adapt.learn(rotor, adapt.check(rotor, adapt.read_log(demo.log)), chart=chart)
        shape = (len(rotor.sensors), len(rotor.regimes), len(rotor.adjusters))
        by_chart, by_learning = [], []
        for serial, machine in fleet.machines.items():
            turned = {j.serial: j.after.turned_deg for j in true.jobs.values()}[serial]
            if turned == 0.0:
                real = machine.coefficients()
                by_chart.append(np.abs(chart.mean.reshape(shape) / real - 1.0))
                by_learning.append(np.abs(learned.of(serial).mean.reshape(shape) / real - 1.0))
        assert np.mean(by_learning) < 0.65 * np.mean(by_chart)


class TestTonight:
    def test_several_regimes_are_over_their_limits_on_both_sensors(self, true: Truth) -> None:
        over = over_limit(true.main.rotor, true.jobs[true.main_job].runs[0].flown.readings)
        assert 1.5 < over.max() < 2.5
        assert (over[0] > 1.1).sum() >= 3
        assert (over[1] > 1.1).sum() >= 1

    def test_curing_one_regime_by_the_chart_makes_another_worse(self, true: Truth) -> None:
        machine, state, fitted = open_job(true.main, true, true.main_job)
        flown = true.jobs[true.main_job].runs[0].flown
        moves = technician(
            machine.rotor, true.main.chart, flown.readings, flown.track, fitted,
            np.random.default_rng(3),
        )  # fmt: skip
        before = over_limit(machine.rotor, machine.vibration(state))
        after = over_limit(machine.rotor, machine.vibration(machine.move(state, moves)))
        worst = np.unravel_index(before.argmax(), before.shape)
        assert after[worst] < before[worst]
        assert (after > np.maximum(1.05, before + 0.05)).any()

    def test_three_moves_that_the_truth_suggests_bring_it_inside(self, true: Truth) -> None:
        machine, state, fitted = open_job(true.main, true, true.main_job)
        flown = true.jobs[true.main_job].runs[0].flown
        real = (machine.coefficients(), machine.track_coefficients())
        moves = best_moves(machine.rotor, flown.readings, flown.track, *real, fitted, 3)
        assert chance_inside(machine, state, moves) > 0.9

    def test_one_move_is_not_enough(self, true: Truth) -> None:
        machine, state, fitted = open_job(true.main, true, true.main_job)
        flown = true.jobs[true.main_job].runs[0].flown
        real = (machine.coefficients(), machine.track_coefficients())
        moves = best_moves(machine.rotor, flown.readings, flown.track, *real, fitted, 1)
        assert chance_inside(machine, state, moves) < 0.5

    @pytest.mark.parametrize("number", [1, 2, 3])
    def test_the_chart_misleads(self, true: Truth, number: int) -> None:
        machine, state, fitted = open_job(true.main, true, true.main_job)
        flown = true.jobs[true.main_job].runs[0].flown
        chart = true.main.chart
        drawn = (chart.mean.reshape(3, 6, 3), chart.track_mean)
        moves = best_moves(machine.rotor, flown.readings, flown.track, *drawn, fitted, number)
        after = over_limit(machine.rotor, machine.vibration(machine.move(state, moves)))
        assert after.max() > 1.1
        assert chance_inside(machine, state, moves) < 0.1

    def test_the_tail_rotor_is_cured_by_two_moves(self, true: Truth) -> None:
        machine, state, fitted = open_job(true.tail, true, true.tail_job)
        flown = true.jobs[true.tail_job].runs[0].flown
        assert over_limit(machine.rotor, flown.readings).max() > 1.3
        real = (machine.coefficients(), machine.track_coefficients())
        moves = best_moves(machine.rotor, flown.readings, None, *real, fitted, 2)
        assert chance_inside(machine, state, moves) > 0.9


class TestTechnician:
    def test_nothing_is_moved_when_all_is_inside(self, true: Truth) -> None:
        rotor = true.main.rotor
        quiet = np.full((3, 6), 0.05 + 0.0j)
        moves = technician(
            rotor, true.main.chart, quiet, None, np.zeros((5, 3)), np.random.default_rng(1)
        )
        assert not moves.any()

    def test_what_was_written_is_in_whole_steps_and_inside_what_blades_carry(
        self, true: Truth
    ) -> None:
        for job in true.jobs.values():
            fleet = true.main if job.serial in true.main.machines else true.tail
            steps = np.array([a.step for a in fleet.rotor.adjusters])
            low, high = np.array([a.fitted_range for a in fleet.rotor.adjusters]).T
            fitted = job.fitted
            for run in job.runs:
                fitted = fitted + run.moves
                assert np.allclose(run.moves / steps, np.round(run.moves / steps))
                assert (fitted >= low - 1e-9).all()
                assert (fitted <= high + 1e-9).all()

    def test_a_regime_that_was_not_read_is_left_out_of_account(self, true: Truth) -> None:
        readings = np.full((3, 6), np.nan + 0.0j)
        readings[0, 1] = 0.5
        moves = technician(
            true.main.rotor, true.main.chart, readings, np.full((6, 5), np.nan),
            np.tile([200.0, 0.0, 0.0], (5, 1)), np.random.default_rng(2),
        )  # fmt: skip
        assert 1 <= np.count_nonzero(moves) <= 2


def stops_at(number: int, error: BaseException | None) -> Callable[[Path, bytes], int]:
    """Return a way of writing files that fails at the given one, or ends the process at once."""
    written: list[Path] = []
    really = Path.write_bytes

    def write_bytes(self: Path, data: bytes) -> int:
        written.append(self)
        if len(written) == number:
            if error is None:
                os._exit(9)
            raise error
        return really(self, data)

    return write_bytes


def open_job(fleet: Fleet, true: Truth, name: str) -> tuple[Machine, State, np.ndarray]:
    job = true.jobs[name]
    return fleet.machines[job.serial], job.after, job.fitted


def limits(rotor: Rotor) -> tuple[np.ndarray, np.ndarray]:
    """Return limits by (sensor, regime) and of track by regime; inf where there is none."""

    def of(sensor: str | None, regime: str) -> float:
        limit = rotor.limit_for(sensor, regime)
        return np.inf if limit is None else limit.limit

    vibration = [[of(s.name, r) for r in rotor.regime_names] for s in rotor.sensors]
    return np.array(vibration), np.array([of(None, r) for r in rotor.regime_names])


def over_limit(rotor: Rotor, readings: np.ndarray) -> np.ndarray:
    return np.abs(readings) / limits(rotor)[0]


def chance_inside(machine: Machine, state: State, moves: np.ndarray, flights: int = 200) -> float:
    """Return how often the machine's next run is inside all limits, by flying it many times."""
    rng = np.random.default_rng(11)
    vibration, track = limits(machine.rotor)
    inside = 0
    for _ in range(flights):
        flown = machine.run(machine.move(state, moves, rng), rng)
        spread = np.ptp(flown.track, axis=1)
        inside += bool((np.abs(flown.readings) <= vibration).all() and (spread <= track).all())
    return inside / flights


def best_moves(
    rotor: Rotor,
    readings: np.ndarray,
    track: np.ndarray | None,
    per_unit: np.ndarray,
    height_per_unit: np.ndarray,
    fitted: np.ndarray,
    number: int,
) -> np.ndarray:
    """Return good moves at `number` places, (blade, adjuster), by trying every choice of places.

    For each choice, least squares re-weighted towards the worst reading, then the steps around it.
    """
    vibration, heights = limits(rotor)
    blades = len(rotor.blades)
    passes = np.exp(2j * np.pi * np.arange(blades) / blades)
    limited = np.isfinite(vibration)
    effect = (per_unit[:, :, None, :] * passes[:, None])[limited] / vibration[limited][
        :, None, None
    ]
    start = readings[limited] / vibration[limited]
    step = np.array([a.step for a in rotor.adjusters])
    most = np.array([a.largest_move or np.inf for a in rotor.adjusters])
    low, high = np.array([a.fitted_range for a in rotor.adjusters]).T
    low, high = np.maximum(low - fitted, -most), np.minimum(high - fitted, most)
    places = [(b, a) for b in range(blades) for a in range(len(step))]

    def worst(moves: np.ndarray) -> float:
        left = np.abs(start + np.einsum("jba,ba->j", effect, moves)).max()
        if track is None:
            return float(left)
        moved = track + height_per_unit @ moves.T
        return float(max(left, (np.ptp(moved, axis=1) / heights).max()))

    best = np.zeros_like(fitted)
    best_worst = worst(best)
    for chosen in combinations(places, number):
        rows, columns = np.array(chosen).T
        there = effect[:, rows, columns]
        weight = np.full(len(start), 1.0 / len(start))
        for _ in range(12):
            root = np.sqrt(weight)[:, None]
            parts = np.vstack([root * there.real, root * there.imag])
            wanted = -np.concatenate([root[:, 0] * start.real, root[:, 0] * start.imag])
            amounts = np.linalg.lstsq(parts, wanted, rcond=None)[0]
            left = np.abs(start + there @ amounts)
            if np.sqrt(weight @ left**2) >= best_worst:
                break  # a weighted mean of squares is never above the largest square
            weight = weight * left / (weight @ left)
        else:
            for around in product((-1, 0, 1), repeat=number):
                moves = np.zeros_like(fitted)
                moves[rows, columns] = np.clip(
                    (np.round(amounts / step[columns]) + around) * step[columns],
                    low[rows, columns],
                    high[rows, columns],
                )
                if worst(moves) < best_worst:
                    best, best_worst = moves, worst(moves)
    return best


def test_the_demo_does_not_depend_on_the_folder_or_the_day(tmp_path: Path) -> None:
    environment = {**os.environ, "TZ": "Pacific/Auckland", "PYTHONHASHSEED": "7"}
    code = "import sys; from adapt.scenario import write_demo; write_demo(sys.argv[1])"
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "x")], check=True, env=environment)
    assert files_in(tmp_path / "x") == files_in(COMMITTED)
