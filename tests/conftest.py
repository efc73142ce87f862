"""Fixtures shared by all tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from review.analysis import Analysis
from tests.documents import example_analysis

settings.register_profile(
    "project", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
settings.load_profile("project")

PROJECT = Path(__file__).resolve().parent.parent


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed."""
    return np.random.default_rng(20240229)


@pytest.fixture
def project() -> Path:
    """The top folder of the clone."""
    return PROJECT


@pytest.fixture
def analysis() -> Analysis:
    """A complete invented analysis."""
    return example_analysis()
