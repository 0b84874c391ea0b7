"""Runs that are broken off, that find no room, or meet each other: files are whole, work goes on, words are true.

What is killed is killed at moments drawn with a fixed seed; whatever the moment, the property holds. No published
source: the properties are the program's own promises, held against the operating system itself.
"""

import contextlib
import csv
import json
import multiprocessing
import os
import pickle
import random
import shlex
import signal
import stat
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import pytest
from typer.testing import CliRunner

from facetrace.cli import streams
from facetrace.cli.commands import app
from facetrace.common import locks, signals, workers
from facetrace.common.errors import FacetraceError, FileError
from facetrace.common.ledger import Ledger
from facetrace.common.output import PART, Staged, check_targets, write_all, write_whole

if os.name == "nt":
    pytest.skip("signals and locks of POSIX", allow_module_level=True)
import resource

ROOT = Path(__file__).parents[2]
DESIGN = ROOT / "designs" / "round-brilliant.toml"
QUOTED = shlex.quote(str(DESIGN))
NOBODY = 65534
# s that a process may take for what it must come to: a busy machine or a disk that others write to is no failure
PATIENCE = 600
PLAIN = "from facetrace.cli.main import main; main()"
# the same, told when Python itself has started and the file is read: before that, a signal is Python's to answer
START = """
import os, sys; from importlib import util
spec = util.find_spec("facetrace.cli.main"); module = sys.modules[spec.name] = util.module_from_spec(spec)
code = spec.loader.get_code(spec.name); os.write(1, b"."); exec(code, vars(module)); module.main()
"""
runner = CliRunner()


def listed(folder):
    return sorted(p.name for p in folder.iterdir())


@contextlib.contextmanager
def small_disk(most):
    """No file may grow beyond so many bytes: the same errors as those of a full disk, one number apart."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextlib.contextmanager
def ordinary_user(*folders):
    """Root may write anywhere; here the process is nobody for a while."""
    if os.getuid():
        yield
        return
    # pytest's own folders are root's alone, one more of them with several processes
    top = Path(tempfile.gettempdir()).resolve()
    for folder in folders:
        for place in (folder, *folder.parents):
            if place.stat().st_uid == 0 and top in place.resolve().parents:
                place.chmod(place.stat().st_mode | 0o011)
    os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)


# ---- one file ---------------------------------------------------------------------------------


def test_a_link_stays_and_what_it_points_to_is_written(tmp_path):
    (tmp_path / "real").mkdir()
    real, link = tmp_path / "real" / "a.txt", tmp_path / "b.txt"
    link.symlink_to(real)
    for content in (b"one", b"two"):
        check_targets([link], [])
        write_whole(link, content)
        assert link.is_symlink()
        assert real.read_bytes() == content
    assert listed(tmp_path / "real") == ["a.txt"]


def test_permissions_of_a_file_that_was_there_stay(tmp_path):
    path = tmp_path / "a.txt"
    write_whole(path, b"one")
    assert stat.S_IMODE(path.stat().st_mode) & 0o600 == 0o600
    path.chmod(0o600)
    write_whole(path, b"two")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_names_may_be_as_long_as_the_disk_allows(tmp_path):
    for name in ("x" * 255, "\u00e9" * 127):
        check_targets([tmp_path / name], [])
        write_whole(tmp_path / name, b"one")
    assert len(listed(tmp_path)) == 2
    with pytest.raises(FacetraceError, match="cannot be written"):
        check_targets([tmp_path / ("x" * 256)], [])


def special(tmp_path):
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "read.txt").write_text("read")
    (tmp_path / "hard.txt").hardlink_to(tmp_path / "read.txt")
    (tmp_path / "soft.txt").symlink_to("read.txt")
    (tmp_path / "nowhere.txt").symlink_to("missing/read.txt")
    (tmp_path / "round.txt").symlink_to("round.txt")
    return [tmp_path / "read.txt"]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("folder", "is a folder; name a file"),
        ("pipe", "is no file but a device or a pipe"),
        ("/dev/null", "is no file but a device or a pipe"),
        ("missing/a.txt", "its folder does not exist"),
        ("read.txt/a.txt", "its folder does not exist"),
        ("nowhere.txt", "its folder does not exist"),
        ("round.txt", "cannot be written"),
        ("read.txt", "is the file that was read"),
        ("hard.txt", "is the file that was read"),
        ("soft.txt", "is the file that was read"),
        ("folder/../read.txt", "is the file that was read"),
        ("a\0b", "cannot be written"),
    ],
)
def test_targets_that_cannot_be_are_told_before_any_work(tmp_path, name, words):
    sources = special(tmp_path)
    before = listed(tmp_path)
    with pytest.raises(FacetraceError, match=words):
        check_targets([tmp_path / name], sources)
    assert listed(tmp_path) == before
    assert (tmp_path / "read.txt").read_text() == "read"


def test_one_file_by_two_names_is_told(tmp_path):
    (tmp_path / "a").write_text("a")
    (tmp_path / "hard").hardlink_to(tmp_path / "a")
    (tmp_path / "soft").symlink_to("new")
    for one, other in (("a", "a"), ("a", "hard"), ("soft", "new"), ("b", f"../{tmp_path.name}/b")):
        with pytest.raises(FacetraceError, match="named for two outputs"):
            check_targets([tmp_path / one, tmp_path / other], [])
    check_targets([tmp_path / "a", tmp_path / "b", None], [None])


def test_where_an_ordinary_user_may_not_write(tmp_path):
    folder = tmp_path / "kept"
    folder.mkdir()
    (folder / "old.txt").write_text("old")
    mine = tmp_path / "mine"
    mine.mkdir()
    mine.chmod(0o777)
    (mine / "old.txt").write_text("old")
    (mine / "old.txt").chmod(0o444)
    folder.chmod(0o555)
    with ordinary_user(folder, mine):
        for name in ("old.txt", "new.txt"):
            with pytest.raises(FacetraceError, match=r"cannot be written to|is write-protected"):
                check_targets([folder / name], [])
            with pytest.raises(FacetraceError, match="cannot be written"):
                write_whole(folder / name, b"new")
        with pytest.raises(FacetraceError, match="is write-protected"):
            check_targets([mine / "old.txt"], [])
        check_targets([mine / "new.txt"], [])
    assert listed(folder) == ["old.txt"]
    assert (folder / "old.txt").read_text() == "old"


# ---- several files, and a full disk -----------------------------------------------------------


def test_where_one_file_has_no_room_none_is_written(tmp_path):
    for name in "abc":
        (tmp_path / name).write_bytes(b"old")
    files = {tmp_path / "a": b"1", tmp_path / "b": bytes(5000), tmp_path / "c": b"3", tmp_path / "new": b"4"}  # fmt: skip
    with small_disk(1000), pytest.raises(FacetraceError, match=r"/b: cannot be written \("):
        write_all(files)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == dict.fromkeys("abc", b"old")
    write_all(files)
    assert {p: p.read_bytes() for p in tmp_path.iterdir()} == files


def test_a_disk_that_fills_keeps_the_rows_that_were_saved(tmp_path):
    path = tmp_path / "t.csv"

    def fill():
        with filled(path) as mine:
            for i in range(1000):
                mine.add({"n": i, "x": i / 3})
                mine.save()

    with pytest.raises(FacetraceError, match=r"t\.csv: cannot be written"), small_disk(300):
        fill()
    kept = filled(path).rows
    assert list(kept.values()) == [{"n": i, "x": i / 3} for i in range(len(kept))]
    assert len(kept) > 3
    assert listed(tmp_path) == ["t.csv"]


def filled(path, fingerprint="f"):
    return Ledger.open(path, fingerprint, {"n": int, "x": float}, ["n"])


LITTLE = ["--rays", "64"]
PICTURE = ["--size", "64", "--samples", "1"]
ROUGH, OVAL = "designs/roughs/blue-plate.toml", "designs/oval-brilliant.toml"
ZONED = ["designs/round-brilliant.toml", "--zone", "designs/zones/blue-corner.toml", "--tilts", "0", "--shifts", "0"]  # fmt: skip
WRITERS = {
    "solid": ["solid", DESIGN, "--mesh", "a.stl", "--json", "a.json"],
    "solid json": ["solid", DESIGN, "--json", "a.json"],
    "trace": ["trace", DESIGN, *LITTLE, *PICTURE, "--picture", "a.png", "--maps", "b.png", "--json", "a.json"],
    "trace json": ["trace", DESIGN, *LITTLE, "--no-picture", "--json", "a.json"],
    "dichroscope": ["dichroscope", "ruby", "--picture", "a.png", "--plot", "b.png", "--json", "a.json"],
    "sheet": ["sheet", DESIGN, "--out", "a.html", "--json", "a.json"],
    "movie": ["movie", DESIGN, "--frames", "2", "--size", "160", "--samples", "1", "--out", "a.gif", "--json", "a.json"],
    "angles": ["angles", DESIGN, *LITTLE, "--vary", "crown.angle=34:35:1", "--csv", "a.csv", "--plot", "a.png"],
    "angles plot": ["angles", DESIGN, *LITTLE, "--vary", "crown.angle=34:35:1", "--plot", "a.png", "--json", "-"],
    "girdle": ["girdle", DESIGN, *LITTLE, "--thickness", "0.2", "--tilts", "0", "--csv", "a.csv", "--plot", "a.png"],
    "girdle plot": ["girdle", DESIGN, *LITTLE, "--thickness", "0.2", "--tilts", "0", "--plot", "a.png", "--json", "-"],
    "orient": ["orient", *ZONED, "--csv", "a.csv", "--picture", "a.png", "--map", "b.png"],
    "recut": ["recut", "designs/cut/oval-not-worth-it.toml", *LITTLE, "--picture", "a.png", "--json", "a.json"],
    "plan": ["plan", ROUGH, OVAL, "--csv", "a.csv", "--picture", "a.png"],
    "lot": ["lot", "designs/roughs", OVAL, "--csv", "a.csv"],
}  # fmt: skip
SLOW_WRITERS = {
    "orient pictures": ["orient", *ZONED, "--pixel", "1", "--samples", "1", *PICTURE[:2], "--picture", "a.png", "--json", "-"],
    "plan files": ["plan", ROUGH, OVAL, *LITTLE, "--most-cells", "0", "--no-losses", "--no-directions", "--workers", "1", "--stone", "a.stl",
                   "--offcut", "b.stl", "--json", "-"],
    "report": ["report", DESIGN, *LITTLE, *PICTURE, "--out", "a.html", "--json", "a.json"],
    "view": ["view", DESIGN, "--picture", "a.png"],
    "verify": ["verify", "--json", "a.json"],
}  # fmt: skip
EVERY = [*WRITERS, *(pytest.param(name, marks=pytest.mark.slow) for name in SLOW_WRITERS)]


@pytest.mark.parametrize("name", EVERY)
def test_every_command_on_a_full_disk(tmp_path, monkeypatch, name):
    """Exit code 2, one line, nothing new in the folder, and what was there as it was."""
    words = [str(w) for w in (WRITERS | SLOW_WRITERS)[name]]
    words = [str(ROOT / w) if w.startswith("designs") else w for w in words]
    monkeypatch.chdir(tmp_path)
    targets = [w for w in words if w.startswith(("a.", "b."))]
    for target in targets:
        if not target.endswith(".csv"):
            Path(target).write_text("old")
    with small_disk(100):
        result = runner.invoke(app, words)
    assert result.exit_code == 2, result.output
    remarks = ("no screen here", "1 design: about")
    lines = [line for line in result.stderr.splitlines() if not line.startswith(remarks)]
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("error: ")
    assert "cannot be written" in lines[0]
    assert listed(tmp_path) == sorted({t for t in targets if not t.endswith(".csv")})
    assert all(Path(name).read_text() == "old" for name in listed(tmp_path))


# ---- what is left of a killed run -------------------------------------------------------------


def test_parts_of_dead_runs_are_removed_and_no_others(tmp_path):
    path = tmp_path / "a.txt"
    dead, other = tmp_path / f".a.txt.0badcafe{PART}", tmp_path / f".b.txt.0badcafe{PART}"
    for part in (dead, other):
        part.write_bytes(b"half of")
    with Staged(path, b"of a run that lives") as living:
        assert not dead.exists()
        write_whole(path, b"whole")
        assert len(list(tmp_path.glob(f".a.txt.*{PART}"))) == 1
        living.place()
    assert path.read_bytes() == b"of a run that lives"
    assert listed(tmp_path) == [other.name, "a.txt"]


def test_where_there_are_no_locks_no_part_is_taken_for_dead(tmp_path, monkeypatch):
    monkeypatch.setattr("facetrace.common.output.try_lock", lambda _: None)
    part = tmp_path / f".a.txt.0badcafe{PART}"
    part.write_bytes(b"half of")
    write_whole(tmp_path / "a.txt", b"whole")
    assert listed(tmp_path) == [part.name, "a.txt"]


WRITER = """
import sys; from pathlib import Path; from facetrace.common import ledger; from facetrace.common.output import write_all
import signal; from facetrace.common import signals; signals.install()
ledger.SAVE_SECONDS = 0.0; ledger.SAVE_SHARE = 1e9
folder, rows = Path(sys.argv[1]), int(sys.argv[2])
try:
    print(".", flush=True)
    with ledger.Ledger.open(folder / "t.csv", "f", {"n": int, "x": float}, ["n"]) as mine:
        for n in range(rows):
            if (n,) not in mine.rows:
                mine.add({"n": n, "x": n / 7})
                write_all({folder / "a": b"%06d" % n * 9000, folder / "b": b"%06d" % n * 9000})
    # a run that finds all rows done writes the pair too: one that was killed may have put one of them in place
    write_all({folder / "a": b"%06d" % rows * 9000, folder / "b": b"%06d" % rows * 9000})
except signals.Stopped as stopped:
    sys.exit(128 + stopped.number)
"""


def begun(*words, **more):
    """A process that has told that it goes."""
    process = subprocess.Popen(
        [sys.executable, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL, **more,
    )  # fmt: skip
    process.stdout.read(1)
    return process


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_at_any_moment_files_are_whole_and_work_goes_on(tmp_path, number):
    chance = random.Random(int(number))
    rows = 60
    program = ["-c", WRITER, tmp_path, rows]
    have = -1
    for _ in range(6):
        process = begun(*program)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(chance.uniform(0, 0.15))
        process.send_signal(number)
        _, told = process.communicate(timeout=PATIENCE)
        assert process.returncode in (0, -number, 128 + number), told
        assert b"Traceback" not in told
        for name in "ab":
            if (tmp_path / name).exists():
                content = (tmp_path / name).read_bytes()
                assert content == content[:6] * 9000
        kept = filled(tmp_path / "t.csv").rows
        assert [key[0] for key in kept] == list(range(len(kept)))
        assert len(kept) >= have
        have = len(kept)
        if number != signal.SIGKILL:
            assert not list(tmp_path.glob(f".*{PART}"))
    assert begun(*program).wait(PATIENCE) == 0
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes() == b"%06d" % rows * 9000
    whole = tmp_path / "whole"
    whole.mkdir()
    assert begun("-c", WRITER, whole, rows).wait(PATIENCE) == 0
    assert (tmp_path / "t.csv").read_bytes() == (whole / "t.csv").read_bytes()
    # what killed runs had left beside is gone
    assert listed(tmp_path) == ["a", "b", "t.csv", "whole"]


def test_a_signal_waits_for_what_must_not_be_broken():
    seen = []
    # default, or ignored where the tests run in the background
    usual = signal.getsignal(signal.SIGINT)
    before = signal.signal(signal.SIGTERM, lambda *_: seen.append("answered"))
    try:
        with signals.signals_deferred(), signals.signals_deferred():
            signal.raise_signal(signal.SIGTERM)
            signal.raise_signal(signal.SIGTERM)
            seen.append("done")
        assert seen == ["done", "answered"]
        assert signal.getsignal(signal.SIGINT) is usual
    finally:
        signal.signal(signal.SIGTERM, before)


def test_who_ignores_a_signal_goes_on_ignoring_it():
    """As under nohup."""
    before = {number: signal.getsignal(number) for number in (*signals.STOPPING, signal.SIGALRM)}
    hook = sys.unraisablehook
    try:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signals.install()
        signal.raise_signal(signal.SIGHUP)
        with signals.signals_deferred():
            signal.raise_signal(signal.SIGHUP)
        with pytest.raises(signals.Stopped) as caught:
            signal.raise_signal(signal.SIGTERM)
        assert caught.value.number == signal.SIGTERM
        assert signal.getitimer(signal.ITIMER_REAL)[0] > 0
        signals.restore()
        assert signal.getitimer(signal.ITIMER_REAL)[0] == 0
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        sys.unraisablehook = hook
        for number, handler in before.items():
            signal.signal(number, handler)


SWALLOWING = """
import os, time; from facetrace.common import signals; signals.install(); signals.REPEAT_SECONDS = 0.2
try:
    os.write(1, b".")
    time.sleep(60)
except BaseException:
    pass  # as some libraries do while they are imported
try:
    time.sleep(60)
except signals.Stopped as stopped:
    signals.stop_repeating()
    os._exit(stopped.number)
"""


def test_a_signal_that_a_library_swallowed_comes_again():
    process = begun("-c", SWALLOWING)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=PATIENCE)
    assert process.returncode == signal.SIGTERM


SWEEP = ["angles", DESIGN, *LITTLE, "--vary", "pavilion.angle=38:46:1", "--csv", "a.csv", "--plot", "a.png"]  # fmt: skip


def test_a_command_says_truly_what_was_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("facetrace.report.sweep.sweep_png", broken_off)
    words = [*map(str, SWEEP[:4]), "--vary", "crown.angle=34:35:1", "--csv", "a.csv", "--plot", "a.png"]  # fmt: skip
    result = runner.invoke(app, words)
    assert (result.exit_code, result.stderr.strip()) == (143, "stopped; written: a.csv")
    monkeypatch.setattr("facetrace.solid.export.mesh_bytes", broken_off)
    result = runner.invoke(app, ["solid", str(DESIGN), "--mesh", "a.stl", "--json", "a.json"])
    assert (result.exit_code, result.stderr.strip()) == (143, "stopped; nothing was written")
    assert listed(tmp_path) == ["a.csv"]


def broken_off(*_):
    raise signals.Stopped(signal.SIGTERM)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_a_sweep_stopped_at_any_moment_ends_in_the_same_bytes(tmp_path, number):
    chance = random.Random(int(number))
    whole, part = tmp_path / "whole", tmp_path / "part"
    for folder in (whole, part):
        folder.mkdir()
    started = time.monotonic()
    assert begun("-c", START, *SWEEP, cwd=whole).wait(PATIENCE) == 0
    lasts = time.monotonic() - started
    for _ in range(3):
        process = begun("-c", START, *SWEEP, cwd=part)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(chance.uniform(0.03, lasts))
        process.send_signal(number)
        _, told = process.communicate(timeout=PATIENCE)
        assert process.returncode in (0, -number, 128 + number), told
        assert b"Traceback" not in told
        assert b"ignored" not in told
        if process.returncode == 128 + number:
            assert told.decode().splitlines()[-1].startswith("stopped")
    assert begun("-c", START, *SWEEP, cwd=part).wait(PATIENCE) == 0
    assert {p.name: p.read_bytes() for p in part.iterdir()} == {
        p.name: p.read_bytes() for p in whole.iterdir()
    }


# ---- a plan that is stopped ends with what it has ---------------------------------------------


def test_the_first_signal_is_noted_and_the_second_stops():
    before = {number: signal.getsignal(number) for number in (*signals.STOPPING, signal.SIGALRM)}
    hook = sys.unraisablehook
    try:
        signals.install()
        with signals.first_signal_noted() as found:
            assert not found()
            signal.raise_signal(signal.SIGTERM)
            assert found()
            assert found.number == signal.SIGTERM
            with pytest.raises(signals.Stopped) as caught:
                signal.raise_signal(signal.SIGINT)
        assert caught.value.number == signal.SIGINT
        signals.stop_repeating()
        with signals.first_signal_noted() as found:
            pass
        assert not found()
        with pytest.raises(signals.Stopped):
            signal.raise_signal(signal.SIGTERM)
    finally:
        signals.stop_repeating()
        sys.unraisablehook = hook
        for number, handler in before.items():
            signal.signal(number, handler)


PEBBLE = ROOT / "designs" / "roughs" / "cracked-pebble.toml"
PLAN = ["plan", PEBBLE, ROOT / OVAL, *LITTLE, "--most-cells", "400", "--workers", "1", "--csv", "a.csv", "--picture", "a.png",
        "--stone", "a.stl", "--json", "a.json"]  # fmt: skip
# what is proven of a stone does not matter where runs are only to end alike
LESS_PROOF = ["--most-cells", "20", "--no-losses", "--no-directions"]
OF_PLAN = ["a.csv", "a.json", "a.png", "a.stl"]


def searching(folder, *words):
    """A process whose search has begun: it has said how long it will take."""
    process = begun("-c", START, *words, cwd=folder)
    told = process.stderr.readline()
    assert b"designs: about" in told or b"design: about" in told
    return process


def processor_seconds(pid):
    """What a process that runs has had of the processor so far (proc(5), fields 14 and 15 of stat); 0 where none tells."""
    stat_of = Path(f"/proc/{pid}/stat")
    if not stat_of.exists():
        return 0.0
    fields = stat_of.read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK")


def of_children():
    """The same of all processes that were begun here and have ended."""
    found = resource.getrusage(resource.RUSAGE_CHILDREN)
    return found.ru_utime + found.ru_stime


def rows_of(path):
    with path.open() as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


@pytest.mark.parametrize(
    ("number", "after"),
    [
        (signal.SIGINT, 2.0),
        pytest.param(signal.SIGTERM, 1.0, marks=pytest.mark.slow),
        pytest.param(signal.SIGINT, 0.0, marks=pytest.mark.slow),
        pytest.param(signal.SIGHUP, 4.0, marks=pytest.mark.slow),
    ],
)
def test_a_plan_that_is_stopped_writes_the_best_so_far_and_goes_on(tmp_path, number, after):
    before = of_children()
    process = searching(tmp_path, *PLAN)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(after)
    assert process.poll() is None, "this machine is too quick for this test"
    process.send_signal(number)
    worked = processor_seconds(process.pid)
    told, remarks = process.communicate(timeout=PATIENCE)
    assert process.returncode == 128 + number, remarks
    # a second for the slowest step, and pictures
    assert of_children() - before - worked < 20
    assert b"Traceback" not in remarks
    assert b"stopped: what follows is the best so far" in remarks
    (row,) = rows_of(tmp_path / "a.csv")
    assert row["remark"].startswith("stopped early")
    first = json.loads((tmp_path / "a.json").read_text())["plan"]
    assert first["stopped"]
    assert first["failed"] == []
    if not row["carats"]:
        assert first["plans"] == []
        assert listed(tmp_path) == ["a.csv", "a.json"]
    else:
        assert listed(tmp_path) == OF_PLAN
        assert first["plans"][0]["checked"]["ok"]
        assert first["plans"][0]["gap"] is None or first["plans"][0]["gap"] >= 0
        assert b"stopped early" in b" ".join(told.split())
    done = subprocess.run(
        [sys.executable, "-c", PLAIN, *map(str, PLAN), "--no-losses", "--no-directions"], cwd=tmp_path, capture_output=True, check=True
    )  # fmt: skip
    assert b"plans come from" not in done.stderr
    (row,) = rows_of(tmp_path / "a.csv")
    assert row["remark"] == ""
    second = json.loads((tmp_path / "a.json").read_text())["plan"]
    assert not second["stopped"]
    assert second["plans"][0]["gap"] is not None
    for plan in first["plans"]:
        assert second["plans"][0]["carats"] >= plan["carats"] * (1 - 1e-6)
    assert listed(tmp_path) == OF_PLAN


@pytest.mark.slow
def test_a_second_signal_stops_a_plan_at_once(tmp_path):
    before = of_children()
    process = searching(tmp_path, *PLAN)
    worked = processor_seconds(process.pid)
    for _ in range(3):
        process.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.05)
    _, told = process.communicate(timeout=PATIENCE)
    assert process.returncode in (130, -signal.SIGINT), told
    assert of_children() - before - worked < 20
    assert b"Traceback" not in told
    assert not list(tmp_path.glob(f".*{PART}"))


@pytest.mark.slow
def test_a_plan_killed_at_any_moment_ends_in_the_same_table(tmp_path):
    words = [*PLAN[:2], ROOT / OVAL, DESIGN, *PLAN[3:], *LESS_PROOF]
    chance = random.Random(9)
    whole, part = tmp_path / "whole", tmp_path / "part"
    for folder in (whole, part):
        folder.mkdir()
    started = time.monotonic()
    assert begun("-c", START, *words, cwd=whole).wait(PATIENCE) == 0
    lasts = time.monotonic() - started
    for _ in range(2):
        process = begun("-c", START, *words, cwd=part)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(chance.uniform(0.3 * lasts, lasts))
        process.kill()
        process.communicate(timeout=PATIENCE)
    assert begun("-c", START, *words, cwd=part).wait(PATIENCE) == 0
    assert listed(part) == OF_PLAN
    for name in OF_PLAN:
        assert (part / name).read_bytes() == (whole / name).read_bytes()


def test_a_plan_ends_in_the_time_it_was_given(tmp_path, monkeypatch):
    """Of several designs with all that they cost: without --seconds it takes some times as long."""
    monkeypatch.chdir(tmp_path)
    designs = [
        ROOT / "designs" / f"{n}-brilliant.toml" for n in ("oval", "pear", "cushion", "marquise")
    ]
    words = [
        "plan",
        PEBBLE,
        *designs,
        *LITTLE,
        "--workers",
        "1",
        "--csv",
        "a.csv",
        "--no-picture",
        "--json",
        "a.json",
    ]
    # compiled before, or it could not end while it compiles
    runner.invoke(
        app, [str(w) for w in (*words[:3], "--seconds", 1, "--no-picture", "--json", "-")]
    )
    begin = time.process_time()
    result = runner.invoke(app, [str(w) for w in (*words, "--seconds", 2)])
    took = time.process_time() - begin
    assert result.exit_code == 0, result.output
    # of the processor, so that others may work here too: 2 s, half a second for each step that is not broken off
    assert took < 10
    member = json.loads((tmp_path / "a.json").read_text())["plan"]
    assert member["stopped"]
    assert all(plan["checked"]["ok"] for plan in member["plans"])
    rows = rows_of(tmp_path / "a.csv")
    assert len(rows) == 4
    assert any(row["remark"].startswith("stopped early") for row in rows)
    assert "stopped early" in " ".join(result.stdout.split())


@pytest.mark.slow
def test_a_lot_that_is_stopped_says_what_was_not_reached_and_goes_on(tmp_path):
    words = [
        "lot",
        ROOT / "designs" / "roughs",
        ROOT / OVAL,
        *LITTLE,
        *LESS_PROOF[:2],
        "--workers",
        "1",
        "--csv",
        "a.csv",
        "--json",
        "a.json",
    ]
    process = begun("-c", START, *words, cwd=tmp_path)
    while not (tmp_path / "a.csv").exists():
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130, told
    found = json.loads((tmp_path / "a.json").read_text())
    assert found["unread"]
    assert all("was not reached" in entry["problem"] for entry in found["unread"])
    assert (
        begun(
            "-c", PLAIN.replace("main()", "print(flush=True); main()"), *words, cwd=tmp_path
        ).wait(PATIENCE)
        == 0
    )
    found = json.loads((tmp_path / "a.json").read_text())
    assert found["unread"] == []
    assert not any(member["stopped"] for member in found["lot"])


# ---- two runs in one folder -------------------------------------------------------------------

HOLDER = """
import sys, time; from facetrace.common.ledger import Ledger; from pathlib import Path
with Ledger.open(Path(sys.argv[1]), "f", {"n": int, "x": float}, ["n"]) as mine:
    mine.add({"n": 1, "x": 0.5})
    print(".", flush=True)
    sys.stdin.read()
    mine.add({"n": 2, "x": 0.5})
"""


def test_a_second_run_is_told_and_a_killed_one_blocks_nobody(tmp_path):
    path = tmp_path / "t.csv"
    for kill in (True, False):
        first = subprocess.Popen(
            [sys.executable, "-c", HOLDER, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        first.stdout.read(1)
        with pytest.raises(FileError, match=r"t\.csv: another run is writing to it"), filled(path):
            pass
        if kill:
            first.kill()
        first.communicate()
        with filled(path) as mine:
            assert list(mine.rows) == [(1,)] if kill else [(1,), (2,)]
    assert listed(tmp_path) == ["t.csv"]


PAIR = """
import sys; from pathlib import Path; from facetrace.common.output import write_all
folder, mine = Path(sys.argv[1]), sys.argv[2].encode()
print(".", flush=True); sys.stdin.read()
for _ in range(60):
    write_all({folder / "a": mine * 100, folder / "b": mine * 100})
    # under the turn of the other run a pair may be of two runs for a moment, but never after it
"""


def test_of_two_runs_with_the_same_targets_all_files_are_of_one(tmp_path):
    for _ in range(5):
        both = [
            subprocess.Popen(
                [sys.executable, "-c", PAIR, tmp_path, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
            )
            for name in ("1", "2")
        ]  # fmt: skip
        for process in both:
            process.stdout.read(1)
        for process in both:
            process.stdin.close()
        for process in both:
            assert process.wait(PATIENCE) == 0
            process.stdout.close()
        assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
        assert listed(tmp_path) == ["a", "b"]


def test_a_folder_that_stays_locked_holds_nobody_up_for_long(tmp_path, monkeypatch):
    monkeypatch.setattr(locks, "WAIT_SECONDS", 0.02)
    with locks.folder_lock(tmp_path), locks.folder_lock(tmp_path):
        write_whole(tmp_path / "a", b"1")
    with locks.folder_lock(tmp_path / "missing"):
        pass


# ---- what changes meanwhile -------------------------------------------------------------------


def test_a_folder_that_vanishes(tmp_path):
    folder = tmp_path / "gone"
    folder.mkdir()

    def work():
        with filled(folder / "t.csv") as mine:
            mine.add({"n": 1, "x": 0.5})
            (folder / "t.csv").unlink()
            folder.rmdir()
            mine.add({"n": 2, "x": 0.5})
            mine.save()

    with pytest.raises(FacetraceError, match=r"t\.csv: cannot be written"):
        work()
    with pytest.raises(FacetraceError, match="cannot be written"):
        write_whole(folder / "a", b"1")


def test_a_design_that_vanishes_or_changes_meanwhile_is_the_one_that_was_read(
    tmp_path, monkeypatch
):
    """Rows, and the fingerprint by which a later run takes them for its own."""
    from facetrace.cli import angles

    usual = angles._ranges
    found = []
    for change in (lambda _: None, Path.unlink, lambda p: p.write_text("other = 1\n")):
        design, table = tmp_path / "d.toml", tmp_path / "a.csv"
        design.write_bytes(DESIGN.read_bytes())
        monkeypatch.setattr(angles, "_ranges", lambda *a, c=change, d=design: [c(d), usual(*a)][1])
        words = ["angles", design, *LITTLE, "--vary", "crown.angle=34:35:1", "--csv", table, "--no-plot"]  # fmt: skip
        result = runner.invoke(app, [str(w) for w in words])
        assert result.exit_code == 0, result.output
        found.append(table.read_bytes())
        table.unlink()
    assert found[1] == found[2] == found[0]


def test_a_scan_is_never_written_over(tmp_path, monkeypatch):
    """The file that a rough's file names: it is read too, though no word of the command names it."""
    for name in ("designs/roughs/cracked-pebble.toml", "designs/roughs/cracked-pebble.stl"):
        if (ROOT / name).exists():
            (tmp_path / Path(name).name).write_bytes((ROOT / name).read_bytes())
    rough = tmp_path / "cracked-pebble.toml"
    scan = next(p for p in tmp_path.iterdir() if p != rough)
    before = scan.read_bytes()
    for words in (["--stone", scan], ["--offcut", scan]):
        result = runner.invoke(app, [str(w) for w in ("plan", rough, ROOT / OVAL, *words)])
        assert result.exit_code == 2
        assert "is read, and named for an output too" in result.stderr
    assert scan.read_bytes() == before


# ---- standard streams -------------------------------------------------------------------------


def shell(line, **more):
    command = f'exec "$0" -c "{PLAIN}" {line}'
    return subprocess.run(
        ["bash", "-c", command, sys.executable], capture_output=True, text=True, timeout=PATIENCE, check=False, **more
    )  # fmt: skip


@pytest.mark.parametrize("line", ["solid {} >&-", "solid {} --json - >/dev/full", "solid {} --tiers >/dev/full",
                                  "--help >/dev/full", "--version >/dev/full"])  # fmt: skip
def test_output_that_nobody_can_take_is_told_in_one_line(line):
    done = shell(line.format(QUOTED))
    assert done.returncode == 2, done.stderr
    told = [k for k in done.stderr.splitlines() if "density" not in k]
    assert len(told) == 1
    assert told[0].startswith("error: standard output: cannot be written (")


@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("solid {} 2>&-", 0), ("solid {} 2>/dev/full", 0), ("solid {} <&-", 0), ("solid missing.toml 2>&-", 2),
        ("solid missing.toml 2>/dev/full", 2), ("solid {} --mesh a.stl --json a.json <&- >&- 2>&-", 2),
    ],
)  # fmt: skip
def test_streams_that_are_closed_or_full_are_no_reason_to_fail(tmp_path, line, status):
    done = shell(line.format(QUOTED), cwd=tmp_path)
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    for path in tmp_path.iterdir():
        # no file became a standard stream by taking its number
        assert path.read_bytes()[:1] == (b"{" if path.suffix == ".json" else path.read_bytes()[:1])
        assert b"facetrace" not in path.read_bytes() or path.suffix == ".json"


def test_a_reader_that_has_enough_is_no_error():
    done = shell(f"solid {QUOTED} --facets | head -c 2")
    assert (len(done.stdout), done.stderr.count("Traceback")) == (2, 0)


def test_a_file_that_the_shell_prints_to_is_no_target(tmp_path):
    done = shell(f"solid {QUOTED} --json out.txt >> out.txt", cwd=tmp_path)
    assert done.returncode == 2
    assert "is where the shell sends what this command prints" in done.stderr


def test_a_signal_while_the_program_loads_is_answered_in_one_line():
    chance = random.Random(3)
    for _ in range(8):
        process = begun("-c", START, "--help")
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(chance.uniform(0.03, 0.5))
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=PATIENCE)
        assert process.returncode in (0, 130, -signal.SIGINT), told
        assert len(told.splitlines()) <= 1


# ---- processes of a run -----------------------------------------------------------------------


@pytest.fixture
def processes():
    """Workers; without semaphores the work would be done, and killed, in this process."""
    try:
        multiprocessing.get_context("spawn").Lock()
    except OSError as error:
        pytest.skip(
            f"no semaphores here ({error.strerror}); /dev/shm must be there and open to write to"
        )


@pytest.mark.parametrize("error", [PermissionError(13, "Permission denied"), FileNotFoundError(2, "No such file"), ImportError(), NotImplementedError()], ids=repr)  # fmt: skip
def test_work_is_done_without_semaphores(error, monkeypatch):
    """As in bare roots whose /dev/shm is missing or not to be written to: a plan was a traceback there."""

    def refused(*_):
        raise error

    monkeypatch.setattr(workers, "ProcessPoolExecutor", refused)
    with workers.Workers(2) as two:
        assert list(two.each(abs, [-1, -2, 3])) == [1, 2, 3]


def test_a_library_says_nothing_of_semaphores():
    """numba's words, four lines of them, where there are none."""
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        streams.silence_libraries()
        warnings.warn(
            "Could not obtain multiprocessing lock due to OS level error: ...", stacklevel=1
        )
    assert not heard


def test_a_worker_that_is_killed_is_told(processes):
    with (
        workers.Workers(2) as two,
        pytest.raises(FacetraceError, match="ended from outside"),
    ):
        list(two.each(signal.raise_signal, [signal.SIGKILL] * 2))


def test_workers_end_with_the_work_though_they_are_in_its_midst(processes):
    with workers.Workers(2) as two:
        results = two.each(time.sleep, [0, 3600, 3600])
        assert next(results) is None


def test_the_errors_of_a_worker_come_out_of_it():
    with pytest.raises(FacetraceError, match=r"a\.toml:3: key: is wrong"):
        raise pickle.loads(pickle.dumps(FileError("a.toml", 3, "key", "is wrong")))


PARENT = """
import time; from facetrace.common.workers import Workers
with Workers(2) as two:
    for _ in two.each(time.sleep, [0.0, 0.0, 3600, 3600]):
        print(".", end="", flush=True)
"""


def test_workers_end_with_a_parent_that_is_killed(processes):
    """Their standard output is the parent's: it ends when the last of them has ended."""
    process = begun("-c", PARENT)
    process.stdout.read(1)
    process.kill()
    process.communicate(timeout=PATIENCE)


CHILD = """
import os, sys, time; from facetrace.common.workers import end_with_parent
end_with_parent(int(sys.argv[1])); print(".", flush=True); time.sleep(3600)
"""
OF_CHILD = """
import os, subprocess, sys
subprocess.run([sys.executable, "-c", sys.argv[1], str(os.getpid())])
"""


def test_a_child_ends_with_a_parent_that_is_killed():
    process = begun("-c", OF_CHILD, CHILD)
    process.kill()
    process.communicate(timeout=PATIENCE)
