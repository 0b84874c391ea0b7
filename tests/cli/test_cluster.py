"""Work on a cluster, of real processes: the same bytes as on one machine, whatever becomes of workers and scheduler.

What is expected is what one machine writes; that is held against the outside elsewhere.
"""

import json
import re
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import cluster_jobs
import pytest
import trimesh
from cluster_jobs import KILLER
from clusters import LocalCluster
from shared import PATIENCE, ROOT, ROUND, eventually, run

import facetrace as ft
from facetrace.common import cluster
from facetrace.common.cluster import Cluster, Ended, chosen_cluster, working_on
from facetrace.common.cluster_task import Shared, copies_of
from facetrace.common.errors import FacetraceError
from facetrace.studies.lot import plan_lot, rough_files
from facetrace.studies.plan_task import PlanWishes, TrialDesign

DESIGNS = ROOT / "designs"
ANGLES = ("angles", ROUND, "--vary", "pavilion.angle=40:44:0.02", "--rays", 4096, "--no-plot")
FEW_CELLS = ("--most-cells", 20, "--rays", 1024)
BLOCK = 'name = "{}"\n[shape]\nhabit = "block"\nsize_mm = [8, 7, 6]\n'
COMMANDS = {
    "angles": ("angles", ROUND, "--vary", "pavilion.angle=40:42:0.25", "--rays", 1024, "--no-plot"),
    "girdle": ("girdle", ROUND, "--rays", 1024, "--thickness", "0.2,0.3", "--tilts", "0,15", "--no-plot"),
    "orient": (
        "orient", ROUND, "--zone", DESIGNS / "zones" / "blue-corner.toml", "--tilts", "0,5", "--directions", 2,
        "--shifts", "0,4", "--shift-directions", 2, "--samples", 1, "--no-picture",
    ),
    "plan": ("plan", "block.toml", DESIGNS / "square-step.toml", ROUND, *FEW_CELLS, "--no-picture", "--no-directions"),
    "movie": ("movie", ROUND, "--frames", 4, "--size", 160, "--samples", 1, "--lossless"),
}  # fmt: skip


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """The address of a cluster with two workers."""
    with LocalCluster(tmp_path_factory.mktemp("cluster"), 2) as begun:
        with working_on(begun.address) as connected:
            eventually(lambda: len(connected.workers()) == 2)
        yield begun.address


def written(folder, *words):
    """What a command writes, by name."""
    folder.mkdir()
    table = ("--out", folder / "m.webp") if words[0] == "movie" else ("--csv", folder / "t.csv")
    done = run(*words, *table, "--json", folder / "j.json")
    assert done.exit_code == 0, done.output
    files = {p.name: p.read_bytes() for p in folder.iterdir()}
    if words[0] == "movie":
        # it tells how long it took, and its file
        told = json.loads(files["j.json"])["movie"]
        files["j.json"] = {k: v for k, v in told.items() if k not in ("seconds", "file")}
    return files


def one_line(*words):
    """The one line of a command that ends with 2."""
    done = run(*words)
    assert done.exit_code == 2, done.output
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


# ---- the same ---------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_writes_the_same_bytes(name, two, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("block.toml").write_text(BLOCK.format("Block"))
    here = written(tmp_path / "here", *COMMANDS[name])
    there = written(tmp_path / "there", *COMMANDS[name], "--cluster", two)
    assert len(here) == 2
    assert here == there
    assert chosen_cluster() is None


@pytest.fixture
def lot(tmp_path, monkeypatch):
    """A lot of three roughs, one of which cannot be read, in a folder that workers see empty."""
    if not Path("/proc/self/cwd").exists():
        pytest.skip("needs a path that differs from process to process")
    folder = tmp_path / "lot"
    folder.mkdir()
    (folder / "block.toml").write_text(BLOCK.format("Block"))
    trimesh.creation.box((7.0, 8.0, 6.0)).export(folder / "box.stl")
    (folder / "box.toml").write_text(
        'name = "Box"\n[shape]\nmesh = "box.stl"\nc_axis = [0, 0, 1]\n'
    )
    (folder / "broken.toml").write_text('name = "Broken"\n[shape]\nmesh = "none.stl"\nc_axis = [0, 0, 1]\n')  # fmt: skip
    monkeypatch.chdir(folder)
    return Path("/proc/self/cwd")


LOT = (ROUND, *FEW_CELLS, "--prices", DESIGNS / "prices" / "invented.toml")


@pytest.mark.slow
def test_a_lot_whose_files_are_sent_is_the_same(two, lot, tmp_path):
    here = written(tmp_path / "here", "lot", lot, *LOT)
    # from rows that are there, one line of the table left out
    (tmp_path / "half.csv").write_bytes(b"\n".join([*here["t.csv"].split(b"\n")[:-2], b""]))
    there = written(tmp_path / "there", "lot", lot, *LOT, "--cluster", two)
    assert here == there
    assert b"none.stl: no such file" in there["j.json"]
    goes_on = run("lot", lot, *LOT, "--csv", tmp_path / "half.csv", "--cluster", two)
    assert goes_on.exit_code == 0, goes_on.output
    assert (tmp_path / "half.csv").read_bytes() == here["t.csv"]


def test_files_are_read_where_they_lie_or_sent(two, tmp_path, monkeypatch):
    (tmp_path / "a.txt").write_bytes(b"one")
    (tmp_path / "b.txt").write_bytes(b"two" * 1_000_000)
    monkeypatch.chdir(tmp_path)
    shared = copies_of([tmp_path / "a.txt", tmp_path / "b.txt"])
    elsewhere = copies_of([Path("/proc/self/cwd/b.txt"), Path("/proc/self/cwd/a.txt")])
    with working_on(two) as both:
        found = list(both.each(cluster_jobs.read_there, [shared, elsewhere]))
    assert found[0] == (str(tmp_path / "a.txt"), b"one", str(tmp_path))
    assert found[1][1] == b"two" * 1_000_000
    # written for the task, and removed after it
    assert "facetrace-" in found[1][0]
    assert not Path(found[1][2]).exists()


def test_what_jobs_share_is_opened_once_by_each_worker(two):
    with working_on(two) as both:
        counts = list(both.each(cluster_jobs.opened, [Shared([])] * 9))
    # a worker's jobs find what those before left
    assert sorted(counts) != [1] * 9
    assert counts.count(1) <= 2


# ---- what becomes of workers and scheduler ------------------------------------------------------


def begun(*words):
    """A command in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "facetrace.cli.main", *map(str, words)], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def rows(table):
    """Lines of a table that hold figures."""
    return len(table.read_text().splitlines()) - 3 if table.exists() else 0


@pytest.mark.slow
def test_a_worker_is_killed_then_the_program_is_stopped_then_the_scheduler_is_lost(tmp_path):
    """Each time the same command goes on; in the end the table is that of one machine."""
    table, whole = tmp_path / "t.csv", tmp_path / "whole.csv"
    assert run(*ANGLES, "--csv", whole).exit_code == 0
    with LocalCluster(tmp_path, 2) as some:
        words = (*ANGLES, "--csv", table, "--cluster", some.address)
        stopped = begun(*words)
        eventually(lambda: rows(table) > 0)
        some.workers[0].kill()
        stopped.send_signal(signal.SIGINT)
        told = stopped.communicate(timeout=PATIENCE)
        assert stopped.returncode == 130, told
        assert re.fullmatch(r"stopped: \d+ of \d+ in .*; the same command goes on from there\n", told[1])  # fmt: skip
        before = rows(table)
        lost = begun(*words)
        eventually(lambda: rows(table) > before)
        some.scheduler.kill()
        told = lost.communicate(timeout=PATIENCE)
        assert lost.returncode == 2, told
        assert told[1].splitlines()[-1].startswith(f"error: {some.address}: the scheduler was lost")
        assert "Traceback" not in told[1]
    assert before < rows(table) < rows(whole)
    assert run(*ANGLES, "--csv", table).exit_code == 0
    assert table.read_bytes() == whole.read_bytes()


def test_a_worker_that_is_added_gets_work_and_that_of_one_killed_is_done_by_the_other(tmp_path):
    seen = tmp_path / "seen"
    seen.mkdir()
    with LocalCluster(tmp_path, 1) as growing, working_on(growing.address) as one:
        found = []
        jobs = [(seen, number, 3) for number in range(6)]
        work = threading.Thread(target=lambda: found.extend(one.each(cluster_jobs.begun_with, jobs)))  # fmt: skip
        work.start()
        # the first job ends only once two more have begun elsewhere
        for count in (1, 2):
            eventually(lambda count=count: len(list(seen.iterdir())) == count)
            growing.worker()
            if count == 2:
                growing.workers[0].kill()
        work.join(PATIENCE)
        assert found == list(range(6))


def test_work_that_was_stopped_ends_on_its_worker(two, tmp_path):
    with working_on(two) as both:
        jobs = both.each(cluster_jobs.at_work_until_unwanted, [tmp_path] * 3, (tmp_path / "begun").exists)  # fmt: skip
        assert list(jobs) == []
        eventually((tmp_path / "ended").exists)


def test_only_the_job_that_ends_its_worker_twice_is_given_up(tmp_path):
    with LocalCluster(tmp_path) as nursed:
        # its nanny begins it anew
        nursed.worker("--nanny")
        nursed.worker("--nanny")
        with working_on(nursed.address) as both:
            found = list(both.each(cluster_jobs.ended_by, [1, "end", 3, 4, 5]))
            assert [found[0], *found[2:]] == [1, 3, 4, 5]
            assert isinstance(found[1], Ended)
            told = []
            lot = tmp_path / "lot"
            lot.mkdir()
            (lot / "a.toml").write_text(BLOCK.format(KILLER))
            (lot / "b.toml").write_text(BLOCK.format("Block"))
            tried = TrialDesign(ft.load(ROUND).file.design, "round")
            answer = plan_lot(
                rough_files(lot), [tried], PlanWishes(most_cells=0, rays=1024), keep=cluster_jobs.kept_or_ended,
                tell=told.append,
            )  # fmt: skip
    ended, planned = answer.roughs
    assert (
        ended.problem
        == f"{lot / 'a.toml'}: its worker ended twice while it was planned: too little memory?"
    )
    assert told == [f"left out: {ended.problem}"]
    assert planned.problem is None
    assert planned.kept == "Block"
    assert planned.best is not None


# ---- what is refused in one line ----------------------------------------------------------------


def test_a_worker_of_another_version_is_refused(two, tmp_path, monkeypatch):
    other = tmp_path / "other"
    shutil.copytree(ROOT / "facetrace", other / "facetrace", ignore=shutil.ignore_patterns("__pycache__"))  # fmt: skip
    with (other / "facetrace" / "kernel" / "facets.py").open("a") as edited:
        edited.write("\n# edited\n")
    with LocalCluster(tmp_path) as odd:
        odd.worker(package=other)
        line = one_line(*ANGLES, "--json", "-", "--cluster", odd.address)
        assert re.match(r"error: worker tcp://127.0.0.1:\d+: has other versions: facetrace 0\.\S+ \(\w{8}\) there, 0\.\S+ \(\w{8}\) here\. ", line)  # fmt: skip
    # one that is added later is asked by each task
    with working_on(two) as both:
        monkeypatch.setattr(both, "versions", both.versions | {"numba": "0.1"})
        with pytest.raises(FacetraceError, match=r"has other versions: numba \S+ there, 0\.1 here"):
            list(both.each(cluster_jobs.ended_by, [1]))


def test_what_is_missing_is_told_in_one_line(monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1.0)
    line = one_line(*ANGLES, "--json", "-", "--cluster", "tcp://127.0.0.1:9")
    assert line.startswith("error: tcp://127.0.0.1:9: no scheduler can be reached there")
    assert "begin one: dask scheduler" in line
    assert "no scheduler" in one_line(*ANGLES, "--json", "-", "--cluster", "nowhere://")
    assert cluster.NO_CERTIFICATES in one_line(*ANGLES, "--json", "-", "--cluster", "tls://127.0.0.1:9")  # fmt: skip
    monkeypatch.setattr(cluster, "find_spec", lambda _: None)
    assert one_line(*ANGLES, "--json", "-", "--cluster", "tcp://127.0.0.1:9") == f"error: {cluster.NO_PACKAGE}\n"  # fmt: skip


def test_a_scheduler_without_workers_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "WORKER_SECONDS", 0.5)
    with LocalCluster(tmp_path) as empty, pytest.raises(FacetraceError, match=f"has no workers; begin some: dask worker {empty.address}"):  # fmt: skip
        Cluster(empty.address)


def test_what_stands_in_no_module_cannot_be_sent(two):
    with working_on(two) as both, pytest.raises(FacetraceError, match="cannot be sent to a worker"):
        list(both.each(lambda job: job, [1]))


def test_nothing_listens_and_start_up_knows_no_dask(two):
    """By an audit hook (docs.python.org, library/audit_events); Dask is imported only where it is asked for."""
    code = f"""
import sys
seen = []
sys.addaudithook(lambda name, words: seen.append(name) if name in ("socket.bind", "socket.listen") else None)
from facetrace.cli.commands import app
import facetrace.studies.lot
assert not [m for m in sys.modules if m.split(".")[0] in ("dask", "distributed", "tornado")]
import facetrace as ft
with ft.working_on("{two}"):
    assert "distributed" in sys.modules
assert not seen, seen
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
