"""The version that is written into every session's first entry: from the installed distribution."""

from __future__ import annotations

from importlib import metadata

try:
    VERSION = metadata.version("zerofirst")
except metadata.PackageNotFoundError:
    VERSION = "0+uninstalled"
