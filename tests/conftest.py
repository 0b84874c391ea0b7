"""Shared scenes. Everything here is invented."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

ROOT = Path(__file__).parent.parent
DESIGNS = sorted((ROOT / "designs").glob("*.toml"))

settings.register_profile("here", deadline=None, derandomize=True)
settings.load_profile("here")


@pytest.fixture(scope="session")
def rng():
    return np.random.default_rng(20261125)
