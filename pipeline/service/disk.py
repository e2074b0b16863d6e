"""Is there room for a job? Jobs wait for disk, they never fail for it."""

from __future__ import annotations

import shutil

from pipeline.site import Site

TIMES_CAPTURES = 6  # staging, deliverables and previews of one job, measured against its captures


def shortage(site: Site, capture_bytes: int) -> str:
    """What is lacking, in words; empty when there is room."""
    needed = max(site.settings.min_free_gb * 1e9, TIMES_CAPTURES * capture_bytes)
    free = shutil.disk_usage(site.work).free
    return "" if free >= needed else f"{free / 1e9:.1f} GB of disk are free, {needed / 1e9:.1f} GB are needed"
