"""Makes the logbook kept for each format, once, when that format is first released. Never run again for a released one.

python tests/record/make_logbook_fixtures.py FOLDER
"""

from __future__ import annotations

import sys
from pathlib import Path

from record_kit import FIRST, KEY, OTHER_KEY, raw, reading

from logger.clock import ManualClock
from logger.logbook.bundle_file import write_bundle
from logger.logbook.entries import Kind
from logger.logbook.proofs import prove
from logger.logbook.reader import LogbookReader
from logger.logbook.schema import FORMAT
from logger.logbook.writer import Logbook

PROVEN_ENTRIES = (1, 40, 300)


def make(folder: Path) -> None:
    """`format-N.logbook`, sealed, with two keys; its first checkpoint as a note; proofs of three of its entries."""
    path, clock = folder / f"format-{FORMAT}.logbook", ManualClock()
    with Logbook.create(path, FIRST, clock, KEY) as logbook:
        for n in range(150):
            clock.advance(0.1)
            logbook.append(Kind.RAW, raw(n))
            logbook.append(Kind.READING, {**reading(n, n % 9 > 0), "note": "Ω ∞ ≥ \ud800"})
        logbook.change_key(OTHER_KEY)
        logbook.append(Kind.CLOSED, {"seal": True})
        logbook.seal()
    with LogbookReader.open(path) as reader:
        first = next(reader.entries(kinds=[Kind.CHECKPOINT]))
        path.with_suffix(".checkpoint").write_text(first.data["note"], encoding="utf-8", newline="\n")
        for number in PROVEN_ENTRIES:
            write_bundle(folder / f"format-{FORMAT}-entry-{number}.json", prove(reader, number))


if __name__ == "__main__":
    make(Path(sys.argv[1]))
