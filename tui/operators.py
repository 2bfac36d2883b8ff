"""Who works on a job on this machine, and with which key their checkpoints are signed."""

from __future__ import annotations

import getpass
import os
from collections.abc import Mapping

from logger.logbook.keys import OperatorKey, operator_key
from logger.logbook.reader import LogbookReader


def operator_of(reader: LogbookReader) -> str:
    """Who works on this job where nobody says otherwise: the plan's operator, else the user's name."""
    plan = reader.entry(1).data.get("plan") if reader.size else None
    return (str(plan.get("operator") or "") if isinstance(plan, Mapping) else "") or user_name()


def user_name() -> str:
    """The user's name on this machine."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


def own_key(operator: str) -> OperatorKey:
    """The operator's signing key on this machine, made on first use.

    Raises:
        InputWrong: if it cannot be read or needs another passphrase (`ZEROFIRST_PASSPHRASE`).
    """
    passphrase = os.environ.get("ZEROFIRST_PASSPHRASE", "").encode() or None
    return operator_key(operator, passphrase)
