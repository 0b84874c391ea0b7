"""What tests have workers do; a task's function is found by its module's name."""

import os


def squared(number: int) -> int:
    """Of a number."""
    return number * number


def ended_by(job: object) -> object:
    """The job itself; "end" ends the process, as one does that runs out of memory."""
    if job == "end":
        os._exit(1)
    return job
