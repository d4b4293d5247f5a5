"""A file that somebody sent, read by a program of ours in a process of its own, which cannot harm this one."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from io import BufferedReader
from pathlib import Path
from typing import Any

from app.errors import BitternError

MOST_MEMORY = 1 << 30  # bytes, of the process that reads
PATIENCE = 60  # seconds by the clock
_PROGRAM = Path(__file__).with_name("reading_child.py")
_LONGEST_REFUSAL = 4096  # bytes
_OUT_OF_TIME = (signal.SIGXCPU, signal.SIGKILL)
_READING = threading.BoundedSemaphore(2)  # so that many files at once take no more memory than two


def child_lines(
    reader: Path, data: bytes | BufferedReader, request: Mapping[str, Any], *, too_large: str, too_slow: str
) -> Iterator[Any]:
    """What a reader's `parts_of` gives of a file; BitternError on `file` with what it refuses.

    It gets no settings of the house, and its own memory and time (`seconds` of a core in the request); whatever
    becomes of it is a sentence here, before the first line. Its lines wait in a file without a name: here there is
    never more than one of them.
    """
    whole = isinstance(data, bytes)  # else an open file, of which the reader takes what it needs
    asked = {"memory": MOST_MEMORY, "whole": whole, **request}
    command = [sys.executable, "-I", str(_PROGRAM), str(reader), json.dumps(asked)]
    sent: dict[str, Any] = {"input" if whole else "stdin": data}
    with tempfile.TemporaryFile() as output:
        try:
            with _READING:
                done = subprocess.run(  # noqa: S603 - our own program; the file is its input, not its name
                    command, **sent, stdout=output, stderr=subprocess.DEVNULL, timeout=PATIENCE, env={}
                )
        except subprocess.TimeoutExpired as error:
            raise BitternError("file", too_slow) from error
        if done.returncode < 0:  # a signal: a reader out of memory ends itself, one out of time is ended
            raise BitternError("file", too_slow if -done.returncode in _OUT_OF_TIME else too_large)
        done.check_returncode()
        output.seek(max(0, output.seek(0, os.SEEK_END) - _LONGEST_REFUSAL))
        last = output.read().splitlines(keepends=True)[-1]
        if refused := json.loads(last)["refused"]:
            raise BitternError("file", refused)
        end = output.tell() - len(last)
        output.seek(0)
        while output.tell() < end:
            yield json.loads(output.readline())
