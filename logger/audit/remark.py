"""Signed remarks, as they stand in a logbook: whose, on which entry, and whether the signature behind each holds.

A remark is a `note` entry with `about`, `by` and `role`, and a checkpoint directly after it by its writer's own key. It
changes nothing of what it is about: neither a verdict nor a doubt.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from logger.errors import InputWrong, LogbookDamaged
from logger.logbook.entries import Entry, Kind, leaf_hash
from logger.logbook.note import NoteWrong
from logger.logbook.proofs import known_keys
from logger.logbook.reader import LogbookReader
from logger.logbook.seal import parse_checkpoint
from logger.logbook.tiles import StoredTree
from logger.recorder.remark import is_remark


@dataclass(frozen=True, slots=True)
class Remark:
    """One remark. All texts are a stranger's.

    Attributes:
        entry: its number, in the logbook that holds it.
        about: number of the entry that it is about.
        signer: name of the key that signed; empty where no signature holds.
        fingerprint: of that key.
        beside: name of the logbook of remarks that holds it; empty where it stands in the logbook itself.
    """

    entry: int
    at: str
    about: int
    text: str
    by: str
    role: str
    signer: str
    fingerprint: str
    beside: str = ""

    def body(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "entry": self.entry,
            "at": self.at,
            "about": self.about,
            "text": self.text,
            "by": self.by,
            "role": self.role,
            "signed": bool(self.signer),
            "signer": self.signer,
            "fingerprint": self.fingerprint,
            "beside": self.beside,
        }


def remarks_in(reader: LogbookReader, about: int | None = None, beside: str = "") -> Iterator[Remark]:
    """The remarks that a logbook holds, in order; `about`: only those on that entry.

    Raises:
        LogbookDamaged: where entries cannot be read.
    """
    for entry in reader.entries(kinds=[Kind.NOTE]):
        try:
            data = entry.data
        except LogbookDamaged:
            continue  # the audit tells of it
        if not is_remark(entry.kind, data) or about not in (None, data["about"]):
            continue
        signer, fingerprint = _signature(reader, entry)
        text, by, role = (str(data.get(name, "")) for name in ("text", "by", "role"))
        yield Remark(entry.number, entry.at, data["about"], text, by, role, signer, fingerprint, beside)


def _signature(reader: LogbookReader, entry: Entry) -> tuple[str, str]:
    """Name and fingerprint of the key whose checkpoint stands directly behind the entry, and covers it; both empty
    where there is none that holds."""
    try:
        behind = reader.entry(entry.number + 1)
        if behind.kind != Kind.CHECKPOINT or leaf_hash(entry.number, entry.at, entry.kind, entry.body) != entry.leaf:
            return "", ""
        signed = parse_checkpoint(str(behind.data.get("note")))
        said = signed.checkpoint
        stands = StoredTree(reader.connection).mth(0, entry.number)
    except (InputWrong, LogbookDamaged, NoteWrong):
        return "", ""
    if (said.logbook, said.size, said.head) != (reader.id, entry.number, stands):
        return "", ""
    key = next((key for key in known_keys(reader) if key.signed(signed.note)), None)
    return (key.name, key.fingerprint) if key else ("", "")
