from __future__ import annotations

from pathlib import Path

import pytest
from service_rig import Rig, new_rig

from pipeline.site import Site


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return new_rig(tmp_path / "site")


@pytest.fixture
def site(rig: Rig) -> Site:
    return rig.site
