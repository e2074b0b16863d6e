"""``demo``: the example captures, worked as a night would. ``simulate``: more of them."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from pipeline.cli.exits import ACCEPTED, INTERRUPTED, command
from pipeline.errors import UsageError
from pipeline.storage import shipped


def add_to(commands: Any) -> None:
    """Register the commands."""
    demo = command(commands, "demo", _demo, "work the example captures as a night would, and show what came out")
    demo.add_argument("site", nargs="?", type=Path, default=Path("demo-site"), metavar="SITE")
    simulate = command(commands, "simulate", _simulate, "make example captures with known truth")
    simulate.add_argument("folder", type=Path, metavar="DIR")


def _demo(options: Any) -> int:
    from pipeline.cli.night import print_night, run_night
    from pipeline.service.start import make_site
    from pipeline.service.tree import READY_MARKER
    from pipeline.site import SITE_FILE

    site: Path = options.site
    if not (site / SITE_FILE).is_file():
        make_site(site)
    for source in sorted(shipped("inbox_example").iterdir()):
        if source.name.startswith(".") or source.suffix == ".md":
            continue
        target = site / "inbox" / source.name
        if source.is_dir():
            shutil.copytree(source, target, dirs_exist_ok=True)
            (target / READY_MARKER).touch()
        else:
            shutil.copy(source, target)
            target.with_name(target.name + READY_MARKER).touch()
    night = run_night(site)
    print_night(site, night)
    return INTERRUPTED if night.stopped else ACCEPTED


def _simulate(options: Any) -> int:
    from pipeline.simulate.inbox import write_example_inbox

    if options.folder.exists() and any(options.folder.iterdir()):
        raise UsageError(f"{options.folder} is not empty.", "Give a new folder.")
    write_example_inbox(options.folder)
    print(f"{options.folder}: simulated captures; nothing in it was scanned")
    return ACCEPTED
