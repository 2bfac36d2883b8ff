"""The record: what a reading is, whether it may count, and how it is kept. No instrument, no screen, no network."""
