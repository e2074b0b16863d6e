"""The shipped unit and cron file: valid, hardened, and true to what the program has."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.storage import shipped

UNIT, CRON = shipped("configs") / "nightmill.service", shipped("configs") / "nightmill.cron"
needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")


def here(tmp_path: Path) -> Path:
    """The unit with a program, a folder, a user and a group that this machine has."""
    text = UNIT.read_text(encoding="utf-8")
    text = text.replace("/opt/nightmill/.venv/bin/nightmill", sys.executable).replace("/srv/scans", str(tmp_path))
    text = text.replace("User=nightmill", "User=daemon").replace("Group=scans", "Group=daemon")
    file = tmp_path / "nightmill.service"
    file.write_text(text, encoding="utf-8")
    return file


@needs_systemd
def test_the_unit_is_valid(tmp_path: Path) -> None:
    done = subprocess.run(["systemd-analyze", "verify", str(here(tmp_path))], capture_output=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    assert "nightmill" not in done.stderr


@needs_systemd
def test_the_unit_exposes_little(tmp_path: Path) -> None:
    """Exposure 0-10 of systemd-analyze security: "ok" ends at 4.9 (systemd's own scale)."""
    command = ["systemd-analyze", "security", "--offline=yes", "--no-pager", str(here(tmp_path))]
    done = subprocess.run(command, capture_output=True, encoding="utf-8")
    found = re.search(r"exposure level.*?: ([0-9.]+)", done.stdout)
    if found is None:
        pytest.skip("this systemd cannot judge a unit that is not loaded")
    assert float(found.group(1)) < 2.5


@pytest.mark.parametrize("file", [UNIT, CRON])
def test_the_command_in_it_exists(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = re.search(r"bin/nightmill (\w+) /srv/scans", file.read_text(encoding="utf-8"))
    assert found is not None
    with pytest.raises(SystemExit) as caught:
        main([found.group(1), "--help"])
    assert caught.value.code == 0
