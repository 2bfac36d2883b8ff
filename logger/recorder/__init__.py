"""Events in, entries out: the only place where proof, screening, job and rules meet.

The same for app, command line and replay: `core.Recorder` takes happenings from instruments and steps from the
operator, writes entries, and hands out events. It reads no clock but the one it is given and touches no file but
through a `Log`.
"""
