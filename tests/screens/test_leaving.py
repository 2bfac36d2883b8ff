"""The watch over an app that has to leave: asked first, and ended where it does not."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from tui import leaving
from tui.leaving import Watching


class App:
    """Leaves when asked to, or never."""

    def __init__(self, leaves: bool) -> None:
        self.gone = threading.Event()
        self.asked = threading.Event()
        self.leaves = leaves

    def leave_soon(self) -> None:
        self.asked.set()
        if self.leaves:
            self.gone.set()


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="a POSIX system")
@pytest.mark.parametrize("leaves", [True, False])
def test_an_app_is_asked_to_leave_and_ended_where_it_does_not(leaves: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leaving, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(leaving, "DRAW_WITHIN_S", 30.0 if leaves else 0.01)
    app = App(leaves)
    codes: list[int] = []

    def end(code: int) -> None:
        codes.append(code)
        app.gone.set()

    before = {name: signal.getsignal(name) for name in (signal.SIGTERM, signal.SIGHUP)}
    try:
        with Watching(app, lambda: 7, end):
            os.kill(os.getpid(), signal.SIGHUP)
            assert app.asked.wait(30)
            assert app.gone.wait(30)
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
    assert codes == ([] if leaves else [7])
