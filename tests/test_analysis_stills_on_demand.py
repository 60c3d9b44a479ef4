"""Pictures of shots are made when they are asked for, and none before."""

from __future__ import annotations

import pytest

from analysis_examples import example_analysis, example_stills
from shoegoal.pictures.stills import StillPicture
from shoegoal.pipeline.count import StillsOnDemand
from shoegoal.types import Shot


def test_each_shots_pictures_are_made_when_asked_for() -> None:
    shots = example_analysis().shots
    made: list[int] = []

    def make(shot: Shot) -> list[StillPicture]:
        made.append(shot.number)
        return example_stills(shot, 0.25)

    stills = StillsOnDemand(shots, make)
    assert list(stills) == [shot.number for shot in shots]
    assert len(stills) == len(shots) and shots[0].number in stills
    first = shots[0].number
    assert made.count(first) <= 1  # to be in it may have asked
    made.clear()
    assert len(stills[first]) == len(example_stills(shots[0], 0.25))
    assert made == [first]
    assert stills.get(99, ()) == ()
    with pytest.raises(KeyError):
        stills[99]
