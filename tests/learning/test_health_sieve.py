"""The cheap look at large fleets: its sums are those of dense algebra, and nothing else alarms."""

import numpy as np
from invented_fleet import fleet, invented_rotor

from adapt.learning.fitting.learner import fit
from adapt.learning.health import find_changes
from adapt.learning.health.cases import that_count
from adapt.learning.health.parts import candidates, moved_runs, parts_by_blade
from adapt.learning.health.rows import whiten
from adapt.learning.health.scan import Search
from adapt.learning.health.sieve import cheap_tests
from adapt.learning.rows.runs import runs_of


def test_cheap_scores_are_those_of_generalised_least_squares() -> None:
    # Independent: dense covariances of a rotor's rows at one sensor, common factors projected out.
    f = fleet(np.random.default_rng(51), invented_rotor(4, 1, 2, 2, track=False), 6, jobs=3, runs=5)
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart)[0]
    search = Search(f.rotor, c, that_count(runs, c, None))
    cases = search.cases(np.array([2]))
    since = candidates(moved_runs(cases), 4)
    in_time, by_blade = cheap_tests(search, cases, since)
    rows = whiten(cases, parts_by_blade(cases))
    live = rows.live[0].reshape(-1)
    mean, cov = cases.mean[0, 0].reshape(-1), cases.cov[0, 0]

    def spread(parts: np.ndarray) -> np.ndarray:
        """Return rows by regime and adjuster, (run * regime, regime * adjuster)."""
        length, regimes, adjusters = parts.shape
        wide = np.zeros((length, regimes, regimes, adjusters), dtype=complex)
        for g in range(regimes):
            wide[:, g, g] = parts[:, g]
        return wide.reshape(length * regimes, -1)[live]

    x = spread(rows.parts[0, 0, :, 0])
    left = rows.z[0].reshape(-1)[live] - x @ mean
    left = left * (3.0 / np.maximum(np.abs(left), 3.0))
    inside = np.eye(len(x)) - x @ cov @ x.conj().T  # inverse of I + X P X' for C = posterior
    own = np.array([np.where(np.arange(len(mean)) % 2 == a, mean, 0.0) for a in range(2)]).T

    def squares(part: np.ndarray) -> float:
        base, direction = x @ own, (part @ own).sum(axis=1)
        common = base.conj().T @ inside @ base
        direction = direction - base @ np.linalg.solve(common, base.conj().T @ inside @ direction)
        return float(
            abs(direction.conj() @ left) ** 2 / (direction.conj() @ inside @ direction).real
        )

    expected = np.repeat(since.profile[0], 2, axis=1)[:, live][:, :, None] * x
    for p, part in enumerate(expected):
        if in_time.freedom[0, p, 0]:
            np.testing.assert_allclose(in_time.square[0, p, 0, 0], squares(part), rtol=1e-6)
    for b in range(4):
        if by_blade.freedom[0, b, 0]:
            part = spread(rows.parts[0, 1 + b, :, 0])
            np.testing.assert_allclose(by_blade.square[0, b, 0, 0], squares(part), rtol=1e-6)
    assert in_time.freedom[0, :, 0].sum() >= 3
    assert by_blade.freedom[0, :, 0].sum() >= 2


def test_a_changed_rotor_of_a_large_fleet_passes_the_cheap_look() -> None:
    from test_health import invented, otherwise

    f = otherwise(invented(53, rotors=24), "R020", 0.5, since=("J020-2", "1"))
    runs = runs_of(f.rotor, f.history)
    c = fit(f.rotor, runs, f.chart)[0]
    whole = find_changes(f.rotor, runs, c)
    sieved = find_changes(f.rotor, runs, c, sample=8)
    assert [x["rotor"] for x in whole] == [x["rotor"] for x in sieved] == ["R020"]
    same = {"test", "since_job", "since_run", "how", "sensor", "adjuster"}
    assert {k: whole[0][k] for k in same} == {k: sieved[0][k] for k in same}
