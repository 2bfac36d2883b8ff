"""One writer: a second is refused by name, a dead one is followed, locks survive, shared folders are refused."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from record_kit import FIRST, KEY, logbook_of

from logger.clock import ManualClock
from logger.errors import LogbookUnusable
from logger.logbook import connect, files, handles
from logger.logbook.entries import Kind
from logger.logbook.lock import is_held
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import Logbook

HOLDER = """
import sys, time; sys.path.insert(0, sys.argv[2])
from record_kit import *; from pathlib import Path
logbook = Logbook.open(Path(sys.argv[1]), ManualClock(), KEY)
logbook.append(Kind.NOTE, {"text": "mine"}); logbook.commit()
sys.stdout.write("held\\n"); sys.stdout.flush(); sys.stdin.read()
logbook.close()
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return logbook_of(tmp_path / "kiln.logbook", 20)


def hold(path: Path) -> subprocess.Popen[str]:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path), str(Path(__file__).parent)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    return holder


def test_a_second_writer_is_refused_by_name(path: Path) -> None:
    holder = hold(path)
    try:
        assert is_held(path)
        with pytest.raises(LogbookUnusable, match=f"process {holder.pid} on .*since 2027-03-01"):
            Logbook.open(path, ManualClock())
        with LogbookReader.open(path) as reader:
            assert reader.entry(reader.size).data == {"text": "mine"}
    finally:
        holder.communicate("")
    assert not is_held(path)
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_a_second_writer_in_the_same_process_is_refused(path: Path) -> None:
    with Logbook.open(path, ManualClock()), pytest.raises(LogbookUnusable, match="is being recorded"):
        Logbook.open(path, ManualClock())
    Logbook.open(path, ManualClock()).close()


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
def test_a_dead_writer_is_followed(path: Path) -> None:
    holder = hold(path)
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    left = {each.name for each in path.parent.iterdir()}
    assert f"{path.name}.lock" in left
    assert json.loads((path.parent / f"{path.name}.held").read_text())["pid"] == holder.pid
    assert not is_held(path)
    with Logbook.open(path, ManualClock()) as logbook, LogbookReader.open(path) as reader:
        assert reader.entry(logbook.size).data == {"text": "mine"}
    assert [each.name for each in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff\xfe", b"x" * 100_000, b'{"pid": "\\u001b[2J"}'])
def test_whatever_the_holders_note_says(path: Path, content: bytes) -> None:
    with Logbook.open(path, ManualClock()):
        (path.parent / f"{path.name}.held").write_bytes(content)
        with pytest.raises(LogbookUnusable, match="is being recorded") as caught:
            Logbook.open(path, ManualClock())
        assert "\x1b" not in str(caught.value)


@pytest.mark.skipif(not Path("/proc/locks").exists(), reason="needs the kernel's list of locks")
def test_looking_at_a_file_beside_its_writer_drops_no_lock(path: Path) -> None:
    def locks() -> int:
        inode = path.stat().st_ino
        return sum(f":{inode} " in line for line in Path("/proc/locks").read_text().splitlines())

    with Logbook.open(path, ManualClock()) as logbook:
        logbook.append(Kind.NOTE, {})
        logbook.commit()
        before = locks()
        assert before > 0, "a connection in write-ahead mode holds a lock on its file"
        with LogbookReader.open(path):
            pass
        with pytest.raises(LogbookUnusable):
            Logbook.open(path, ManualClock())
        assert locks() == before


def test_a_reader_without_locks_is_let_go_of_after_the_writer() -> None:
    closed: list[str] = []
    handles.begin_writing((1, 2))
    handles.close_harmlessly((1, 2), lambda: closed.append("reader"))
    handles.close_harmlessly((3, 4), lambda: closed.append("other"))
    assert closed == ["other"]
    handles.end_writing((1, 2))
    assert closed == ["other", "reader"]
    assert not handles.is_written_here((1, 2))


MOUNTS = """\
/dev/sda1 / ext4 rw 0 0
server:/share /mnt/share nfs4 rw 0 0
//nas/kiln /mnt/with\\040space cifs rw 0 0
host:/srv /srv/ana/remote fuse.sshfs rw 0 0
/dev/sdb1 /media/stick fuseblk rw 0 0
"""


@pytest.mark.parametrize(
    ("folder", "system"),
    [
        ("/srv/ana", "ext4"),
        ("/mnt/share/job", "nfs4"),
        ("/mnt/shared", "ext4"),
        ("/mnt/with space", "cifs"),
        ("/srv/ana/remote/x", "fuse.sshfs"),
        ("/media/stick", "fuseblk"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no list of mounts")
def test_the_file_system_of_a_folder(tmp_path: Path, folder: str, system: str) -> None:
    (tmp_path / "mounts").write_text(MOUNTS)
    assert files.mount_of(Path(folder), tmp_path / "mounts")[1] == system


@pytest.mark.parametrize(
    ("system", "refused"), [("nfs", True), ("fuse.rclone", True), ("9p", True), ("fuseblk", False), ("ext4", False)]
)
def test_shared_folders_are_refused_with_the_way_out(
    path: Path, monkeypatch: pytest.MonkeyPatch, system: str, refused: bool
) -> None:
    monkeypatch.setattr(files, "mount_of", lambda _: ("/mnt", system))
    if not refused:
        Logbook.open(path, ManualClock()).close()
        return
    with pytest.raises(LogbookUnusable, match="work in a folder on this machine"):
        Logbook.open(path, ManualClock())
    with pytest.raises(LogbookUnusable, match="work in a folder on this machine"):
        Logbook.create(path.with_name("new"), FIRST, ManualClock())
    with LogbookReader.open(path) as reader:
        assert reader.size


def test_a_sandboxs_own_root_is_its_disk(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "mount_of", lambda _: ("/", "9p"))
    Logbook.open(path, ManualClock()).close()


def test_synchronised_folders_are_refused(path: Path) -> None:
    (path.parent / ".stfolder").mkdir()
    with pytest.raises(LogbookUnusable, match="synchronised"):
        Logbook.open(path, ManualClock())


def test_a_foreign_program_that_holds_the_file_is_waited_out(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connect, "BUSY_WAIT_MS", 10)
    with Logbook.open(path, ManualClock(), KEY) as logbook:
        foreign = connect.for_writing(path)
        foreign.execute("BEGIN IMMEDIATE")
        number = logbook.append(Kind.NOTE, {"text": "waits"})
        with pytest.raises(Exception, match="another program holds the file"):
            logbook.commit()
        with pytest.raises(Exception, match="another program holds the file"):
            logbook.recover()
        foreign.execute("ROLLBACK")
        foreign.close()
        logbook.recover()
        assert logbook.committed == number + 1


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_takes_no_lock_says_so(path: Path) -> None:
    path.parent.chmod(0o500)
    try:
        with pytest.raises(LogbookUnusable, match="cannot be written to"):
            Logbook.open(path, ManualClock())
    finally:
        path.parent.chmod(0o700)
