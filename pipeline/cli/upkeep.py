"""``verify``, ``doctor``: looking after results and machines."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, ATTENTION, command
from pipeline.errors import UsageError
from pipeline.manifest import MANIFEST_FILE, differences, read_manifest


def add_to(commands: Any) -> None:
    """Register the commands."""
    verify = command(commands, "verify", _verify, "compare every deliverable with its manifest")
    verify.add_argument("folder", type=Path, metavar="DIR", help="a finished job, or a folder of them")
    doctor = command(commands, "doctor", _doctor, "what this machine has and lacks, with the remedy")
    doctor.add_argument("--json", action="store_true")


def _verify(options: Any) -> int:
    folders = sorted({file.parent for file in options.folder.rglob(MANIFEST_FILE)})
    if not folders:
        raise UsageError(f"There is no {MANIFEST_FILE} below {options.folder}.", "Give the folder of a finished job.")
    wrong: list[str] = []
    for folder in folders:
        found = differences(folder, read_manifest(folder))
        wrong += found
        print("\n".join(found) if found else f"{folder}: as delivered")
    return ATTENTION if wrong else ACCEPTED


def _doctor(options: Any) -> int:
    from dataclasses import asdict

    from pipeline.doctor import examine

    findings = []
    for finding in examine(Path.cwd()):
        findings.append(finding)
        if not options.json:
            print(f"{'good' if finding.good else 'LACK':<5} {finding.subject:<17} {finding.found}")
            if finding.remedy:
                print(f"{'':<6}{'':<17} -> {finding.remedy}")
    if options.json:
        print(json.dumps([asdict(finding) for finding in findings], indent=1))
    return ACCEPTED if all(finding.good for finding in findings) else ATTENTION
