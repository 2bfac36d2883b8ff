"""How much of an operator's words is taken."""

from __future__ import annotations

from typing import Final

STEP_BYTES_AT_MOST: Final = 16_384
"""Longest step taken, bytes of UTF-8: far above any real one, far below what would hurt."""

TEXT_AT_MOST: Final = 2000
"""Longest text an operator may give with a step, characters: a page of notes."""
