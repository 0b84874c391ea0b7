"""Real clusters of this machine: a scheduler and workers as processes, told apart by their addresses."""

import os
import subprocess
import sys
from pathlib import Path

from shared import ROOT, eventually


class TestCluster:
    """A scheduler on a free port of 127.0.0.1; workers are begun and ended one by one."""

    __test__ = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / "scheduler.json"
        self.scheduler = self._begun("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(file))  # fmt: skip
        eventually(lambda: file.exists() and file.read_text().strip().endswith("}"))
        import json

        self.address = json.loads(file.read_text())["address"]
        self.workers: list[subprocess.Popen] = []

    def _begun(self, what, *words, path=ROOT):
        log = (self.folder / "log.txt").open("ab")
        # modules that tests send by name must be found there, too
        paths = os.pathsep.join(map(str, [path, ROOT / "tests" / "tools"]))
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_" + what, *words],
            cwd=self.folder, stdout=log, stderr=log,
            env=os.environ | {"PYTHONPATH": paths, "DASK_DISTRIBUTED__WORKER__MEMORY__TERMINATE": "0"},
        )  # fmt: skip

    def worker(self, *words, path=ROOT):
        """Begin a worker of one thread; returns its process."""
        begun = self._begun(
            "worker", self.address, "--host", "127.0.0.1", "--nthreads", "1", "--no-dashboard", "--no-nanny",
            "--local-directory", str(self.folder), *words, path=path,
        )  # fmt: skip
        self.workers.append(begun)
        return begun

    def close(self) -> None:
        """End all of it."""
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()
