"""The bench as fixtures."""

from __future__ import annotations

import pytest
from gate_bench import Bench, studio_plan


@pytest.fixture
def bench() -> Bench:
    return Bench(studio_plan())


@pytest.fixture
def make_bench() -> type[Bench]:
    return Bench
