"""The only writer to standard output and the only writer to standard error.

Standard output is data (sentences for a person, or JSON lines and nothing else); standard error is talk.
Foreign text passes `logger.text.harmless` before it comes here.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import TextIO


def say(text: str = "") -> None:
    """One line for a person."""
    _write(sys.stdout, text)


def emit(record: Mapping[str, object]) -> None:
    """One JSON object on a line of its own, flushed, so that another program can act on it.

    In ASCII: the data are the same, and no control or bidirectional character of a stranger's reaches a terminal.
    """
    _write(sys.stdout, json.dumps(record, separators=(",", ":")))


def complain(text: str) -> None:
    """Talk: to standard error."""
    _write(sys.stderr, text)


def _write(stream: TextIO, text: str) -> None:
    encoding = stream.encoding or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding) + "\n")
    stream.flush()
