"""Attempts as child processes of this one, each with processors and memory of its own."""

from __future__ import annotations

import queue

from pipeline.manifest import Manifest
from pipeline.runner import Progress
from pipeline.service.child import Leash
from pipeline.service.limits import Allowance
from pipeline.service.worker import Order, run_in_child
from pipeline.site import Settings


class EmbeddedEngine:
    """This machine."""

    def __init__(self, settings: Settings) -> None:
        whole = Allowance.of_this_machine().limited(gib=None, minutes=settings.minutes, threads=None)
        shares = [
            share.limited(gib=settings.memory_gib, minutes=None, threads=None)
            for share in whole.shared(settings.workers)
        ]
        self._leash = Leash()
        self._free: queue.SimpleQueue[Allowance] = queue.SimpleQueue()
        for share in shares:
            self._free.put(share)
        self.slots = settings.workers

    def place(self, order: Order, progress: Progress) -> Manifest | None:
        """See Engine."""
        share = self._free.get()
        try:
            return run_in_child(order, share, progress, self._leash)
        finally:
            self._free.put(share)

    def stop(self) -> None:
        """See Engine."""
        self._leash.pull()
