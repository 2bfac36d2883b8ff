"""`demo`: the whole job on a simulated site, with a simulated meter on a real serial line.

On a terminal: the app, and the person moves the simulated leads. With `--auto`, or without a terminal: it drives
itself to the end and prints what happens. Nothing of it is canned: every byte passes the line, and every figure is measured on
the simulated site.
"""

from __future__ import annotations

SEED: Final = 7
