"""What tests have the workers of a cluster do: a task's function is found by its module's name."""

import os
import time
from pathlib import Path

from shared import PATIENCE

from facetrace.common.cluster_task import FileCopy, Shared, files_here, unwanted
from facetrace.studies.answer import Answer

KILLER = "Ends its worker"


def ended_by(job: object) -> object:
    """The job itself; "end" ends the process, as the system does with one that takes too much memory."""
    if job == "end":
        os._exit(1)
    return job


def kept_or_ended(answer: Answer) -> str:
    """The name of a rough; KILLER ends the process."""
    name = answer.room.rough.name
    return str(ended_by("end" if name == KILLER else name))


def begun_with(job: tuple[Path, int, int]) -> int:
    """The number of a job, once so many processes have begun one; each leaves its own number in the folder."""
    folder, number, processes = job
    (folder / str(os.getpid())).touch()
    until = time.monotonic() + PATIENCE
    while len(list(folder.iterdir())) < processes and time.monotonic() < until:
        time.sleep(0.02)
    return number


def at_work_until_unwanted(folder: Path) -> None:
    """Begins, works until nobody waits for it, and says so in the folder."""
    (folder / "begun").touch()
    until = time.monotonic() + PATIENCE
    while not unwanted():
        assert time.monotonic() < until
        time.sleep(0.02)
    (folder / "ended").touch()


def opened(shared: Shared[list[int]]) -> int:
    """How many jobs of this process have opened what they share."""
    shared.value.append(0)
    return len(shared.value)


def read_there(files: tuple[FileCopy, ...]) -> tuple[str, bytes, str]:
    """(where the first file was read, what is in it, where a temporary one lies) on a worker."""
    with files_here(files) as file:
        return str(file), file.read_bytes(), str(file.parent)
