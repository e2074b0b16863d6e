"""Where attempts run. All that the rest of the service knows of it: "place attempt N of job J"."""

from __future__ import annotations

from typing import Protocol

from pipeline.manifest import Manifest
from pipeline.runner import Progress
from pipeline.service.worker import Order


class Engine(Protocol):
    """Runs attempts, here or elsewhere. Journal, retries and publishing are not its business.

    An engine for several machines needs the order's folders at the same path there, and no more.
    """

    @property
    def slots(self) -> int:
        """How many attempts may be placed at the same time."""

    def place(self, order: Order, progress: Progress) -> Manifest | None:
        """Run one attempt to its end and give its manifest, written in the order's folder.

        Called by one thread for each attempt. A technical fault is a manifest with the outcome ``failed``;
        None means that the attempt was stopped and nothing is known of the job.
        """

    def stop(self) -> None:
        """End every attempt now; attempts placed later end at once."""
