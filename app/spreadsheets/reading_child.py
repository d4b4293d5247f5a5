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
from collections.abc import Iterator, Mapping
from typing import Any


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


def lines_of(reader: Mapping[str, Any], data: Any, request: dict[str, Any]) -> Iterator[bytes]:
    """What a reader's `parts_of` gives of a file as lines of JSON; the last says why it is not read, or nothing."""
    refused = ""
    left = request["bytes"]
    try:
        for part in reader["parts_of"](data, request):
            line = json.dumps(part, ensure_ascii=False).encode("utf-8", "replace") + b"\n"
            left -= len(line)
            if left < 0:
                refused = reader["TOO_MUCH"].format(request["bytes"] // 1_000_000)
                break
            yield line
    except reader["REFUSAL"] as error:
        refused = str(error)
    except MemoryError:
        refused = reader["TOO_LARGE"]
    except GeneratorExit:
        raise
    except BaseException as error:  # a damaged file is answered with errors of many kinds, panics among them
        refused = reader["PROTECTED" if "password" in repr(error).casefold() else "DAMAGED"]
    yield json.dumps({"refused": refused}).encode() + b"\n"


def main() -> None:
    """Say what is asked of the file on standard input, or why it is not read."""
    request = json.loads(sys.argv[2])
    limit(request["memory"], request["seconds"])
    reader = runpy.run_path(sys.argv[1])
    importlib.import_module(reader["NEEDS"])  # where it is missing, that is no fault of the file
    # Outside of what is taken for the file's fault: that there is no room for its lines.
    source = sys.stdin.buffer
    for line in lines_of(reader, source.read() if request["whole"] else source, request):
        sys.stdout.buffer.write(line)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
