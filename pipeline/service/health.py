"""What the service is doing, for monitoring and for ``status``: a JSON file and Prometheus text, replaced whole."""

from __future__ import annotations

import contextlib
import json
import os
import socket
from typing import Any

from pipeline.site import Site
from pipeline.storage import write_whole

HEALTH_FILE = "health.json"
METRICS_FILE = "nightmill.prom"


def write_health(site: Site, facts: dict[str, Any]) -> None:
    """Replace both files."""
    site.health.mkdir(exist_ok=True)
    write_whole(site.health / HEALTH_FILE, (json.dumps(facts, indent=1, ensure_ascii=False) + "\n").encode())
    write_whole(site.health / METRICS_FILE, metrics_text(facts).encode())


def read_health(site: Site) -> dict[str, Any]:
    """What was last written; empty when there is nothing."""
    with contextlib.suppress(OSError, ValueError):
        facts = json.loads((site.health / HEALTH_FILE).read_bytes())
        if isinstance(facts, dict):
            return facts
    return {}


def metrics_text(facts: dict[str, Any]) -> str:
    """Gauges in the Prometheus text exposition format 0.0.4."""
    lines = [
        "# HELP nightmill_jobs Jobs by state, finished ones by outcome.",
        "# TYPE nightmill_jobs gauge",
        *(f'nightmill_jobs{{state="{state}"}} {count}' for state, count in sorted(facts["jobs"].items())),
        "# HELP nightmill_running Attempts under way.",
        "# TYPE nightmill_running gauge",
        f"nightmill_running {len(facts['running'])}",
        "# HELP nightmill_inbox_arrivals Entries of the inbox that are or may become jobs.",
        "# TYPE nightmill_inbox_arrivals gauge",
        f"nightmill_inbox_arrivals {facts['arrivals']}",
        "# HELP nightmill_problems Things that keep the service from its work.",
        "# TYPE nightmill_problems gauge",
        f"nightmill_problems {len(facts['problems'])}",
        "# HELP nightmill_alive_timestamp_seconds When the service last wrote this.",
        "# TYPE nightmill_alive_timestamp_seconds gauge",
        f"nightmill_alive_timestamp_seconds {facts['at_unix']}",
    ]
    return "\n".join(lines) + "\n"


def tell_systemd(message: str) -> None:
    """Speak the protocol of sd_notify(3), where systemd listens; elsewhere nothing happens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel,
    ):
        channel.sendto(message.encode(), "\0" + address[1:] if address.startswith("@") else address)
