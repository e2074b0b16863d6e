"""Results appear whole: everything on the disk before the one rename that shows it."""

from __future__ import annotations

import grp
import os
from pathlib import Path

import pytest
from service_rig import Rig, manifest_for, new_rig

from pipeline.errors import Outcome
from pipeline.service import publish as module
from pipeline.service.publish import publish
from pipeline.service.worker import Order


def attempt(rig: Rig, outcome: Outcome = Outcome.ACCEPTED) -> tuple[Path, object]:
    folder = rig.site.work / "tiller" / "attempt-1"
    (folder / "previews").mkdir(parents=True)
    (folder / "previews" / "front.png").write_bytes(b"x")
    manifest = manifest_for(
        Order(job=rig.site.raw / "tiller", name="tiller", recipe=Path("x"), folder=folder), outcome, "x"
    )
    manifest.write(folder)
    return folder, manifest


def test_files_then_folders_then_the_rename_then_its_folder(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut at any moment finds the result whole or not there."""
    folder, manifest = attempt(rig)
    order: list[str] = []
    real_fsync, real_rename = os.fsync, module.rename_to_free

    def fsync(handle: int) -> None:
        order.append(f"fsync {Path(f'/proc/self/fd/{handle}').readlink().name}")
        real_fsync(handle)

    def rename(source: Path, target: Path) -> None:
        order.append("rename")
        real_rename(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(module, "rename_to_free", rename)
    publish(rig.site, folder, manifest, 1)  # type: ignore[arg-type]
    at = order.index("rename")
    assert set(order[:at]) == {
        "fsync part.stl",
        "fsync manifest.json",
        "fsync front.png",
        "fsync previews",
        "fsync attempt-1",
    }
    assert order.index("fsync front.png") < order.index("fsync previews") < order.index("fsync attempt-1")
    assert "fsync delivered" in order[at:]


@pytest.mark.parametrize(
    ("outcome", "place", "reason"),
    [
        (Outcome.ACCEPTED, "delivered", False),
        (Outcome.REVIEW, "delivered", True),
        (Outcome.RESCAN, "attention", True),
        (Outcome.FAILED, "attention", True),
    ],
)
def test_where_results_go_and_what_they_say(rig: Rig, outcome: Outcome, place: str, reason: bool) -> None:
    folder, manifest = attempt(rig, outcome)
    target = publish(rig.site, folder, manifest, 1)  # type: ignore[arg-type]
    assert target == rig.site.root / place / "tiller"
    assert (target / "REASON.txt").is_file() == reason


def test_group_and_permissions_as_configured_and_links_untouched(tmp_path: Path) -> None:
    group = grp.getgrgid(os.getgid()).gr_name
    rig = new_rig(tmp_path / "site", f'results: {{group: "{group}", file_mode: "0640", folder_mode: "2750"}}')
    outside = tmp_path / "outside"
    outside.write_text("mine", encoding="utf-8")
    outside.chmod(0o600)
    folder, manifest = attempt(rig)
    (folder / "link").symlink_to(outside)
    with pytest.raises(OSError, match="link"):  # an attempt that leaves a link is not published at all
        publish(rig.site, folder, manifest, 1)  # type: ignore[arg-type]
    (folder / "link").unlink()
    target = publish(rig.site, folder, manifest, 1)  # type: ignore[arg-type]
    assert outside.stat().st_mode & 0o777 == 0o600
    assert target.stat().st_mode & 0o7777 == 0o2750
    assert (target / "previews").stat().st_mode & 0o7777 == 0o2750
    assert (target / "part.stl").stat().st_mode & 0o7777 == 0o640
    assert (target / "part.stl").stat().st_gid == os.getgid()
