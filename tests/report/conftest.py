"""One small site, written once for all tests of the report."""

from __future__ import annotations

from pathlib import Path

import pytest
import sites


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with its pages; nobody changes it."""
    root = sites.small_site(tmp_path_factory.mktemp("report") / "site")
    sites.write_pages(root)
    return root
