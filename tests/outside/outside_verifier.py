"""An outsider's verifier of logbooks and proof bundles, written from the published description of the record alone.

Standard library and one Ed25519 call; nothing of the project is imported. It knows the table of entries, how a leaf is
hashed, the tree of RFC 9162, signed notes and checkpoints. It answers with a list of complaints; an empty one means:
it stands.

    python outside_verifier.py FILE [VKEY]
"""

from __future__ import annotations

import base64
import hashlib
import json
import sqlite3
import struct
import sys
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

Key = tuple[str, bytes, bytes]
"""Name, four bytes of key hash, public key."""


# -- hashes -----------------------------------------------------------------------------------------------------------


def leaf(number: int, at: str, kind: str, body: str) -> bytes:
    data = b"\x00" + struct.pack(">Q", number)
    for text in (at, kind, body):
        raw = text.encode("utf-8")
        data += struct.pack(">I", len(raw)) + raw
    return hashlib.sha256(data).digest()


def node(left: bytes, right: bytes) -> bytes:
    return hashlib.sha256(b"\x01" + left + right).digest()


class Tree:
    """Full subtrees as (height, head), merged as they become equal."""

    def __init__(self) -> None:
        self.parts: list[tuple[int, bytes]] = []

    def add(self, one: bytes) -> None:
        self.parts.append((0, one))
        while len(self.parts) > 1 and self.parts[-1][0] == self.parts[-2][0]:
            (height, right), (_, left) = self.parts.pop(), self.parts.pop()
            self.parts.append((height + 1, node(left, right)))

    def head(self) -> bytes:
        if not self.parts:
            return hashlib.sha256(b"").digest()
        head = self.parts[-1][1]
        for _, part in reversed(self.parts[:-1]):
            head = node(part, head)
        return head


def included(one: bytes, index: int, size: int, proof: list[bytes], head: bytes) -> bool:
    """RFC 9162, 2.1.3.2."""
    if index >= size:
        return False
    fn, sn, r = index, size - 1, one
    for p in proof:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = node(p, r)
            if not fn & 1:
                while fn and not fn & 1:
                    fn, sn = fn >> 1, sn >> 1
        else:
            r = node(r, p)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == head


# -- signed notes -----------------------------------------------------------------------------------------------------


def strict64(text: str) -> bytes:
    data = base64.b64decode(text, validate=True)
    if base64.b64encode(data).decode() != text:
        raise ValueError("base64 in another form")
    return data


def vkey(text: str) -> Key:
    name, hashed, encoded = text.split("+", 2)
    data = strict64(encoded)
    if len(data) != 33 or data[0] != 1:
        raise ValueError("not an Ed25519 key")
    right = hashlib.sha256(name.encode() + b"\n" + data).digest()[:4]
    if right.hex() != hashed:
        raise ValueError("key hash does not match")
    return name, right, data[1:]


def signed_by(note: str, keys: list[Key]) -> tuple[str, Key]:
    """The text of a note, and which of the keys signed it. Raises ValueError if none did, or one falsely."""
    text, _, lines = note.rpartition("\n\n")
    text += "\n"
    signer = None
    if not lines.endswith("\n"):
        raise ValueError("no signature lines")
    for line in lines[:-1].split("\n"):
        mark, name, encoded = line.split(" ")
        data = strict64(encoded)
        if mark != "—" or len(data) != 68:
            raise ValueError("malformed signature line")
        for key in keys:
            if key[0] == name and key[1] == data[:4]:
                try:
                    Ed25519PublicKey.from_public_bytes(key[2]).verify(data[4:], text.encode())
                except Exception as error:
                    raise ValueError("false signature") from error
                signer = key
    if signer is None:
        raise ValueError("signed by nobody known")
    return text, signer


def checkpoint(text: str) -> tuple[str, int, bytes]:
    origin, size, head, rest = text.split("\n")
    if rest or not origin.startswith("zerofirst/") or str(int(size)) != size or len(strict64(head)) != 32:
        raise ValueError("not a checkpoint")
    return origin, int(size), strict64(head)


# -- logbooks ---------------------------------------------------------------------------------------------------------


def complaints_about_file(connection: sqlite3.Connection) -> list[str]:
    found = []
    things = connection.execute("SELECT type, name, sql FROM sqlite_master").fetchall()
    tables = [sql for kind, name, sql in things if kind == "table" and name == "entries"]
    if len(tables) != 1 or not tables[0].rstrip().upper().endswith("STRICT"):
        found.append("entries is not one strict table")
    columns = [row[1] for row in connection.execute("PRAGMA table_xinfo(entries)")]
    if columns != ["number", "at", "kind", "body", "leaf"]:
        found.append(f"entries has other columns: {columns}")
    if [name for kind, name, _ in things if kind != "trigger" and name.lower() == "entries"] != ["entries"]:
        found.append("something else is called like entries")
    guards = " ".join(str(sql).upper() for kind, _, sql in things if kind == "trigger")
    for event in ("BEFORE UPDATE ON ENTRIES", "BEFORE DELETE ON ENTRIES", "BEFORE INSERT ON ENTRIES"):
        if event not in guards:
            found.append(f"no guard {event}")
    return found


QUERY = "SELECT number, at, kind, body, leaf FROM entries ORDER BY number"


def complaints_about_entries(connection: sqlite3.Connection, pinned: Key | None) -> list[str]:
    found: list[str] = []
    tree, origin, ended = Tree(), None, False
    keys: list[Key] = [pinned] if pinned else []
    expected = 1
    for number, at, kind, body, stored in connection.execute(QUERY):
        if number != expected:
            found.append(f"entry {expected} is not where it should be")
            expected = number
        expected += 1
        if not all(isinstance(one, str) for one in (at, kind, body)) or not isinstance(stored, bytes):
            found.append(f"entry {number} has wrong types")
            continue
        data = json_object(body)
        if data is None:
            found.append(f"entry {number} is no JSON object")
            data = {}
        if leaf(number, at, kind, body) != stored:
            found.append(f"entry {number} does not give its leaf")
        if ended:
            found.append(f"entry {number} stands after the seal")
        if kind in ("checkpoint", "seal"):
            try:
                text, _ = signed_by(data["note"], keys)
                where, size, head = checkpoint(text)
                if size != number - 1 or head != tree.head() or where != (origin or where):
                    found.append(f"checkpoint {number} does not fit the entries before it")
                origin = where
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                found.append(f"checkpoint {number}: {error}")
            ended = kind == "seal"
        if kind == "operator" and "vkey" in data and pinned is None:
            try:
                keys.append(vkey(data["vkey"]))
            except (ValueError, AttributeError, TypeError) as error:
                found.append(f"key in entry {number}: {error}")
        tree.add(stored)
    return found


def json_object(text: str) -> dict[str, Any] | None:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def complaints_about_logbook(path: Path, pinned: str | None = None) -> list[str]:
    connection = sqlite3.connect(f"file:{path.absolute()}?mode=ro&immutable=1", uri=True)
    try:
        problems = [str(row[0]) for row in connection.execute("PRAGMA quick_check")]
        found = [problem for problem in problems if problem != "ok"]
        found += complaints_about_file(connection)
        found += complaints_about_entries(connection, vkey(pinned) if pinned else None)
    except sqlite3.Error as error:
        return [f"cannot be read: {error}"]
    finally:
        connection.close()
    return found


# -- proof bundles ----------------------------------------------------------------------------------------------------


def complaints_about_bundle(text: str, pinned: str | None = None) -> list[str]:
    try:
        bundle = json.loads(text)
        if set(bundle) != {"entry", "index", "size", "proof", "note", "vkey"}:
            return ["other fields than a bundle has"]
        entry = bundle["entry"]
        if set(entry) != {"number", "at", "kind", "body"}:
            return ["other fields than an entry has"]
        if any(type(one) is not int for one in (bundle["index"], bundle["size"], entry["number"])):
            return ["a number is none"]
        if pinned is not None and pinned != bundle["vkey"]:
            return ["another key than the one asked for"]
        note, _ = signed_by(bundle["note"], [vkey(bundle["vkey"])])
        _, size, head = checkpoint(note)
        if size != bundle["size"] or entry["number"] != bundle["index"] + 1:
            return ["numbers do not belong together"]
        one = leaf(entry["number"], entry["at"], entry["kind"], entry["body"])
        proof = [strict64(each) for each in bundle["proof"]]
        if not included(one, bundle["index"], size, proof, head):
            return ["the entry is not in the tree that was signed"]
    except (ValueError, KeyError, TypeError, AttributeError, struct.error) as error:
        return [f"not a bundle that holds: {error}"]
    return []


def main(argv: list[str]) -> int:
    path, pinned = Path(argv[1]), argv[2] if len(argv) > 2 else None
    with path.open("rb") as file:
        is_logbook = file.read(16) == b"SQLite format 3\x00"
    found = (
        complaints_about_logbook(path, pinned)
        if is_logbook
        else complaints_about_bundle(path.read_text(encoding="utf-8"), pinned)
    )
    sys.stdout.writelines(f"{each}\n" for each in found or ["it stands"])
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv))
