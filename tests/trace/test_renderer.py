"""Clear isotropic stones against Mitsuba 3, a general-purpose renderer, used in tests only.

renderer_reference.py says how the renderer's figures are made. Its stored ones are all compared;
six are made again, with variants of the renderer that need no LLVM.

False alarms, had the seed not been fixed. Figures of one case are correlated: without
polarisation they come from the same paths and, with the mirrored light, add up to 1; so a case
counts as one number, the mean of its z^2, whatever the correlation within it has a variance of at most
2.5 (3 figures as one, Student's t with 32 degrees of freedom: facetrace's errors come from 64
strata that are not alike; the renderer's are next to normal). The mean over 432 cases is then off by
0.076 at most: 1.03 +- 0.23 is 3 of that, 3 in 1,000. |z| > 4 among at most 1,152 figures: 7 %
by the normal law, up to a third by that t. The seed is fixed.
"""

from dataclasses import replace

import numpy as np
import pytest
import renderer_reference

from facetrace.checks.renderer import FIGURES, reference_cases, reference_solids, z_scores

# our errors stay far below the renderer's
RAYS, SEED = 1 << 15, 20261125
LIVE = (
    ("round-brilliant", 1.765, 0.0, "overcast", False, False),
    ("rectangle-step", 2.42, 25.0, "hemisphere", True, False),
    ("random-34", 1.5, 40.0, "hemisphere", False, False),
    ("oval-brilliant", 1.765, 10.0, "hemisphere", False, True),
    ("cushion-brilliant", 1.5, 0.0, "hemisphere", True, True),
    ("random-42", 2.42, 40.0, "overcast", False, True),
)


def test_reference_is_complete():
    cases = reference_cases()
    keys = {replace(c, figures=0) for c in cases}
    assert len(cases) == len(keys) == 6 * 3 * 4 * 3 * 2
    assert {c.solid for c in cases} == set(reference_solids())
    errors = np.array([[c.figures[name][1] for name in FIGURES] for c in cases])
    assert np.median(errors[errors > 0]) < 3.5e-4
    assert errors.max() < 6e-4


def test_reference_tells_polarised_from_unpolarised():
    """Were they the same, the mean square below would be 1 with a standard error of 0.1."""
    half = len(reference_cases()) // 2
    apart = []
    for plain, polarised in zip(reference_cases()[:half], reference_cases()[half:], strict=True):
        assert replace(plain, polarised=True, figures=0) == replace(polarised, figures=0)
        (a, da), (b, db) = plain.figures["light_return"], polarised.figures["light_return"]
        apart.append((a - b) / np.hypot(da, db))
    assert np.mean(np.square(apart)) > 2


@pytest.mark.slow
def test_a_small_fault_is_noticed():
    """An index wrong by 0.01 fails."""
    some = [replace(c, index=c.index + 0.01) for c in reference_cases()[::9]]
    scores = z_scores(some, RAYS, SEED)
    assert np.nanmax(np.abs(scores)) > 4
    assert np.nanmean(scores**2) > 1.5


@pytest.mark.slow
def test_stored_figures_are_ours():
    """None is far off, and differences are as large as their errors say. One test: processes would each make the scores."""
    scores = z_scores(reference_cases(), RAYS, SEED)
    assert np.nanmax(np.abs(scores)) < 4
    assert abs(np.mean(np.nanmean(scores**2, axis=1)) - 1.03) < 0.23
    # both sides say exactly 0 where no upper direction is dim, and nowhere else
    none = [c.sky == "hemisphere" and c.head_deg == 0 for c in reference_cases()]
    assert (np.isnan(scores) == np.outer(none, [False, False, True])).all()


@pytest.mark.slow
@pytest.mark.parametrize(("solid", "index", "tilt", "sky", "head", "polarised"), LIVE)
def test_rendered_now(solid, index, tilt, sky, head, polarised):
    mitsuba = pytest.importorskip("mitsuba")
    number, case = next(
        (i, c)
        for i, c in enumerate(reference_cases())
        if (c.solid, c.index, c.eye_tilt, c.sky, c.head_deg > 0, c.polarised)
        == (solid, index, tilt, sky, head, polarised)
    )
    mitsuba.set_variant("scalar_spectral_polarized" if polarised else "scalar_rgb")
    values, errors = renderer_reference.render_case(
        mitsuba, case, reference_solids()[solid], number, renderer_reference.Effort(size=160)
    )
    assert errors.max() < 0.002
    figures = dict(zip(FIGURES, zip(values, errors, strict=True), strict=True))
    assert np.nanmax(np.abs(z_scores([replace(case, figures=figures)], RAYS, SEED))) < 4
