"""Reports and documents of trial weights, balances, amplitudes and residual unbalance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from adapt.balancing.residual import Machine, PlaneUnbalance, Residual
from adapt.balancing.setup import looks_turned
from adapt.balancing.setup.before_after import read_before_after
from adapt.balancing.trial.amplitude_table import AmplitudeRuns
from adapt.balancing.trial.amplitudes import fit_amplitudes
from adapt.balancing.trial.asked import Asked, Now
from adapt.balancing.trial.conditioning import conditioning_of
from adapt.balancing.trial.correction import Correction, Remaining
from adapt.balancing.trial.own_runs import LastRun
from adapt.balancing.trial.size import trial_weight
from adapt.balancing.trial.vectors import Balance, Effect
from adapt.reports.balancing.amplitudes import amplitudes_document, amplitudes_report
from adapt.reports.balancing.balance import balance_report, combination_in_words, what_to_do_about
from adapt.reports.balancing.balance_documents import balance_document
from adapt.reports.balancing.looks_turned import looks_report
from adapt.reports.balancing.places import angle_and_place, place
from adapt.reports.balancing.trial import trial_document, trial_report
from adapt.reports.balancing.unbalance import residual_document, residual_report
from adapt.reports.documents import as_json
from adapt.reports.show import as_text
from adapt.rotor import Adjuster, Regime, Rotor, Sensor

PLANES = ("front weight", "rear weight")


@pytest.fixture
def fan() -> Rotor:
    return Rotor(
        name="cooling fan",
        blades=("1", "2", "3", "4"),
        rpm=3000.0,
        sensors=(Sensor("front", "mm/s"), Sensor("rear", "mm/s", phase="lead")),
        regimes=(Regime("full speed"),),
        adjusters=tuple(Adjuster(name, "g", 0.5, (0.0, 30.0)) for name in PLANES),
        limits=(),
    )


def seen(mean: np.ndarray, var: float = 1e-6):
    cov = np.tile(var * np.eye(mean.shape[1], dtype=complex), (len(mean), 1, 1))
    return conditioning_of(PLANES[: mean.shape[1]], mean, cov, np.full(len(mean), 0.1))


def balance_of(conditioning, poorly_known: str = "") -> Balance:
    correction = Correction(
        planes=PLANES,
        weights=np.array([8.0j, -4.0 + 0j]),
        cov=np.diag([0.5, 0.02]).astype(complex),
        by_reading=np.zeros((2, 2), dtype=complex),
        channels=(0, 1),
        remaining=(
            Remaining("front", "full speed", 2.0j, 0.1 + 0j, 0.05, 0.02, 0.21, 1.0, True),
            Remaining("rear", "full speed", 2.0j, 0.1 + 0j, 0.05, 0.02, 0.21, None, False),
        ),
        conditioning=conditioning,
        poorly_known=poorly_known,
        only_known=False,
    )
    effects = (
        Effect(PLANES[0], "front", "full speed", 0.4j, 0.012, 0.37, 0.43, 2),
        Effect(PLANES[1], "rear", "full speed", None, None, None, None, 0),
    )
    return Balance(
        rotor="F-1", job="J-7", after_run="3", planes=PLANES, effects=effects, coefficients=None,
        standing=None, correction=correction, well_known=None, plan=None,
        why_no_plan="the rotor file has no limits to plan for",
        last_run=LastRun("3", 2, 0.0004, False, "rear", "full speed", 4.2), notes=("A note.",),
    )  # fmt: skip


WELL = np.array([[0.4, 0.1], [0.1, 0.4]], dtype=complex)
ALIKE = np.array([[0.40, 0.40], [0.40, 0.41]], dtype=complex)


def test_a_balance_tells_effects_angles_what_remains_and_a_run_that_does_not_fit(fan):
    text = as_text(balance_report(balance_of(seen(WELL)), fan))
    assert "0.400 @  3:00" in text  # 90 deg of lag on a lag sensor
    assert "not known" in text
    assert "8.00 g" in text
    assert "at 2" in text
    assert "0.50" in text  # sd per component of a variance of 0.5
    assert "0.02 to 0.21" in text
    assert "2.00 @  9:00" in text  # the lead sensor's own clock
    assert "less than 1 in 1000" in " ".join(text.split())
    flowing = " ".join(text.split())
    assert "4.2 standard deviations" in flowing
    assert "No plan: the rotor file has no limits" in flowing
    assert "Rotating blades kill" in flowing


def test_a_correction_of_more_than_half_a_blades_range_says_stop_and_inspect(fan):
    small = replace(fan, adjusters=(replace(fan.adjusters[0], fitted_range=(0.0, 15.0)),
                                    fan.adjusters[1]))  # fmt: skip
    for rotor, told in ((small, True), (fan, False)):
        text = " ".join(as_text(balance_report(balance_of(seen(WELL)), rotor)).split())
        assert ("front weight asks for more than half" in text) is told
        assert ("Stop and inspect before correcting" in text) is told


def test_planes_that_look_alike_are_told_in_words_with_what_to_do(fan):
    text = " ".join(as_text(balance_report(balance_of(seen(ALIKE, 0.0), "alike"), fan)).split())
    assert "What is known well: sum of front weight and rear weight" in text
    assert "What is poorly known: difference of front weight and rear weight" in text
    assert "Read a run at another speed" in text
    assert "Not to be used as it is: alike." in text


def test_combinations_that_are_neither_sum_nor_difference_are_told_with_their_angle():
    turned = ALIKE * np.array([1.0, 1j])
    well = seen(turned, 0.0).directions[0]
    words = combination_in_words(well, PLANES)
    # The rear plane's effect is a quarter turn later, so its weight helps a quarter turn earlier.
    assert words == "front weight together with rear weight turned by -90 deg"


def test_a_trial_weight_without_effect_asks_for_a_larger_one():
    advice = what_to_do_about(seen(np.array([[0.4, 1e-5], [0.1, 1e-5]], dtype=complex), 1e-4))
    assert any("larger trial weight in rear weight" in text for text in advice)


def test_the_document_of_a_balance_has_phases_of_the_sensor_and_angles_in_passing_order(fan):
    document = balance_document(balance_of(seen(WELL)), fan)
    assert document["correction"]["weights"][0] == {
        "plane": "front weight", "amount": 8.0, "unit": "g", "angle_deg": 90.0, "sd": 0.5,
    }  # fmt: skip
    assert document["correction"]["weights"][1]["angle_deg"] == pytest.approx(180.0)
    rear = document["correction"]["remaining"][1]
    assert rear["before"] == {"amplitude": 2.0, "phase_deg": 270.0}
    assert document["effects"][1]["amplitude"] is None
    assert document["last_run"]["fits"] is False
    assert document["conditioning"]["poor"] is False
    as_json(document)


def test_a_condition_without_end_is_null_in_json(fan):
    one = seen(np.array([[0.4, 0.1]], dtype=complex))
    assert '"condition": null' in as_json(balance_document(balance_of(one), fan))


ASKED = Asked(mass_kg=40.0, radius_mm=110.0, rpm=3000.0)


def test_a_trial_weight_is_told_with_its_force_and_what_decides(fan):
    now = Now("front", "full speed", 2.0, 0.05, "mm/s", limit=4.5)
    found = trial_weight(fan.adjusters[0], ASKED, [now])
    text = " ".join(as_text(trial_report(found, ASKED, fan)).split())
    assert "At most 3.5 g, in steps of 0.5 g" in text
    assert "38.0 N, 9.7 % of the rotor's weight" in text
    assert "What decides: centrifugal force 10 % of the rotor's weight" in text
    assert "4.50 mm/s" in text
    document = trial_document(found, ASKED, fan)
    assert document["stops"] == [
        {"sensor": "front", "regime": "full speed", "amplitude": 4.5, "unit": "mm/s"}
    ]
    assert document["bounds"][0]["kind"] == "force"
    as_json(document)


def test_a_trial_that_may_not_be_made_is_not_advised(fan):
    coarse = replace(fan.adjusters[0], step=10.0)
    text = as_text(trial_report(trial_weight(coarse, ASKED), ASKED, fan))
    assert "Not advised: no step is small enough" in text
    assert "At most" not in text
    assert "from the manual" in " ".join(text.split())


def runs_of(fan: Rotor, weights: list[complex], amounts: np.ndarray) -> AmplitudeRuns:
    value = np.abs(4.0 + 0.3 * np.exp(2j) * np.array(weights))
    return AmplitudeRuns(
        runs=tuple(str(k + 1) for k in range(len(weights))), amplitudes=value, amounts=amounts,
        weights=np.array(weights), adjuster=fan.adjusters[0], sensor=fan.sensors[0],
        regime="full speed", doubts=(), source="amplitudes.csv",
    )  # fmt: skip


def test_amplitudes_alone_tell_one_answer_with_its_place(fan):
    runs = runs_of(
        fan, [0, 10, 10j, -10j], np.array([[0] * 4, [10, 0, 0, 0], [0, 10, 0, 0], [0, 0, 0, 10]])
    )
    found = fit_amplitudes(runs.amplitudes, runs.weights, 0.02)
    text = as_text(amplitudes_report(found, runs, fan))
    # 4 / 0.3 g opposite to where the effect of the first hole is in phase: 180 - 2 rad = 65 deg.
    assert "13.33 g" in text
    assert " 65 " in text
    assert "between 1 and 2" in text
    assert "+10.0 g on 4" in text
    document = amplitudes_document(found, runs, fan)
    assert document["usable"] is True
    assert document["answers"][0]["angle_deg"] == pytest.approx(180 - np.rad2deg(2), abs=0.1)
    as_json(document)


def test_mirror_images_are_both_shown_with_what_they_share(fan):
    runs = runs_of(fan, [0, 10, -10], np.array([[0] * 4, [10, 0, 0, 0], [0, 0, 10, 0]]))
    found = fit_amplitudes(runs.amplitudes, runs.weights, 0.02)
    text = " ".join(as_text(amplitudes_report(found, runs, fan)).split())
    assert "Not to be used as it is: the trial weights stand on one line" in text
    assert "What both answers share: add 5.55 g" in text
    assert len(amplitudes_document(found, runs, fan)["answers"]) == 2


def residual(inside: bool | None) -> Residual:
    plane = PlaneUnbalance("front weight", 500.0, 400.0, 600.0, 90.0, 802.0)
    return Residual(
        planes=(plane,), bearings=(), g_mm=500.0, low_g_mm=400.0, high_g_mm=600.0, grade_mm_s=3.9,
        low_mm_s=3.1, high_mm_s=4.7, meets=6.3, grade=6.3, permissible_g_mm=802.0, inside=inside,
        notes=("A note.",),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("inside", "words"), [(True, ": inside."), (False, ": not inside."), (None, ": not known")]
)
def test_a_residual_unbalance_is_told_with_its_grade_and_never_as_a_helicopters_limit(
    fan, inside, words
):
    machine = Machine(40.0, {"front weight": 110.0}, 3000.0, 9000.0, 6.3)
    told = fan, "J-7", "3", "this job's own runs alone"
    text = " ".join(as_text(residual_report(residual(inside), machine, *told)).split())
    assert "500 g mm (400 to 600, 95 %)" in text
    assert "It meets G 6.3, its doubt included." in text
    assert f"G 6.3 permits 802 g mm{words}" in text
    assert "never the limits of a helicopter's rotors" in text
    document = residual_document(residual(inside), machine, *told)
    assert document["inside"] is inside
    assert document["machine"]["radius_mm"] == {"front weight": 110.0}
    as_json(document)


def test_planes_whose_places_are_not_known_are_told_to_need_them(fan):
    found = residual(None)
    planes = (*found.planes, replace(found.planes[0], plane="rear weight"))
    machine = Machine(40.0, {"front weight": 110.0, "rear weight": 90.0}, 3000.0, 9000.0, 6.3)
    told = fan, "J-7", "3", "this job's own runs alone"
    text = " ".join(as_text(residual_report(replace(found, planes=planes), machine, *told)).split())
    assert "not known without the places of bearings and planes" in text


def test_places_are_told_for_uneven_holes_and_a_single_one(fan):
    uneven = replace(fan, azimuth_deg=(0.0, 30.0, 200.0, 210.0))
    assert place(uneven, 100.0) == "between 2 and 3"
    assert place(uneven, 359.8) == "at 1"
    assert place(replace(fan, blades=("1",)), 40.0) == "40 deg after 1"
    assert angle_and_place(fan, 0j) == ("-", "-")


def test_no_well_known_combination_is_advised_where_there_is_none():
    # The doubt of the second plane, as large as its effect, spoils both combinations.
    mean = np.array([[0.4, 0.35], [0.4, 0.35j]], dtype=complex)
    cov = np.tile(np.diag([1e-4, 0.2]).astype(complex), (2, 1, 1))
    conditioning = conditioning_of(PLANES, mean, cov, np.full(2, 0.1))
    assert conditioning.without_effect == (PLANES[1],)
    assert not any(direction.known for direction in conditioning.directions)
    advice = " ".join(what_to_do_about(conditioning))
    assert "well-known combination" not in advice
    assert "(--plane 'front weight')" in advice


def test_an_angle_that_may_be_any_is_called_so(tmp_path):
    table = tmp_path / "zero.csv"
    table.write_text("sensor,regime,amplitude,clock\nfront,full speed,0,\n", encoding="utf-8")
    rotor = Rotor(
        name="fan",
        blades=("1", "2", "3"),
        rpm=3000.0,
        sensors=(Sensor("front", "mm/s"),),
        regimes=(Regime("full speed"),),
        adjusters=(),
        limits=(),
    )
    read = read_before_after(table, table, rotor, scatter=0.1)
    told = as_text(looks_report(rotor, read, looks_turned(rotor, read.pairs), ()))
    row = next(line for line in told.splitlines() if line.startswith("the phase reference turned"))
    assert row.split()[-1] == "any"
