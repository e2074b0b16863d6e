"""Whatever people, disks and clocks do, in any order: each input is in exactly one place, each result is whole."""

from __future__ import annotations

import hashlib
import itertools
import tempfile
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from service_rig import manifest_for, new_rig

from pipeline.errors import Outcome, UsageError
from pipeline.manifest import differences, read_manifest
from pipeline.service.journal import Journal, State
from pipeline.service.recovery import recover
from pipeline.service.requeue import requeue

OUTCOMES = {
    "good": (Outcome.ACCEPTED, ""),
    "doubtful": (Outcome.REVIEW, "x"),
    "short": (Outcome.RESCAN, "x"),
    "crashing": (Outcome.FAILED, "crash"),
}


class Killed(BaseException):
    """The service is gone, in the middle of an attempt."""


class SiteMachine(RuleBasedStateMachine):
    """Rules are what may happen; the model is which bytes were dropped."""

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.TemporaryDirectory()
        self.patch = pytest.MonkeyPatch()
        self.rig = new_rig(Path(self.folder.name) / "site", "settle_s: 30")
        self.numbers = itertools.count()
        self.full = False
        self.kill_next = False
        self.patch.setattr("pipeline.service.bench.shortage", lambda site, size: "no disk" if self.full else "")
        self.files: dict[str, bytes] = {}  # first bytes of a file say which one it is
        self.rig.engine.place = self.place  # type: ignore[method-assign]
        self.supervisor = self.rig.supervisor()

    def teardown(self) -> None:
        if hasattr(self, "rig"):
            self.finish()
            self.rig.journal.close()
            self.patch.undo()
            self.folder.cleanup()

    def place(self, order, progress):  # type: ignore[no-untyped-def]
        if self.kill_next:
            self.kill_next = False
            raise Killed
        kind = next((kind for kind in OUTCOMES if order.name.startswith(kind)), "good")
        manifest = manifest_for(order, *OUTCOMES[kind])
        manifest.write(order.folder)
        return manifest

    # What operators do

    @rule(kind=st.sampled_from(sorted(OUTCOMES)), ready=st.booleans(), single=st.booleans())
    def put(self, kind: str, ready: bool, single: bool) -> None:
        number = next(self.numbers)
        content = b"%d;points" % number
        self.files[str(number)] = content
        name = f"{kind}{number % 3}"
        path = self.rig.site.inbox / (f"{name}.ply" if single else name)
        if path.exists():
            path = self.rig.site.inbox / (f"{name}-{number}.ply" if single else f"{name}-{number}")
        if single:
            path.write_bytes(content)
            if ready:
                path.with_name(path.name + ".ready").touch()
        else:
            path.mkdir()
            (path / "a.ply").write_bytes(content)
            if ready:
                (path / ".ready").touch()

    @rule(which=st.integers(0, 5))
    def append(self, which: int) -> None:
        for file in sorted(self.rig.site.inbox.rglob("*.ply"))[which : which + 1]:
            number = file.read_bytes().split(b";")[0].decode()
            self.files[number] += b"more"
            file.write_bytes(self.files[number])

    @rule(which=st.integers(0, 5))
    def rename(self, which: int) -> None:
        entries = [path for path in sorted(self.rig.site.inbox.iterdir()) if path.is_dir()]
        for entry in entries[which : which + 1]:
            entry.rename(entry.with_name(f"{entry.name}-r{next(self.numbers)}"))

    @rule(which=st.integers(0, 5))
    def ask_again(self, which: int) -> None:
        for entry in self.rig.journal.by_state(State.DONE, State.KNOWN)[which : which + 1]:
            try:
                requeue(self.rig.site, self.rig.journal, entry.job, None)
            except UsageError:
                pytest.fail("a finished job can be worked again")

    # What machines do

    @rule()
    def kill_in_the_next_attempt(self) -> None:
        self.kill_next = True

    @rule()
    def restart(self) -> None:
        self.rig.journal.close()
        self.rig.journal = Journal(self.rig.site.journal)
        recover(self.rig.site, self.rig.journal, self.rig.clock)
        self.supervisor = self.rig.supervisor()

    @rule()
    def lose_the_journal(self) -> None:
        self.rig.journal.close()
        self.rig.site.journal.unlink()
        self.restart()

    @rule(full=st.booleans())
    def fill_or_free_the_disk(self, full: bool) -> None:
        self.full = full

    @rule(days=st.sampled_from([-1, 1]))
    def jump(self, days: int) -> None:
        self.rig.clock.wall += timedelta(days=days)

    @rule(seconds=st.sampled_from([5, 20, 60, 400]))
    def time_passes(self, seconds: int) -> None:
        try:
            self.rig.go_on(self.supervisor, seconds, step=5 if seconds <= 20 else seconds / 4)
        except Killed:
            self.restart()

    # What must be true

    @invariant()
    def every_input_is_in_exactly_one_place(self) -> None:
        if not hasattr(self, "rig"):
            return
        have = Counter(
            file.read_bytes() for place in (self.rig.site.inbox, self.rig.site.raw) for file in place.rglob("*.ply")
        )
        assert have == Counter(self.files.values())

    @invariant()
    def results_are_whole_and_single(self) -> None:
        if not hasattr(self, "rig"):
            return
        results = [folder for place in (self.rig.site.delivered, self.rig.site.attention) for folder in place.iterdir()]
        assert len({folder.name for folder in results}) == len(results)
        for folder in results:
            manifest = read_manifest(folder)
            assert differences(folder, manifest) == []
            assert (manifest.outcome in (Outcome.ACCEPTED, Outcome.REVIEW)) == (folder.parent.name == "delivered")

    def finish(self) -> None:
        """Left alone, with disk, everything is worked."""
        self.full = self.kill_next = False
        self.restart()
        self.rig.go_on(self.supervisor, 3000, step=60)
        self.every_input_is_in_exactly_one_place()
        self.results_are_whole_and_single()
        assert [
            path for path in self.rig.site.inbox.iterdir() if ".triage." not in path.name and path.suffix != ".ready"
        ] == []
        assert self.rig.journal.by_state(State.CLAIMED, State.READY, State.RUNNING) == []
        for job in self.rig.journal.by_state(State.DONE):
            place = self.rig.site.result_of(job.job)
            assert place is not None
            content = job.content or read_manifest(place).content_sha256
            files = sorted((self.rig.site.raw / job.job).rglob("*.ply"))
            digest = hashlib.sha256(files[0].read_bytes()).hexdigest()
            whole = hashlib.sha256(f"{digest} {files[0].stat().st_size} {files[0].name}\n".encode()).hexdigest()
            assert content == whole, "the result is of these bytes"


TestSite = SiteMachine.TestCase
TestSite.settings = settings(max_examples=20, stateful_step_count=15)
