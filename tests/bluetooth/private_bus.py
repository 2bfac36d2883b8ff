"""A D-Bus daemon of the test's own: no root, no system bus, nothing of this machine is touched."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

VARIABLE = "DBUS_SYSTEM_BUS_ADDRESS"
"""Where bleak, and every child, looks for the system bus."""

_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>custom</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_destination="*" eavesdrop="true"/>
    <allow receive_sender="*"/>
  </policy>
</busconfig>
"""


class PrivateBus:
    """A running daemon.

    Attributes:
        address: what clients connect to.
    """

    def __init__(self, folder: Path) -> None:
        configuration = folder / "bus.conf"
        configuration.write_text(_CONFIGURATION.format(socket=folder / "bus"))
        self._daemon = subprocess.Popen(
            ["dbus-daemon", f"--config-file={configuration}", "--nofork", "--nopidfile", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._daemon.stdout is not None
        self.address = self._daemon.stdout.readline().strip()  # printed once it listens
        assert self.address, "dbus-daemon did not start"

    @property
    def is_alive(self) -> bool:
        return self._daemon.poll() is None

    def kill(self) -> None:
        """The daemon dies, as when the system's bus is restarted."""
        self._daemon.kill()
        self._daemon.wait(5)
        if self._daemon.stdout is not None:
            self._daemon.stdout.close()


class _Running:
    """The one that tests share, one after the other; a test that killed it leaves the next to start another."""

    bus: PrivateBus | None = None
    folder: tempfile.TemporaryDirectory[str] | None = None


def private_bus() -> PrivateBus:
    """A bus that is alive."""
    if _Running.bus is None or not _Running.bus.is_alive:
        stop_private_bus()
        _Running.folder = tempfile.TemporaryDirectory(prefix="zf-bus-")
        _Running.bus = PrivateBus(Path(_Running.folder.name))
    return _Running.bus


def stop_private_bus() -> None:
    """End it, if there is one."""
    bus, folder = _Running.bus, _Running.folder
    _Running.bus = _Running.folder = None
    if bus is not None:
        bus.kill()
    if folder is not None:
        folder.cleanup()
