"""Real clusters on this machine: a scheduler and workers as processes of their own."""

import json
import os
import subprocess
import sys
from pathlib import Path

from shared import ROOT, eventually


class LocalCluster:
    """A scheduler on a free port of 127.0.0.1; workers are begun one by one, each with one thread."""

    def __init__(self, folder: Path, workers: int = 0) -> None:
        self.folder = folder
        self.workers: list[subprocess.Popen[bytes]] = []
        file = folder / "scheduler.json"
        self.scheduler = self._begun(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--dashboard-address", "127.0.0.1:0", "--scheduler-file", str(file)
        )  # fmt: skip
        self.address = ""
        eventually(lambda: file.exists() and bool(self._read_address(file)))
        for _ in range(workers):
            self.worker()

    def __enter__(self) -> "LocalCluster":
        return self

    def __exit__(self, *_: object) -> None:
        # workers first: one whose scheduler ends at the same moment may wait for ever
        for process in self.workers:
            # politely, so that a nanny ends its worker
            process.terminate()
        for process in self.workers:
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                # in the midst of a task
                process.kill()
                process.wait()
        self.scheduler.kill()
        self.scheduler.wait()

    def _read_address(self, file: Path) -> str:
        try:
            self.address = json.loads(file.read_text())["address"]
        except ValueError:
            # in the midst of being written
            return ""
        return self.address

    def worker(self, *words: str, package: Path = ROOT) -> "subprocess.Popen[bytes]":
        """Begin one; package: where its facetrace lies."""
        usual = () if "--nanny" in words else ("--no-nanny",)
        begun = self._begun(
            "worker", self.address, "--host", "127.0.0.1", "--nthreads", "1", "--memory-limit", "0", "--dashboard-address", "127.0.0.1:0",
            "--local-directory", str(self.folder), *usual, *words, package=package,
        )  # fmt: skip
        self.workers.append(begun)
        return begun

    def _begun(self, what: str, *words: str, package: Path = ROOT) -> "subprocess.Popen[bytes]":
        # functions that tests send by name must be found there, too
        paths = os.pathsep.join(map(str, [package, ROOT / "tests" / "tools"]))
        with (self.folder / "log.txt").open("ab") as log:
            return subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.dask_{what}", *words],
                cwd=self.folder, stdout=log, stderr=log, env=os.environ | {"PYTHONPATH": paths},
            )  # fmt: skip
