"""The logbook: one SQLite file, one job, numbered entries that are never changed.

`entries` says what an entry is and how its leaf is hashed; `writer` is the one way in, `reader` the one way out;
`merkle`, `note`, `seal` and `proofs` make it evidence. Nothing here knows what an entry means: `logger.recorder` does.
"""
