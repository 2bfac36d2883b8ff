"""A simulated installation, its leads and a simulated meter on them, for practice and tests.

`catalogue.load_site` reads a site, `meter.SimulatedMeter` is the instrument (sans-IO, seeded), `serve` puts it on a
pseudo-terminal or TCP, `thread.SimulatorThread` does so beside the caller. Import the module you need; nothing that
talks to real meters imports any of it.
"""
