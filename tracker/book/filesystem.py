"""Whether a folder may hold a SQLite file: not on a network file system, whose locks and mappings deceive it.

SQLite's write-ahead log shares memory between processes through a mapped file, and its locks are the
system's. Over a network two computers each map a copy of their own, and both write: the book is damaged
without a word. See https://www.sqlite.org/wal.html ("does not work over a network filesystem").
"""

from __future__ import annotations

import mmap
import os
import re
import secrets
import subprocess
import sys
from pathlib import Path
from typing import Final

from tracker.book.place import BookError

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows has none
    fcntl = None  # type: ignore[assignment]

MOUNTS: Final = Path("/proc/self/mountinfo")
"""What is mounted where, on Linux; see proc_pid_mountinfo(5)."""

I_KNOW: Final = "STRANDBOOK_I_KNOW"
"""Environment variable of those who know that one computer alone uses the folder."""

_NETWORK: Final = frozenset((
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "ncpfs", "afs", "ceph", "lustre", "gpfs", "beegfs",
    "glusterfs", "davfs", "fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.davfs2", "fuse.rclone",
    "fuse.s3fs", "fuse.juicefs", "fuse.gcsfuse",
))  # fmt: skip
_LOCAL: Final = frozenset((
    "ext2", "ext3", "ext4", "xfs", "btrfs", "zfs", "f2fs", "tmpfs", "ramfs", "overlay", "jfs", "reiserfs",
    "bcachefs", "exfat", "vfat", "ntfs3",
))  # fmt: skip
_PROBE: Final = """
import fcntl, mmap, os, sys
handle = os.open(sys.argv[1], os.O_RDWR)
shared = mmap.mmap(handle, 4096)
seen = shared[0:1] == b"P"
shared[1:2] = b"C"
try:
    fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, 8)
    barred = False
except OSError:
    barred = True
sys.exit(0 if seen and barred else 1)
"""


def check_filesystem(folder: Path) -> None:
    """Let a folder through whose file system shares memory and locks between processes.

    Raises:
        BookError: It is on a network, or two processes do not see the same there.
    """
    if os.environ.get(I_KNOW):
        return
    kind = kind_of(folder)
    if kind in _LOCAL:
        return
    if kind in _NETWORK:
        raise _refused(folder, f"it is on a network file system ({kind})")
    if not shares_memory(folder):
        raise _refused(folder, "two processes do not see the same bytes there")


def _refused(folder: Path, why: str) -> BookError:
    return BookError(
        f"{folder} is no place for a book in one file",
        why=f"{why}, where two computers that write would damage it without a word",
        do="Several computers share a book on a server: strandbook init postgresql://USER@HOST/NAME?files=… "
        "If this computer alone will ever use the folder, say so with --i-know",
    )


def kind_of(folder: Path) -> str:
    """Return the kind of file system that a folder is on, as Linux names it; empty where it is not known."""
    try:
        lines = MOUNTS.read_text("utf-8", "surrogateescape").splitlines()
    except OSError:
        return ""
    path = os.path.realpath(folder)
    best = ("", "")
    for line in lines:
        before, _, after = line.partition(" - ")
        fields = before.split()
        least = 5
        if len(fields) < least or not after:
            continue
        # Blanks in names are written in octal: \\040.
        at = re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), fields[4])
        inside = path == at or path.startswith(at.rstrip("/") + "/")
        # The last of several mounts on one place is the one that is seen.
        if inside and len(at) >= len(best[0]):
            best = (at, after.split()[0])
    return best[1]


def shares_memory(folder: Path) -> bool:
    """Whether two processes that map one file in a folder see each other's bytes and locks."""
    if fcntl is None or not sys.executable:
        return True
    file = folder / f".probe-{secrets.token_hex(6)}"
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError:
        # A folder that cannot be written is read as it is: nobody can damage anything.
        return True
    try:
        os.ftruncate(handle, mmap.PAGESIZE)
        with mmap.mmap(handle, mmap.PAGESIZE) as shared:
            shared[0:1] = b"P"
            fcntl.lockf(handle, fcntl.LOCK_EX, 1, 8)
            child = subprocess.run(  # noqa: S603 - our own interpreter and text
                [sys.executable, "-I", "-S", "-c", _PROBE, str(file)], check=False, capture_output=True
            )
            return child.returncode == 0 and shared[1:2] == b"C"
    except OSError:
        return False
    finally:
        os.close(handle)
        file.unlink(missing_ok=True)
