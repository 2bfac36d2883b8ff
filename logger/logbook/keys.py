"""Operators' signing keys: Ed25519, made on first use, kept outside any logbook, readable by their owner only."""

from __future__ import annotations

import os
import re
import stat
import sys
import unicodedata
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from logger.errors import InputWrong
from logger.logbook import files
from logger.logbook.note import Signature, VerifierKey

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEYS_VARIABLE: Final = "ZEROFIRST_KEYS"
"""Environment variable that names another folder for keys."""

DEFAULT_OPERATOR: Final = "operator"

NAME_CHARACTERS_AT_MOST: Final = 40
"""How much of an operator's name goes into the name of the key."""

KEY_FILE_BYTES_AT_MOST: Final = 64 * 1024
"""A key file is a few hundred bytes."""


class OperatorKey:
    """A private key with its public half. Never written into a logbook; `vkey` is."""

    def __init__(self, name: str, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.verifier = VerifierKey(name, private.public_key().public_bytes_raw())

    @classmethod
    def make(cls, name: str) -> Self:
        """A fresh key from the system's own randomness."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return cls(name, Ed25519PrivateKey.generate())

    @classmethod
    def from_seed(cls, name: str, seed: bytes) -> Self:
        """The key that follows from 32 bytes: for demonstrations and tests, which come out the same each time."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return cls(name, Ed25519PrivateKey.from_private_bytes(seed))

    @property
    def name(self) -> str:
        """Name under which it signs."""
        return self.verifier.name

    @property
    def vkey(self) -> str:
        """C2SP verifier key text of the public half."""
        return self.verifier.text

    @property
    def fingerprint(self) -> str:
        """Eight groups of four hex digits of the public half."""
        return self.verifier.fingerprint

    def sign(self, text: str) -> Signature:
        """The signature line for a note's text (which ends in a line end)."""
        return Signature(self.name, self.verifier.key_hash, self._private.sign(text.encode()))

    def pem(self, passphrase: bytes | None) -> bytes:
        """The private key as PKCS #8 PEM, encrypted where there is a passphrase."""
        from cryptography.hazmat.primitives import serialization

        lock: serialization.KeySerializationEncryption = serialization.NoEncryption()
        if passphrase:
            lock = serialization.BestAvailableEncryption(passphrase)
        return self._private.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)


def key_folder() -> Path:
    """Where this user's keys live: `ZEROFIRST_KEYS`, else the system's place for a program's data."""
    named = os.environ.get(KEYS_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("zerofirst") / "keys"


def operator_key(
    operator: str = DEFAULT_OPERATOR, passphrase: bytes | None = None, folder: Path | None = None
) -> OperatorKey:
    """The operator's key; made, with this passphrase if any, when there is none yet.

    Raises:
        InputWrong: if the key cannot be read, is open to others, or needs another passphrase.
    """
    folder = folder or key_folder()
    path = folder / f"{file_stem(operator)}.pem"
    try:
        if not path.exists():
            _make(path, OperatorKey.make(key_name(operator)).pem(passphrase))
        return _load(path, key_name(operator), passphrase)
    except OSError as error:
        raise InputWrong(
            f"The signing key {path} cannot be used ({error.strerror or error})",
            f"mend its folder, or name another one in {KEYS_VARIABLE}",
        ) from error


def key_name(operator: str) -> str:
    """The name under which the operator's key signs: letters, digits and hyphens after a fixed start."""
    return f"zerofirst-operator/{_slug(operator)}"


def file_stem(operator: str) -> str:
    """File name for the operator's key: safe on every system, and different for names that only look alike."""
    return f"{_slug(operator)}-{sha256(operator.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def _slug(operator: str) -> str:
    plain = unicodedata.normalize("NFKD", operator).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:NAME_CHARACTERS_AT_MOST].strip("-") or DEFAULT_OPERATOR


def _make(path: Path, pem: bytes) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{os.getpid()}.new")
    draft.unlink(missing_ok=True)
    files.create_private(draft)
    draft.write_bytes(pem)
    files.sync_file(draft)
    try:
        files.publish(draft, path)
    except FileExistsError:  # another process was first: its key is the key
        draft.unlink()
    files.sync_folder(path.parent)


def _load(path: Path, name: str, passphrase: bytes | None) -> OperatorKey:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    if sys.platform != "win32" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise InputWrong(f"The signing key {path} can be read by others", f"run `chmod 600 {path}`")
    with path.open("rb") as file:
        pem = file.read(KEY_FILE_BYTES_AT_MOST)
    locked = b"ENCRYPTED" in pem
    if locked and not passphrase:
        raise InputWrong(f"The signing key {path} is protected", "give its passphrase")
    try:
        private = load_pem_private_key(pem, passphrase if locked else None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        what = "does not open with that passphrase" if locked else "is no key, or is damaged"
        raise InputWrong(f"The signing key {path} {what}", "use its passphrase, or move the file away") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise InputWrong(f"The signing key {path} is not an Ed25519 key", "move it away; a new one is made")
    return OperatorKey(name, private)
