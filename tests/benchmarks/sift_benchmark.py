"""How long an auditor waits for a page of readings that fit, in a large logbook, and for a trail.

    python tests/benchmarks/sift_benchmark.py [--readings 1000000] [--keep FILE]

Makes a logbook of that many readings through the real pipeline (see `audit_benchmark`), then looks for pages by words.
Prints seconds, as a ratio to one plain SELECT that looks into every reading, and the greatest memory.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Final

from audit_benchmark import Maker, peak_mb

from logger.audit.trail import trail
from logger.clock import NS_PER_S, SystemClock
from logger.logbook.entries import Kind
from logger.logbook.reader import LogbookReader
from tui.audit_book import Found, find, open_book

SAID: Final = ("", "c3", "turned away", "turned away not proven", "results c3 fails", "in doubt", "1000 to 1200")
CLOCK: Final = SystemClock()


def seconds_since(began_ns: int) -> float:
    """By the monotonic clock."""
    return (CLOCK.mono_ns() - began_ns) / NS_PER_S


def plain_select(path: Path) -> float:
    """Seconds that one look into every reading takes."""
    with LogbookReader.open(path) as reader:
        began_ns = CLOCK.mono_ns()
        query = "SELECT count(*) FROM entries WHERE kind = 'reading' AND json_extract(body, '$.item') = 'C3'"
        reader.connection.execute(query).fetchone()
        return seconds_since(began_ns)


def pages(path: Path, whole_s: float) -> None:
    """A page for each of `SAID`."""
    book = open_book(path)
    for said in SAID:
        pages: list[Found] = []
        began_ns = CLOCK.mono_ns()
        find(book, book.vocabulary.understand(said).wanted, None, pages.append, lambda: False)
        took_s = seconds_since(began_ns)
        sys.stdout.write(f"{said!r:28} {len(pages[-1].rows):3} rows in {took_s:6.2f} s, {took_s / whole_s:4.2f} x\n")


def trails(path: Path) -> None:
    """The trail of the newest result and of its reading."""
    with LogbookReader.open(path) as reader:
        result = reader.last(Kind.RESULT)
        assert result is not None
        for number in (result.number, int(result.data["reading"])):
            began_ns = CLOCK.mono_ns()
            links = trail(reader, number)
            sys.stdout.write(f"trail of entry {number}: {len(links)} links in {seconds_since(began_ns):.3f} s\n")


def main() -> None:
    """Make it, look."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--keep", type=Path, help="the logbook; made where there is none")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = arguments.keep or Path(folder) / "large.db"
        if not path.exists():
            Maker(path).make(arguments.readings)
        whole_s = plain_select(path)
        sys.stdout.write(f"one plain SELECT over every reading: {whole_s:.2f} s\n")
        pages(path, whole_s)
        trails(path)
        sys.stdout.write(f"greatest memory {peak_mb():.0f} MB\n")


if __name__ == "__main__":
    main()
