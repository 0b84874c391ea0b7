"""One kernel run two ways, compiled and as plain Python, and the log of events that both write.

What the log says is held against laws of optics: reflection and refraction (Born & Wolf, "Principles of
Optics", ch. 1.5.1), conservation of energy.
"""

import os
import subprocess
import sys
from functools import cache

import logged_paths
import numpy as np
import pytest
from shared import ROOT

from facetrace.kernel import events
from facetrace.kernel.tally import COUNT_EVENTS, SUM_ABSORBED, SUM_LOST, SUM_ROULETTE, SUM_Y
from facetrace.trace.log import HAPPENINGS, path_events

SCENES = logged_paths.scenes()
NAMES = list(SCENES)
DISCRETE = [events.LOG_WHAT, events.LOG_FACET, events.LOG_MODE]
PLACE = slice(events.LOG_PLACE, events.LOG_PLACE + 3)
WAVE = slice(events.LOG_WAVE, events.LOG_WAVE + 3)


@cache
def compiled(name):
    return logged_paths.logged(SCENES[name])


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """Sums, logs and texts of a process without the compiler, in which any warning is an error."""
    file = tmp_path_factory.mktemp("plain") / "paths.npz"
    done = subprocess.run(
        [sys.executable, "-W", "error", str(ROOT / "tests" / "tools" / "logged_paths.py"), str(file)],
        capture_output=True, text=True, cwd=ROOT, env=os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    return np.load(file)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_plain_python_and_compiled_kernel_follow_the_same_paths(plain, name):
    """The same events in the same order; numbers differ by rounding alone, since compiled code fuses a * b + c."""
    sums, log = compiled(name)
    theirs, their_log = plain[f"{name} sums"], plain[f"{name} log"]
    np.testing.assert_array_equal(log[:, 0, 0], their_log[:, 0, 0])
    assert 4 * len(log) < log[:, 0, 0].sum()
    assert log[:, 0, 0].max() < logged_paths.EVENTS
    mine, others = log[:, 1:], their_log[:, 1:]
    np.testing.assert_array_equal(mine[..., DISCRETE], others[..., DISCRETE])
    np.testing.assert_allclose(mine[..., PLACE], others[..., PLACE], rtol=0, atol=1e-12)
    np.testing.assert_allclose(mine[..., WAVE], others[..., WAVE], rtol=0, atol=1e-12)
    energy = events.LOG_ENERGY
    # of what was launched: near total reflection a share of what is left has lost digits
    np.testing.assert_allclose(mine[..., energy], others[..., energy], rtol=1e-12, atol=1e-13)
    np.testing.assert_array_equal(sums[:, COUNT_EVENTS], theirs[:, COUNT_EVENTS])
    # contributions of each ray, of what it was launched with
    assert np.abs(sums - theirs).max() <= 1e-12 * np.abs(sums).max()


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_both_tell_the_same_story(plain, name):
    assert plain[f"{name} read"].tolist() == logged_paths.read(SCENES[name])


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_log_changes_nothing(name):
    """With a log the kernel is compiled apart: the same contributions, to rounding."""
    sums, _ = logged_paths.logged(SCENES[name], logs=False)
    np.testing.assert_allclose(sums, compiled(name)[0], rtol=0, atol=1e-12 * np.abs(sums).max())


def totals(log):
    """Energy of each ray by what happens, (rays, happenings)."""
    out = np.zeros((len(log), len(HAPPENINGS)))
    for ray, rows in enumerate(log):
        for row in rows[1 : int(rows[0, 0]) + 1]:
            out[ray, int(row[events.LOG_WHAT])] += row[events.LOG_ENERGY]
    return out


def gained(rows):
    """What roulette gave to a ray: the energy after each time less that before it, of the event above."""
    spared = [k for k in range(2, int(rows[0, 0]) + 1) if rows[k, events.LOG_WHAT] == events.SPARED]
    return sum(rows[k, events.LOG_ENERGY] - rows[k - 1, events.LOG_ENERGY] for k in spared)


@pytest.mark.parametrize("name", ["round", "zone", "ground", "isotropic"])
def test_the_energies_of_a_log_add_up(name):
    """To the one that was launched, and to the sums of the ray."""
    sums, log = compiled(name)
    by = totals(log)
    hit = by[:, events.PASSES] == 0
    assert hit.sum() > 100
    ended = by[:, [events.MIRRORED, events.ABSORBED, events.LEAVES, events.ENDS, events.LOST]].sum(
        axis=1
    )
    roulette = np.array([gained(rows) for rows in log])
    np.testing.assert_allclose((ended - roulette)[hit], 1.0, atol=1e-12)
    share = sums[hit] / sums[hit, SUM_Y : SUM_Y + 1]
    np.testing.assert_allclose(by[hit, events.ABSORBED], share[:, SUM_ABSORBED], atol=1e-12)
    np.testing.assert_allclose(
        (by[:, events.ENDS] - roulette)[hit], share[:, SUM_ROULETTE], atol=1e-9
    )
    np.testing.assert_allclose(by[hit, events.LOST], share[:, SUM_LOST], atol=1e-12)


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("round", events.SPLITS), ("round", events.MIRRORED), ("heart", events.CROSSES), ("zone", events.ENDS),
        ("ground", events.SCATTERS), ("isotropic heart", events.CROSSES),
    ],
)  # fmt: skip
def test_it_happens_where_it_should(name, what):
    assert totals(compiled(name)[1])[:, what].any()


def test_refraction_and_reflection_in_the_log():
    """n sin is kept where light enters or leaves, and mirrored light keeps all but its part along the normal."""
    scene = SCENES["isotropic"]
    normals = dict(zip(scene.facets, scene.planes[:3].T, strict=True))
    index = {"air": 1.0, "isotropic": logged_paths.INDEX}
    seen = dict.fromkeys(("enters", "leaves", "reflects"), 0)
    for ray in range(60):
        come, of = -scene.view[:3], "air"
        for event in path_events(scene, ray, 1, floor=0.05):
            wave = np.array(event.wave_normal)
            if event.what in seen:
                seen[event.what] += 1
                n = normals[event.facet]
                assert (
                    abs(scene.planes[3, scene.facets.index(event.facet)] - n @ event.place_mm)
                    < 1e-9
                )
                before, after = index[of] * np.cross(n, come), index[event.mode] * np.cross(n, wave)
                np.testing.assert_allclose(before, after, atol=1e-12)
                if event.what == "reflects":
                    np.testing.assert_allclose(n @ come, -(n @ wave), atol=1e-12)
            if event.what in ("enters", "reflects"):
                come, of = wave, event.mode
    assert min(seen.values()) > 50


def test_a_log_is_a_table():
    log = next(
        log
        for log in (path_events(SCENES["round"], k, 1, floor=0.05) for k in range(99))
        if len(log) > 5
    )
    lines = str(log).splitlines()
    assert len(lines) == len(log) + 1
    assert lines[0].split()[:2] == ["what", "facet"]
    for line, event in zip(lines[1:], log, strict=True):
        assert event.facet in line
        assert event.what in line
        assert line.split()[0] == str(event.number)
    assert [e.number for e in log] == list(range(1, len(log) + 1))


def test_a_ray_has_a_number():
    with pytest.raises(ValueError, match="0 or more"):
        path_events(SCENES["round"], -1, 1)
