"""The program that `child_process.py` starts for each file somebody sent: it reads that one in bounds, and ends.

Who sends a file decides how much there is to unfold, so the system limits memory and time before anything of it is
looked at. It imports nothing of the app and starts in a few hundredths of a second. Its arguments: the reader's
program, and a dictionary of what to read and its limits; the file comes on standard input, and lines of JSON go out,
{"refused": sentence} at last.
"""

import contextlib
import importlib
import json
import resource
import runpy
import sys


def limit(memory: int, seconds: int) -> None:
    """Bound this process: bytes of memory, seconds of a core, and no picture of its memory when it is killed."""
    for kind, soft, hard in (
        (resource.RLIMIT_CORE, 0, 0),
        (resource.RLIMIT_CPU, seconds, seconds + 1),
        (resource.RLIMIT_AS, memory, memory),
    ):
        # Not every system bounds memory so; the time is left then, and who started this waits no longer than that.
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(kind, (soft, hard))


def main() -> None:
    """Say what is asked of the file on standard input, or why it is not read."""
    request = json.loads(sys.argv[2])
    limit(request["memory"], request["seconds"])
    reader = runpy.run_path(sys.argv[1])
    importlib.import_module(reader["NEEDS"])  # where it is missing, that is no fault of the file
    # Outside of what is taken for the file's fault: that there is no room for its lines.
    source = sys.stdin.buffer
    for line in reader["lines_of"](source.read() if request["whole"] else source, request):
        sys.stdout.buffer.write(line)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
