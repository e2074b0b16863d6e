"""Floods, random deaths and long runs, shortened. The whole, by name: tests/benchmarks/service.py"""

from __future__ import annotations

import logging
import time
from pathlib import Path

import pytest
from service_rig import new_rig, new_site
from stress import account_of, drop_flat, drop_nested, random_deaths, soak, watch_until_worked


@pytest.fixture(autouse=True)
def quiet() -> None:
    logging.getLogger("nightmill").setLevel(logging.CRITICAL)


@pytest.mark.parametrize("with_events", [True, False])
def test_no_file_of_a_flood_is_lost(tmp_path: Path, with_events: bool) -> None:
    """Without any event at all, the looks alone find everything."""
    site = new_site(tmp_path / "site", "settle_s: 0.5")
    dropped = drop_flat(site, 60) + drop_nested(site, 400)
    watch_until_worked(site.root, 60 + 20, 200, with_events=with_events)
    assert account_of(site, dropped).good


def test_random_deaths_of_two_services_lose_nothing(tmp_path: Path) -> None:
    seed = int(time.time())
    account, killed = random_deaths(tmp_path / "site", 15, seed)
    assert account.good, f"seed {seed}: {account}"
    assert killed >= 15, f"seed {seed}: killed only {killed}"


def test_many_jobs_leave_nothing_behind_in_the_service(tmp_path: Path) -> None:
    site = new_site(tmp_path / "site")
    samples = soak(site.root, 40)
    assert len(samples) == 40
    early, late = samples[10:20], samples[-10:]
    # Floors, not peaks: a thread that is just ending is no leak, one that never ends raises the floor.
    assert min(handles for _, handles, _ in late) <= min(handles for _, handles, _ in early)
    assert min(threads for _, _, threads in late) <= min(threads for _, _, threads in early)
    assert min(mib for mib, _, _ in late) <= 1.05 * max(mib for mib, _, _ in early)


def test_idle_costs_little(tmp_path: Path) -> None:
    """Ten minutes beside ten thousand entries that nobody works on: less than 1 % of a core."""
    rig = new_rig(tmp_path / "site", 'hours: "03:00-03:01"')
    drop_nested(rig.site, 10_000, each=100)
    supervisor = rig.supervisor()
    while len(rig.triage.seen) < 100:
        rig.clock.pass_seconds(5)
        supervisor.turn()
    began = time.process_time()
    for _ in range(40):
        rig.clock.pass_seconds(15)
        supervisor.turn()
    assert (time.process_time() - began) / 600 < 0.01
    assert len(rig.triage.seen) == 100
