"""Reads many files under limits, in a process of its own; says for each what came of it, as one line of JSON."""

from __future__ import annotations

import json
import signal
import sys
import time
from pathlib import Path

from pipeline.errors import CaptureError
from pipeline.formats import read_capture


def peak_kib() -> int:
    """The most memory since the peak was last forgotten; ``ru_maxrss`` would be the parent's where that was larger."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(status.split("VmHWM:")[1].split()[0])


def main() -> None:
    for name in sys.stdin.read().splitlines():
        path = Path(name)
        signal.alarm(60)  # a reader that hangs kills this process
        Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")  # forget the peak so far: proc(5)
        before = peak_kib()
        start = time.process_time()
        try:
            capture = read_capture(path)
            said = {"points": len(capture.points), "faces": 0 if capture.faces is None else len(capture.faces)}
        except CaptureError as error:
            said = {"text": error.text, "remedy": error.remedy}
        seconds, grown = time.process_time() - start, peak_kib() - before
        told = {"name": name, "seconds": seconds, "grown_mib": grown / 1024, **said}
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
