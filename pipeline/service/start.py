"""From a site's folder to a service at work."""

from __future__ import annotations

import grp
import logging
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Literal

from pipeline.errors import ConfigurationError, MachineError, Mistake, UsageError
from pipeline.service.bench import Turn
from pipeline.service.child import Leash
from pipeline.service.chores import Report
from pipeline.service.clock import Clock, SystemClock
from pipeline.service.engines import Engine
from pipeline.service.engines.embedded import EmbeddedEngine
from pipeline.service.limits import Allowance
from pipeline.service.lock import only_one
from pipeline.service.lookout import TriageLook
from pipeline.service.nights import write_report
from pipeline.service.recovery import open_journal, recover
from pipeline.service.routing import check_recipes
from pipeline.service.spawn import Spawn, in_thread
from pipeline.service.supervisor import Supervisor
from pipeline.service.triage import triage
from pipeline.site import FOLDERS, SITE_FILE, Site
from pipeline.storage import shipped, write_whole

log = logging.getLogger("nightmill")


def make_site(root: Path) -> None:
    """A new site with a commented ``site.yaml``. Raises UsageError when something lies there already."""
    if root.exists() and any(root.iterdir()):
        raise UsageError(f"{root} is not empty.", "Give a new folder.")
    for name in FOLDERS:
        (root / name).mkdir(parents=True, exist_ok=True)
    write_whole(root / SITE_FILE, (shipped("configs") / "site.yaml").read_bytes())


def check_site(site: Site) -> None:
    """Raise when the site cannot be served as it is set up: recipes, group, file systems."""
    check_recipes(site)
    group = site.settings.results.group
    if group is not None:
        try:
            grp.getgrnam(group)
        except KeyError as error:
            raise ConfigurationError(
                [Mistake(str(site.root / SITE_FILE), 1, "results.group", f"this machine has no group {group!r}")]
            ) from error
    for name in FOLDERS[1:]:
        (site.root / name).mkdir(exist_ok=True)
    if site.inbox.is_dir() and site.inbox.stat().st_dev != site.raw.stat().st_dev:
        raise MachineError(
            f"{site.inbox} and {site.raw} lie on different file systems, so a job cannot be moved in one step.",
            "Put the site on the file system of its inbox; the journal alone may lie elsewhere.",
        )


@contextmanager
def service(
    site: Site,
    mode: Literal["run", "watch"],
    *,
    engine: Engine | None = None,
    on_turn: Callable[[Turn], None] = lambda turn: None,
    on_step: Callable[[str, str, int, int], None] = lambda job, step, place, of: None,
    on_wait: Callable[[str, str, float], None] = lambda entry, text, seconds: None,
    clock: Clock | None = None,
    spawn: Spawn = in_thread,
    looks: TriageLook | None = None,
    report: Report = write_report,
) -> Iterator[Supervisor]:
    """A supervisor that holds the site, after everything was brought in order. Tests give parts of their own."""
    check_site(site)
    clock = clock or SystemClock()
    with only_one(site):
        journal, done = open_journal(site, clock)
        try:
            for text in [done, *recover(site, journal, clock)]:
                if text:
                    log.warning(text)
            engine = engine or EmbeddedEngine(site.settings)
            leash = Leash()
            looks = looks or _looks(site, leash)
            supervisor = Supervisor(
                site,
                journal,
                engine,
                looks,
                mode=mode,
                clock=clock,
                spawn=spawn,
                on_turn=on_turn,
                on_step=on_step,
                on_wait=on_wait,
                report=report,
            )
            try:
                yield supervisor
            finally:
                leash.pull()
                engine.stop()
        finally:
            journal.close()


def _looks(site: Site, leash: Leash) -> TriageLook:
    one = Allowance.of_this_machine().shared(site.settings.workers)[0]
    return partial(
        triage, site, allowance=one.limited(gib=site.settings.memory_gib, minutes=None, threads=1), leash=leash
    )


def serve(supervisor: Supervisor) -> list[Turn]:
    """Run until done, or until SIGTERM or SIGINT; a second signal ends running jobs at once."""

    def stop(number: int, frame: object) -> None:
        supervisor.stop()
        if number == signal.SIGINT:
            supervisor.stop()

    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        return supervisor.run()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
