"""What to tell when the auditor's screen cannot show something. A fault of ours is told too, and ends nothing."""

from __future__ import annotations

from logger.errors import ZerofirstError
from logger.text import harmless

WORDS_AT_MOST = 600


def trouble_words(error: Exception) -> str:
    """One sentence, harmless."""
    if isinstance(error, ZerofirstError):
        return harmless(str(error), WORDS_AT_MOST)
    return harmless(f"The screen met a fault of its own ({type(error).__name__}: {error}).", WORDS_AT_MOST)
