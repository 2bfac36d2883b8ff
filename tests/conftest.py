"""What every test needs: a memory of meters that is nobody's own."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session", autouse=True)
def _a_book_of_the_tests_own() -> Iterator[None]:
    """Whatever records in a test, in this process or in a child, remembers its meters where it harms nobody."""
    with tempfile.TemporaryDirectory(prefix="zf-book-") as folder, pytest.MonkeyPatch.context() as patch:
        patch.setenv("ZEROFIRST_BOOK", str(Path(folder) / "instruments.json"))
        yield
