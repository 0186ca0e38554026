"""A small rotor and results made by hand for the reports: no reader, learner or planner runs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from adapt.chart import Chart
from adapt.coefficients import Coefficients, Noise, Posterior
from adapt.log import History
from adapt.outcomes.outcome import Outcome
from adapt.planning.plan import (
    Alternative,
    Move,
    Plan,
    ReadingForecast,
    TrackForecast,
    Tradeoff,
)
from adapt.problems import Problem
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor


@pytest.fixture
def rotor() -> Rotor:
    return Rotor(
        name="main rotor",
        blades=("A", "B", "C", "D"),
        rpm=390.0,
        sensors=(
            Sensor("cabin lateral", "ips"),
            Sensor("cabin vertical", "ips", phase="lead"),
        ),
        regimes=(Regime("hover"), Regime("120 kt")),
        adjusters=(
            Adjuster("hub weight", "g", 20.0, (0.0, 400.0), "add", largest_move=200.0),
            Adjuster("trim tab", "deg", 0.5, (-5.0, 5.0), "bend up (blade flies higher)"),
            Adjuster("pitch link", "flats", 1.0, (-10.0, 10.0), "longer (blade flies higher)"),
        ),
        limits=(Limit("cabin lateral", 0.2), Limit(None, 20.0, "hover")),
        track_unit="mm",
    )


@pytest.fixture
def plan() -> Plan:
    moves = (Move("B", "hub weight", 40.0), Move("C", "trim tab", -1.5))
    # 0.4 at 90 deg of lag is 3:00 on the clock of a lag sensor and 9:00 on that of a lead sensor.
    reading = {"sd": 0.02, "chance": 0.96, "read_in": "3"}
    return Plan(
        rotor="R-07", design="main rotor", job="J-014", after_run="3", aim="fewest",
        limit_set=None, chance_asked=0.9, most_moves=None, hedged=True, feasible=True,
        stopped_by=(), not_constrained=(), worst_ratio=0.62, lower_bound=2.0, second_bound=0.93,
        proven=True, chance=0.92, joint_chance=0.94, minutes=35.0, moves=moves,
        readings=(
            ReadingForecast("cabin lateral", "hover", 0.4j, 0.1 + 0j, 0.1 - 0.4j, limit=0.2,
                            ratio=0.62, **reading),
            ReadingForecast("cabin lateral", "120 kt", None, None, 0.1 - 0.4j, limit=0.2,
                            ratio=None, sd=None, chance=None, read_in=None),
            ReadingForecast("cabin vertical", "hover", 0.4j, 0.05j, -0.35j, limit=None,
                            ratio=None, **reading),
        ),
        track=(
            TrackForecast("hover", 24.0, 11.5, {"A": 12.0, "B": 0.0, "C": 0.0, "D": -12.0},
                          {"A": 5.0, "B": 1.5, "C": 0.0, "D": -6.5}, 20.0, 0.61, 0.98, "2"),
        ),
        tradeoff=(
            Tradeoff(1, 1.4, 0.02, True, moves[:1]),
            Tradeoff(2, 0.62, 0.92, True, moves),
        ),
        alternatives=(Alternative((Move("D", "hub weight", -40.0),), 0.7, 0.9, 20.0),),
        conditions={"aircraft": "AC-3", "started": pd.Timestamp("2025-03-02 14:10"),
                    "gross_weight": 3150.0, "wind_kt": float("nan")},
        notes=("fitted amounts are not known; 0 is assumed",),
    )  # fmt: skip


@pytest.fixture
def history() -> History:
    def frame(columns: str, rows: int = 0) -> pd.DataFrame:
        return pd.DataFrame({c: ["x"] * rows for c in columns.split()})

    runs = frame("rotor job run", 3).assign(job=["J-1", "J-1", "J-2"])
    return History(
        runs=runs, readings=frame("job run", 12), track=frame("job"), moves=frame("job"),
        fitted=frame("job"), events=frame("job"), excluded=frame("job", 1),
        faults=(
            Problem("fault", "readings.csv", 14, "clock", "'13:75'", "a clock angle h:mm", "J-9"),
            Problem("fault", "moves.csv", 3, "blade", "'E'", "a blade (known: A, B, C, D)", "J-9"),
        ),
        doubts=(Problem("doubt", "readings.csv", 20, "amplitude", "3.1", "below 2", "J-1"),),
        set_aside={"J-9": 2},
        source="log",
    )  # fmt: skip


@pytest.fixture
def learned(rotor: Rotor) -> Coefficients:
    """Return coefficients that are 0.8 of the chart and lag it by 30 deg, everywhere."""
    channels, regimes, adjusters = len(rotor.channels), 2, 3
    drawn = np.tile(np.array([0.001, 0.02, 0.04]) * np.exp(1j * np.deg2rad(100.0)), (channels, 1))
    mean = 0.8 * np.exp(1j * np.deg2rad(30.0)) * drawn
    cov = np.tile(np.diag([2e-8, 8e-6, 8e-6]), (channels, 1, 1)).astype(complex)
    track = np.tile([0.0, 4.0, 9.0], (regimes, 1))
    track_cov = np.tile(np.diag([0.0, 0.04, 0.09]), (regimes, 1, 1))
    pairs = np.full((channels, adjusters), 7)
    known = Posterior.of_channels(
        mean, cov, track, track_cov, pairs, np.full((regimes, adjusters), 5)
    )
    other = Posterior.of_channels(1.5 * mean, cov, track, track_cov, pairs, known.track_pairs)
    return Coefficients(
        design="main rotor", channels=rotor.channels, regimes=rotor.regime_names,
        adjusters=rotor.adjuster_names, type_=known, unseen=known,
        rotors={"R-07": known, "R-08": other},
        noise=Noise(np.full(4, 2 * 0.015**2), np.full(4, 2 * 0.01**2), np.full(2, 4.0),
                    np.full(2, 1.0)),
        taught=frozenset({("J-1", "1"), ("J-2", "1")}),
        chart=Chart(drawn, 0.25 * np.abs(drawn), track, 0.1 * track, "chart.csv"),
    )  # fmt: skip


@pytest.fixture
def outcome() -> Outcome:
    def scores(method: str, sensor: str | None, regime: str | None, rms: float) -> dict:
        return {"method": method, "sensor": sensor, "regime": regime, "runs": 40,
                "rms_error": rms, "skill": 1 - rms**2 / 0.04, "skill_against_chart": 0.5,
                "skill_low": 0.8 - rms, "skill_high": 1.1 - rms, "against_chart_low": 0.4,
                "against_chart_high": 0.6, "jobs": 12, "rms_amplitude_error": rms / 2,
                "rms_phase_error_deg": None if sensor is None else 200 * rms,
                "adjusted_p": 0.01 if method == "learned" and regime else None,
                "coverage": 0.94 if method == "learned" else None}  # fmt: skip

    def fit(regime: str | None, adjuster: str | None, gain: float, turn: float) -> dict:
        return {
            "sensor": "cabin lateral",
            "regime": regime,
            "adjuster": adjuster,
            "pairs": 30,
            "gain": gain,
            "gain_low": gain - 0.1,
            "gain_high": gain + 0.1,
            "rotation_deg": turn,
            "rotation_low": turn - 8,
            "rotation_high": turn + 8,
            "rotors": 8,
            "rotors_agree": 6,
        }

    return Outcome(
        summary=pd.DataFrame(
            [
                scores(method, sensor, regime, rms)
                for method, rms in (
                    ("no change", 0.2),
                    ("chart", 0.1),
                    ("early fit", 0.08),
                    ("learned", 0.05),
                )
                for sensor in ("cabin lateral", "cabin vertical", None)
                for regime in ("hover", "120 kt", None)
            ]
        ),
        chart_fit=pd.DataFrame(
            [
                fit("hover", "hub weight", 1.02, 3.0),
                fit("hover", "trim tab", 1.3, 3.0),
                fit("120 kt", "trim tab", 1.5, -20.0),
                fit(None, None, 1.2, 0.0),
            ]
        ),
        predictions=pd.DataFrame(
            columns=["method", "sensor", "regime", "moved", "before", "predicted", "read", "error"]
        ),
        breakdown=pd.DataFrame(columns=["by", "group", "of", "method", "skill"]),
        coverage=pd.DataFrame(columns=["of", "experience", "level", "share", "low", "high"]),
        reliability=pd.DataFrame(columns=["of", "stated", "came_true", "low", "high"]),
        by_experience=pd.DataFrame(columns=["of", "experience", "stated", "came_true"]),
        brier={},
        whole_runs=pd.DataFrame(),
        early_jobs=10,
        jobs=12,
        runs=40,
        jobs_left_out=1,
    )
