"""What the blades may still take, counted by hand from what a log says is fitted."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from fans import FRONT, REAR, fan, fan_job

from adapt.balancing.trial.asked import Asked
from adapt.balancing.trial.room import room_of
from adapt.balancing.trial.size import trial_weight
from adapt.problems import BadInput
from adapt.rotor import SharedRange

BLADES = tuple(str(k + 1) for k in range(8))
# A rotor so heavy and slow that only its holes bound the weight.
HEAVY = Asked(mass_kg=4000.0, radius_mm=100.0, rpm=100.0)


def job_of(carried: dict[tuple[str, str], float], moves: list, **more: object):
    """Return a fan's job whose blades carried so much, 0 where nothing is said."""
    job = fan_job(fan(**more), moves)
    rows = [
        ("J-1", blade, plane, carried.get((blade, plane), 0.0))
        for blade in BLADES
        for plane in (FRONT, REAR)
    ]
    fitted = pd.DataFrame(rows, columns=["job", "blade", "adjuster", "amount"])
    return job.rotor, replace(job.history, fitted=fitted)


def test_the_blade_with_the_least_room_decides_moves_counted_in():
    rotor, history = job_of({("2", FRONT): 31.0}, [[(FRONT, 2, 4.0)], [(FRONT, 5, 6.0)]])
    room = room_of(rotor, history, "J-1", rotor.adjuster(FRONT))
    assert (room.blade, room.fitted, room.most) == ("2", 35.0, 5.0)
    assert "5 g on blade 2" in room.notes[0]
    assert "34 g on blade 5" in room.notes[0]


def test_a_blade_that_is_named_decides_alone():
    rotor, history = job_of({("2", FRONT): 31.0}, [[(FRONT, 2, 4.0)], [(FRONT, 5, 6.0)]])
    room = room_of(rotor, history, "J-1", rotor.adjuster(FRONT), "5")
    assert (room.blade, room.most, room.notes) == ("5", 34.0, ())


def test_what_other_adjusters_carry_counts_in_a_range_that_is_shared():
    shared = (SharedRange((FRONT, REAR), (0.0, 50.0)),)
    rotor, history = job_of({("4", FRONT): 20.0, ("4", REAR): 28.0}, [], shared_ranges=shared)
    room = room_of(rotor, history, "J-1", rotor.adjuster(FRONT))
    assert (room.blade, room.most) == ("4", 2.0)
    bounds = {b.kind: b.amount for b in room.bounds}
    assert bounds == {"fitted range": 20.0, "shared range": 2.0}


def test_moves_of_the_job_count_in_a_range_of_their_sum():
    rotor, history = job_of({}, [[(FRONT, 1, 4.0)]])
    front = replace(rotor.adjuster(FRONT), sum_range=(-6.0, 6.0))
    rotor = replace(rotor, adjusters=(front, rotor.adjuster(REAR)))
    room = room_of(rotor, history, "J-1", front, "8")
    assert (room.fitted, room.most) == (0.0, 2.0)


@pytest.mark.parametrize(("said", "fitted"), [(None, 35.0), (30.0, 35.0), (38.0, 38.0)])
def test_of_what_a_person_says_and_what_the_log_says_the_larger_counts(said, fitted):
    rotor, history = job_of({("2", FRONT): 31.0}, [[(FRONT, 2, 4.0)]])
    assert room_of(rotor, history, "J-1", rotor.adjuster(FRONT), "2", said).fitted == fitted


def test_what_is_not_recorded_is_assumed_in_words_unless_it_is_said():
    job = fan_job(fan(), [[(FRONT, 2, 4.0)]])
    front = job.rotor.adjuster(FRONT)
    room = room_of(job.rotor, job.history, "J-1", front, "2")
    assert room.fitted == 4.0
    assert "does not record what blade 2 carried" in room.notes[0]
    assert room_of(job.rotor, job.history, "J-1", front, "2", 9.0).notes == ()


def test_the_trial_weight_keeps_to_the_room():
    rotor, history = job_of({("2", FRONT): 37.2}, [])
    front = rotor.adjuster(FRONT)
    room = room_of(rotor, history, "J-1", front)
    found = trial_weight(front, replace(HEAVY, fitted=room.fitted, room=room.bounds))
    assert (found.amount, found.bounds[0].kind) == (2.5, "fitted range")
    assert "blade 2 may carry 40 g, 37.2 g are fitted" in found.bounds[0].words


def test_a_blade_that_does_not_take_the_weight_is_refused():
    rotor, history = job_of({}, [])
    front = replace(rotor.adjuster(FRONT), blades=("1", "3"))
    rotor = replace(rotor, adjusters=(front, rotor.adjuster(REAR)))
    with pytest.raises(BadInput, match=r"found '2'; expected a blade .* takes front weight"):
        room_of(rotor, history, "J-1", front, "2")


def test_a_blade_that_takes_no_such_weight_does_not_bound_it():
    rotor, history = job_of({("2", FRONT): 39.0}, [])
    front = replace(rotor.adjuster(FRONT), blades=("1", "3"))
    rotor = replace(rotor, adjusters=(front, rotor.adjuster(REAR)))
    assert room_of(rotor, history, "J-1", front).most == 40.0
