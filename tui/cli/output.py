"""The only writer to standard output and the only writer to standard error.

Standard output is data (sentences for a person, or JSON lines and nothing else); standard error is talk.
Foreign text passes `logger.text.harmless` before it comes here.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from typing import TextIO


def say(text: str = "") -> None:
    """One line for a person."""
    _write(sys.stdout, text)


def emit(record: Mapping[str, object]) -> None:
    """One JSON object on a line of its own, flushed, so that another program can act on it."""
    _write(sys.stdout, json_line(record))


def json_line(record: Mapping[str, object]) -> str:
    """A JSON object as one line.

    In ASCII: the data are the same, and no control or bidirectional character of a stranger's reaches a terminal.
    """
    return json.dumps(record, separators=(",", ":"))


def put(text: str) -> None:
    """One line to standard output from a thread that may be left waiting there: past Python's buffer, which must not be
    held when the interpreter ends.

    Raises:
        OSError: nobody is there any more.
    """
    left = memoryview((text + "\n").encode(sys.stdout.encoding or "utf-8", "backslashreplace"))
    while left:
        left = left[os.write(sys.stdout.fileno(), left) :]


def complain(text: str) -> None:
    """Talk: to standard error."""
    _write(sys.stderr, text)


def _write(stream: TextIO, text: str) -> None:
    encoding = stream.encoding or "utf-8"
    stream.write(text.encode(encoding, "backslashreplace").decode(encoding) + "\n")
    stream.flush()
