"""The bench as fixtures."""

from __future__ import annotations

import pytest
from screen_bench import ScreenBench


@pytest.fixture
def bench() -> ScreenBench:
    return ScreenBench()
