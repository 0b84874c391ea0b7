"""Movies as a person gets them, read back with Pillow."""

import json

import jsonschema
import numpy as np
import pytest
from PIL import Image, ImageSequence
from shared import ROOT, ROUND, SCHEMA, run

from facetrace.optics.colour import dimmed, observer, srgb_of, xyz_of_transmission
from facetrace.trace.motion import views_of

PEAR = ROOT / "designs" / "pear-brilliant.toml"


def shoot(target, *more, design=ROUND):
    """Frames (n, height, width, 3) of a small movie and its JSON member."""
    told = target.with_suffix(".json")
    exact = ["--lossless"] if target.suffix == ".webp" and "--quality" not in more else []
    result = run(
        "movie",
        design,
        "--size",
        160,
        "--samples",
        4,
        "--out",
        target,
        "--json",
        told,
        *more,
        *exact,
    )
    assert result.exit_code == 0, result.output
    found = json.loads(told.read_text())
    jsonschema.validate(found, SCHEMA)
    with Image.open(target) as movie:
        assert movie.info["loop"] == 0
        frames = np.array([np.asarray(f.convert("RGB")) for f in ImageSequence.Iterator(movie)])
    return frames, found["movie"]


def test_views_make_a_loop():
    """The step from the last view to the first is like the others; rocking comes back the same way."""
    for motion in ("rock", "spin", "both"):
        views = views_of(motion, 24, 20.0, 30.0)
        again = views_of(motion, 48, 20.0, 30.0)
        assert views == again[::2]
        turns = np.unwrap(np.radians([v.spin for v in [*views, views[0]]]))
        np.testing.assert_allclose(np.ptp(np.diff(turns)), 0, atol=1e-6)
        tilts = np.array([v.tilt for v in views])
        assert np.abs(np.diff([*tilts, tilts[0]])).max() <= 20 * 2 * np.pi * 2 / 24 + 1e-6
        assert np.abs(tilts).max() == pytest.approx(20.0)
    rock = views_of("rock", 24, 20.0, 30.0)
    assert [v.tilt for v in rock[7:12]] == [v.tilt for v in rock[1:6]][::-1]


@pytest.mark.parametrize(("name", "frame_ms"), [("a.webp", 40), ("a.gif", 40)])
def test_frames_size_and_loop(name, frame_ms, tmp_path):
    frames, told = shoot(tmp_path / name, "--motion", "spin", "--frames", 5, "--fps", 25)
    assert len(frames) == len(told["frames"]) == 5
    assert frames.shape[2] == told["size_px"] == 160
    assert frames.shape[1] > 160
    assert told["frame_ms"] == frame_ms
    assert [f["view"]["spin"] for f in told["frames"]] == [0, 72, 144, 216, 288]
    with Image.open(tmp_path / name) as movie:
        lengths = []
        for k in range(5):
            movie.seek(k)
            movie.load()
            lengths.append(movie.info["duration"])
    assert lengths == [frame_ms] * 5
    # below the picture only the line of angles changes
    page = frames[:, 160:].astype(int)
    changed = np.nonzero(np.ptp(page, axis=0).max(axis=(1, 2)))[0]
    assert 0 < np.ptp(changed) < 13
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([name, "a.json"])


def test_same_seed_same_bytes(tmp_path):
    for name in ("a.webp", "b.webp", "c.gif", "d.gif"):
        shoot(tmp_path / name, "--frames", 4, "--seed", 3)
    assert (tmp_path / "a.webp").read_bytes() == (tmp_path / "b.webp").read_bytes()
    assert (tmp_path / "c.gif").read_bytes() == (tmp_path / "d.gif").read_bytes()


def test_one_exposure_for_all_frames(tmp_path):
    """A clear stone under the uniform light is as bright as white whichever way it leans (the furnace):
    at exposure 0.5 the grey of half of white in sRGB (IEC 61966-2-1), 188 of 255. A mean of 5,000 rays
    of grain below 10 % strays by less than 1."""
    frames, told = shoot(
        tmp_path / "a.webp", "--light", "uniform", "--no-absorption", "--exposure", 0.5,
        "--motion", "both", "--tilt", 30, "--frames", 6,
    )  # fmt: skip
    assert told["exposure"] == 0.5
    assert told["rule"] is None
    assert told["white"]["radiance"] == 1
    for frame in frames:
        assert np.abs(frame[60:100, 60:100].mean(axis=(0, 1)) - 188).max() < 2.5


def test_scale_and_frame_hold_all_views(tmp_path):
    """No frame cuts the pear, whose axis lies off its middle; its widest reaches the margins (4 %)."""
    frames, told = shoot(
        tmp_path / "a.webp", "--motion", "spin", "--tilt", 0, "--frames", 8, design=PEAR
    )
    paper = frames[0, 0, 0]
    off = np.abs(frames[:, :135].astype(int) - paper).max(axis=-1) > 8
    assert not off[:, 0].any()
    assert not off[:, :, 0].any()
    assert not off[:, :, -1].any()
    wide = off.any(axis=0).any(axis=0)
    assert 0.93 < np.count_nonzero(wide) / 160 <= 0.985
    assert told["scale"]["pixel_mm"] * 160 == pytest.approx(told["scale"]["width_mm"])


def test_own_exposure_keeps_its_rule(tmp_path):
    """Nine tenths of the stone below 0.3 of white under lamps: encoded 0.584 (IEC 61966-2-1), 149 of 255.
    A tenth may be brighter; grain and a stone's few views leave 5 % more or less."""
    frames, told = shoot(tmp_path / "a.webp", "--frames", 8, "--material", "diamond")
    assert told["rule"].startswith("90 %")
    inner = frames[:, 40:120, 40:120].astype(float) / 255
    linear = np.where(inner <= 0.04045, inner / 12.92, ((inner + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert 0.8 < np.mean(luminance < 0.33) < 0.98
    assert all(0 < f["bright"] < 0.1 for f in told["frames"])


def test_what_is_too_bright_keeps_its_chromaticity():
    """Ten times white through a yellow filter: sRGB alone shows white, dimmed it has the filter's xy."""
    eye = observer()
    xyz = 10 * xyz_of_transmission((eye.wavelength_nm >= 480) * 0.4 + 0.5, eye)[None]
    shown, bright = dimmed(xyz, eye.white, 1.0)
    assert bright.all()
    np.testing.assert_allclose(shown / shown.sum(), xyz / xyz.sum(), rtol=1e-12)
    assert srgb_of(xyz, eye.white, 1.0)[0].min() > 0.99
    rgb, outside = srgb_of(shown, eye.white, 1.0)
    assert outside == 0
    assert rgb.max() == pytest.approx(1.0, abs=1e-3)
    assert rgb.min() < 0.95
    faint = 0.5 * eye.white[None]
    assert dimmed(faint, eye.white, 1.0)[0] is not faint
    np.testing.assert_array_equal(dimmed(faint, eye.white, 1.0)[0], faint)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--out", "a.mp4"), "end in .webp or .gif"),
        (("--out", "a.gif", "--quality", 80), "a GIF has none"),
        (("--out", "a.gif", "--lossless"), "a GIF has none"),
        (("--lossless", "--quality", 80), "give one of them"),
        (("--frames", 4, "--seconds", 1), "give one of them"),
        (("--seconds", 60, "--fps", 50), "more than 400"),
        (("--json", "-"), "with --out"),
        (("--out", "a.webp", "--json", "a.webp"), "named for two outputs"),
        (("--out", "no/a.webp"), "folder does not exist"),
        (("--spectrum", ROOT / "designs" / "pink-sapphire.csv", "--no-absorption"), "give one"),
    ],
)
def test_movies_that_cannot_be(arguments, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("movie", ROUND, *arguments)
    assert result.exit_code == 2
    assert message in result.output
    assert len(result.output.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_help_says_what_it_does_not_offer():
    result = run("movie", "--help")
    assert "facetrace movie" in result.output
    assert "MP4" in result.output


def test_what_a_person_is_told(tmp_path):
    """Quality, and that a sixth of a loop misses its end: 20 sin 60 deg = 17.3. Exact pixels make a larger file."""
    sizes = []
    for more, quality in (((), 90), (("--lossless",), None)):
        told = tmp_path / "a.json"
        result = run(
            "movie", ROUND, "--size", 160, "--samples", 2, "--frames", 6, "--out", tmp_path / "a.webp",
            "--json", told, *more,
        )  # fmt: skip
        words = " ".join(result.stdout.replace("│", " ").split())
        assert "tilt up to 17.3 deg (20 falls between frames)" in words
        assert ("lossless" if quality is None else "quality 90") in words
        assert json.loads(told.read_text())["movie"]["quality"] == quality
        sizes.append((tmp_path / "a.webp").stat().st_size)
    assert sizes[0] < sizes[1]
