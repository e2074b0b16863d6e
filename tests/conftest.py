"""What all tests share: no example is timed, and public data that they install by name, never kept in this repository.

A package is fetched once into ``~/.cache/nightmill-tests``. Where it cannot be reached the test is skipped with
the reason, but in CI (environment variable ``CI``) that is a failure: a check that quietly did not run is none.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # a busy machine is no defect
settings.load_profile("untimed")

CACHE = Path.home() / ".cache" / "nightmill-tests"
Fetch = Callable[[str], Path]


@pytest.fixture(scope="session")
def npm_package() -> Fetch:
    """The folder of an npm package, by ``name`` or ``name@version``."""
    return lambda name: _cached(f"npm-{name}", lambda folder: _fetch_npm(name, folder))


@pytest.fixture(scope="session")
def debian_package() -> Fetch:
    """The root of an unpacked Debian package, by name; nothing is installed."""
    return lambda name: _cached(f"debian-{name}", lambda folder: _fetch_debian(name, folder))


def _cached(key: str, fetch: Callable[[Path], None]) -> Path:
    target = CACHE / key
    if target.is_dir():
        return target
    CACHE.mkdir(parents=True, exist_ok=True)
    staged = Path(tempfile.mkdtemp(dir=CACHE))
    try:
        fetch(staged)
    except (OSError, subprocess.SubprocessError, IndexError) as error:
        shutil.rmtree(staged)
        if os.environ.get("CI"):
            raise
        pytest.skip(f"{key} cannot be fetched here: {error}")
    try:
        staged.rename(target)
    except OSError:  # another test process was faster
        shutil.rmtree(staged)
    return target


def _fetch_npm(name: str, folder: Path) -> None:
    _run(["npm", "pack", "--silent", name], folder)
    archive = next(iter(folder.glob("*.tgz")))
    with tarfile.open(archive) as bundle:
        bundle.extractall(folder, filter="data")
    archive.unlink()


def _fetch_debian(name: str, folder: Path) -> None:
    _run(["apt-get", "download", name], folder)
    package = sorted(folder.glob("*.deb"))[0]
    _run(["dpkg-deb", "-x", str(package), "."], folder)
    package.unlink()


def _run(command: list[str], folder: Path) -> None:
    subprocess.run(command, cwd=folder, check=True, timeout=180, capture_output=True)
