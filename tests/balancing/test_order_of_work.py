"""Where a job stands in the order of work, by small logs written for it."""

from dataclasses import replace
from pathlib import Path

import pytest

import adapt
from adapt.balancing.order_of_work import OrderOfWork, order_of_work
from adapt.cli import main
from adapt.problems import BadInput
from adapt.reports.balancing.order_of_work import KINDS, kind_of, order_report
from adapt.reports.show import as_text

DEMO = Path(__file__).parents[2] / "datasets" / "demo"

ROTOR = """
[rotor]
name = "tail rotor"
blades = ["1", "2"]
rpm = 2000.0
track_unit = "mm"
[[sensors]]
name = "radial"
unit = "ips"
reading_sd = 0.01
run_to_run_sd = 0.01
[[regimes]]
name = "ground"
on_ground = true
[[regimes]]
name = "hover"
[[adjusters]]
name = "span weight"
unit = "g"
step = 1.0
fitted_range = [0, 20]
[[adjusters]]
name = "pitch link"
unit = "turns"
step = 0.5
fitted_range = [-3, 3]
[[limits]]
sensor = "radial"
limit = 0.2
[[limits]]
track = true
regime = "ground"
limit = 6
"""


class Log:
    """A small log: runs as (ground amplitude, hover amplitude, track spread), None = not read."""

    def __init__(self, tmp_path: Path, *runs: tuple[float | None, float | None, float | None]):
        self.folder = tmp_path / "log"
        self.folder.mkdir()
        (tmp_path / "rotor.toml").write_text(ROTOR)
        self.rotor = adapt.read_rotor(tmp_path / "rotor.toml")
        rows = {"runs": "rotor,job,run,started\n", "moves": "job,after_run,blade,adjuster,amount\n",
                "readings": "job,run,regime,sensor,amplitude,clock\n",
                "track": "job,run,regime,blade,height\n",
                "events": "job,after_run,kind,sensor,note\n"}  # fmt: skip
        for n, (ground, hover, spread) in enumerate(runs, start=1):
            rows["runs"] += f"T-1,J-1,{n},2026-01-0{n}\n"
            for regime, amplitude in (("ground", ground), ("hover", hover)):
                if amplitude is not None:
                    rows["readings"] += f"J-1,{n},{regime},radial,{amplitude},3:00\n"
            if spread is not None:
                rows["track"] += f"J-1,{n},ground,1,{spread / 2}\nJ-1,{n},ground,2,{-spread / 2}\n"
        self.rows = rows

    def add(self, table: str, row: str) -> "Log":
        self.rows[table] += f"J-1,{row}\n"
        return self

    def order(self, **more: str) -> OrderOfWork:
        for name, text in self.rows.items():
            (self.folder / f"{name}.csv").write_text(text)
        history = adapt.check(self.rotor, adapt.read_log(self.folder))
        return order_of_work(self.rotor, history, "J-1", **more)


def states(order: OrderOfWork) -> dict[str, str]:
    return {step.name: step.state for step in order.steps}


def test_track_comes_before_balance(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.4, 0.5, 9.0)).order()
    assert states(order) == {
        "look": "always", "read": "done", "track": "now", "balance on the ground": "later",
        "balance in flight": "later", "close": "later",
    }  # fmt: skip
    assert order.next is not None
    assert order.next.found[0].amplitude == pytest.approx(9.0)


def test_balance_on_the_ground_comes_before_flight(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.4, None, 3.0)).order()
    assert states(order)["track"] == "done"
    assert states(order)["balance on the ground"] == "now"
    assert states(order)["balance in flight"] == "later"


def test_a_limit_that_was_not_read_is_not_done(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.1, None, 3.0)).order()
    assert order.next is not None
    assert order.next.name == "balance in flight"
    assert order.next.found[0].amplitude is None


def test_when_all_is_inside_the_work_is_closed(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.1, 0.2, 3.0)).order()
    assert order.next is not None
    assert order.next.name == "close"


def test_moves_after_the_last_run_ask_for_a_run_first(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.4, 0.4, 3.0)).add("moves", "1,1,span weight,4").order()
    assert order.waiting
    assert order.next is not None
    assert order.next.name == "read"
    assert states(order)["track"] == "later"


def test_the_latest_reading_counts_also_from_an_earlier_run(tmp_path: Path) -> None:
    order = Log(tmp_path, (0.4, 0.1, 3.0), (0.1, None, None)).order()
    assert order.next is not None
    assert order.next.name == "close"
    flight = next(s for s in order.steps if s.name == "balance in flight")
    assert flight.found[0].run == "1"


def test_what_was_read_before_new_hardware_does_not_count(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.1, 0.1, 3.0), (0.1, None, 2.0)).add("events", "1,hardware changed,,")
    flight = next(s for s in log.order().steps if s.name == "balance in flight")
    assert flight.found[0].amplitude is None
    assert flight.state == "now"


@pytest.mark.parametrize(
    ("move", "step"),
    [("span weight,4", "balance in flight"), ("pitch link,0.5", "track")],
)
def test_what_was_read_before_a_move_that_changes_it_is_not_done(
    tmp_path: Path, move: str, step: str
) -> None:
    log = Log(tmp_path, (0.4, 0.1, 3.0), (0.1, None, None)).add("moves", f"1,1,{move}")
    order = log.order()
    assert order.next is not None
    assert order.next.name == step
    assert order.next.found[0].amplitude is not None
    assert order.next.found[0].moved_since
    said = " ".join(as_text(order_report(order, log.rotor, "adapt plan tail")).split())
    assert "read it again" in said


def test_a_weight_does_not_ask_for_track_to_be_read_again(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.4, 0.1, 3.0), (0.1, 0.1, None)).add("moves", "1,1,span weight,4")
    assert states(log.order())["track"] == "done"


def test_a_turned_reference_leaves_amplitudes_as_they_are(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.1, 0.1, 3.0), (0.1, None, 2.0)).add("events", "1,reference moved,,")
    assert log.order().next == log.order().steps[-1]


def test_weights_before_track_and_mixed_moves_are_told(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.4, 0.4, 9.0), (0.3, 0.3, 3.0), (0.1, 0.1, 3.0))
    log.add("moves", "1,1,span weight,4").add("moves", "1,1,pitch link,0.5")
    log.add("moves", "2,1,span weight,2")
    order = log.order()
    assert order.early == ("1",)
    assert order.mixed == ("1",)


@pytest.mark.parametrize(("second", "steady"), [(0.31, True), (0.9, False)])
def test_runs_with_nothing_changed_between_them_tell_whether_readings_are_steady(
    tmp_path: Path, second: float, steady: bool
) -> None:
    order = Log(tmp_path, (0.3, 0.3, 3.0), (second, second, 3.0)).order()
    assert order.steady is not None
    assert (order.steady < 2.0) == steady
    # A difference of two readings: reading noise twice and one run-to-run change, two components.
    expected = abs(second - 0.3) / (2 * 2 * 0.01**2 + 2 * 0.01**2) ** 0.5
    assert order.steady == pytest.approx(expected)


def test_unknown_jobs_and_limits_are_refused_with_those_that_are_there(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.4, 0.4, 9.0))
    log.order()
    history = adapt.check(log.rotor, adapt.read_log(log.folder))
    with pytest.raises(BadInput, match="its jobs are: J-1"):
        order_of_work(log.rotor, history, "J-2")
    with pytest.raises(BadInput, match="limits: found 'after'"):
        order_of_work(log.rotor, history, "J-1", "after")


def test_the_demos_tail_rotor_is_told_to_balance_with_its_links_locked() -> None:
    rotor = adapt.read_rotor(DEMO / "tail-rotor.toml")
    history = adapt.check(rotor, adapt.read_log(DEMO / "log"))
    order = order_of_work(rotor, history, "J-057")
    said = " ".join(as_text(order_report(order, rotor, "adapt plan tail")).split())
    assert "Next: balance on the ground." in said
    assert "adapt plan tail --lock-adjuster 'pitch link'" in said
    assert "--regime" not in said  # hover was read too: all regimes are balanced together
    assert "The log holds no limit on track" in said
    assert "Rotating blades kill" in said


def test_a_fan_without_a_regime_on_the_ground_is_not_told_to_fly(tmp_path: Path) -> None:
    log = Log(tmp_path, (0.4, 0.5, 3.0))
    order = log.order()
    regimes = tuple(replace(r, on_ground=False) for r in log.rotor.regimes)
    fan = replace(log.rotor, name="fan", regimes=regimes)
    history = adapt.check(log.rotor, adapt.read_log(log.folder))
    order = order_of_work(fan, history, "J-1")
    said = as_text(order_report(order, fan, "adapt plan"))
    assert "Next: balance." in said
    assert "in flight" not in said


def test_a_kind_is_told_by_the_rotors_name() -> None:
    rotor = adapt.read_rotor(DEMO / "tail-rotor.toml")
    assert kind_of(rotor) is KINDS[0]
    assert kind_of(replace(rotor, name="tail rotor drive shaft")) is KINDS[1]
    assert kind_of(adapt.read_rotor(DEMO / "main-rotor.toml")) is KINDS[-1]


@pytest.mark.parametrize("track_limited", [True, False])
def test_with_no_limit_on_vibration_the_work_is_never_called_done(
    tmp_path: Path, track_limited: bool
) -> None:
    log = Log(tmp_path, (0.9, 0.9, 2.0))
    text = ROTOR.split("[[limits]]")[0]
    if track_limited:
        text += '[[limits]]\ntrack = true\nregime = "ground"\nlimit = 6\n'
    (tmp_path / "rotor.toml").write_text(text)
    log.rotor = adapt.read_rotor(tmp_path / "rotor.toml")
    order = log.order()
    states = {step.name: step.state for step in order.steps}
    assert states["balance in flight"] == states["close"] == "not told"
    assert order.next is None
    told = as_text(order_report(order, log.rotor, "adapt plan"))
    assert "no limit on vibration" in told
    assert "close the work." not in told


@pytest.mark.parametrize(
    ("text", "found"), [(None, "no-chart.csv"), ("a,b\n1,2\n", "found no such column")]
)
def test_a_chart_that_is_not_there_or_is_none_is_refused(text, found, tmp_path, capsys):
    chart = tmp_path / "no-chart.csv"
    if text is not None:
        chart.write_text(text)
    words = ["order", str(DEMO / "tail-rotor.toml"), str(DEMO / "log"), "--job", "J-057"]
    assert main([*words, "--chart", str(chart)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert found in said.err


def test_where_nobody_knows_what_weights_do_a_trial_weight_comes_next(tmp_path, capsys):
    log = Log(tmp_path, (0.5, None, 3.0))
    log.order()
    words = ["order", str(tmp_path / "rotor.toml"), str(log.folder), "--job", "J-1"]
    assert main(words) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "What weights do to these readings is not known" in said
    trial = f"adapt trial {words[1]} --log {words[2]} --job J-1 --adjuster 'span weight'"
    assert trial in said
    assert "adapt plan" not in said
    chart = tmp_path / "chart.csv"
    chart.write_text(
        "sensor,regime,adjuster,amplitude,clock\nradial,ground,span weight,0.02,3:00\n"
        "radial,ground,pitch link,0.02,3:00\nradial,hover,span weight,0.02,3:00\n"
        "radial,hover,pitch link,0.02,3:00\n"
    )
    assert main([*words, "--chart", str(chart)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "not known" not in said
    assert f"adapt plan {words[1]}" in said
