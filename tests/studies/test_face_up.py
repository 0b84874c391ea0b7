"""Studies of one stone, each called in one line as a notebook does, held against their command and plain physics."""

import numpy as np
import pytest
from shared import ROUND, document

from facetrace.cli.loading import load_stone
from facetrace.optics.lights import find_light
from facetrace.optics.material import find_material
from facetrace.studies.dichroscope import two_colours
from facetrace.studies.face_up import StoneInLight, trace_stone
from facetrace.studies.movie import film


@pytest.fixture(scope="module")
def stone():
    file, solid = load_stone(ROUND)
    axis = (file.design.axis.tilt, file.design.axis.azimuth)
    return StoneInLight("round", solid, find_material("ruby"), axis, find_light("hemisphere"))


def test_a_trace_is_that_of_the_command(stone):
    """The same bits; without pixels there are no maps, and no error was asked for."""
    result = trace_stone(stone, rays=4096)
    told = document("trace", ROUND, "--rays", 4096, "--no-picture")
    assert {k: m.value for k, m in result.figures.measures.items()} == {
        k: m["value"] for k, m in told["measures"].items()
    }
    assert result.sizes.carats == told["solid"]["carats"]
    assert result.maps is None


def test_a_stone_that_does_not_move_is_the_same_in_all_frames(stone):
    """Leaning by 0 degrees; each frame is as large as asked."""
    movie = film(stone, tilt=0.0, frames=3, size=32, samples=2)
    assert len(movie.frames) == len(movie.views) == 3
    assert all(np.array_equal(frame, movie.frames[0]) for frame in movie.frames)
    assert movie.frames[0].shape == (32, 32, 3)
    assert movie.frames[0].dtype == np.uint8


def test_along_the_axis_both_colours_are_one():
    """A uniaxial crystal is not doubly refracting along c (Born & Wolf, "Principles of Optics", ch. 15.3)."""
    assert two_colours(find_material("ruby"), 0.0).pair.difference == pytest.approx(0, abs=1e-9)
    assert two_colours(find_material("ruby")).pair.difference > 5
