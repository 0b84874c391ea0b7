"""The lowest version of each package that pyproject.toml allows, as constraints for pip.

python tests/tools/lowest.py > lowest.txt && pip install -c lowest.txt -e ".[test]"
"""

import tomllib
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = Path(__file__).parents[2] / "pyproject.toml"


def requirements():
    """All of the base, of the tests and of the build."""
    found = tomllib.loads(PROJECT.read_text(encoding="utf-8"))
    project = found["project"]
    base, test = project["dependencies"], project["optional-dependencies"]["test"]
    return [Requirement(text) for text in [*base, *test, *found["build-system"]["requires"]]]


def lowest(requirement):
    """The version after its >=."""
    (version,) = (s.version for s in requirement.specifier if s.operator == ">=")
    return version


if __name__ == "__main__":
    print("\n".join(sorted({f"{r.name}=={lowest(r)}" for r in requirements()})))
