"""When is a job the same job again? Same captures and ticket, same resolved recipe, same version of the program."""

from __future__ import annotations

import hashlib


def identity_of(content_sha256: str, recipe_sha256: str, version: str) -> str:
    """One hash of the three."""
    return hashlib.sha256(f"{content_sha256} {recipe_sha256} {version}".encode()).hexdigest()
