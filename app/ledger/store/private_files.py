"""Files that nobody else may read, and what makes a file outlive a power cut."""

import os
import stat
from pathlib import Path


def write_new_file(path: Path, content: bytes, mode: int = 0o600) -> None:
    """Write a file that was not there, through to the disk; FileExistsError where it was."""
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def fault_of_mode(path: Path) -> str:
    """What to do about a secret file that others may read; "" where nobody may."""
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        return f"The file {path} can be read by others. Run: chmod 600 {path}"
    return ""


def sync_folder(folder: Path) -> None:
    """Let the names in a folder outlive a power cut: a new one does so only when its folder is on the disk too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
