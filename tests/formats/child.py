"""Reads many files under limits, in a process of its own; says for each what came of it, as one line of JSON."""

from __future__ import annotations

import json
import resource
import signal
import sys
import time
from pathlib import Path

from pipeline.errors import CaptureError
from pipeline.formats import read_capture


def main() -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for name in sys.stdin.read().splitlines():
        path = Path(name)
        signal.alarm(60)  # a reader that hangs kills this process
        start = time.process_time()
        try:
            capture = read_capture(path)
            said = {"points": len(capture.points), "faces": 0 if capture.faces is None else len(capture.faces)}
        except CaptureError as error:
            said = {"text": error.text, "remedy": error.remedy}
        grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
        told = {"name": name, "seconds": time.process_time() - start, "grown_mib": grown / 1024, **said}
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
